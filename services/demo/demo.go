// Package demo is one invented month of an invented contractor: Tarnmoor
// Groundworks in October 2026, with three vacuum-excavation trucks, six people,
// four clients and six jobs. It shows the reports something to work on, ordinary
// days and ugly ones, without anybody's real records.
//
// The month is made of the same parts as a real one: register files, and events
// that each source counts from 1 without a gap. [Build] returns them in the order
// in which they were published, which is not the order in which things happened.
// For example the batches about 14 October are, in order,
//
//	TM-01, Wed 14 Oct                          an emergency stop
//	TM-03, Wed 14 Oct
//	Yard office, Wed 14 Oct                    dockets of the day before
//	TM-01, TM-02 and TM-03, Thu 15 Oct
//	...
//	TM-02, Wed 14 Oct: no signal, sent late    after TM-02's later days
//
// Between the third line and the last one the ledger misses numbers of TM-02. Each
// ugly day is told in [Stories] with the report that shows it. [Raw] holds bodies
// that cannot become events. Building is deterministic: no clock, and random
// numbers from a fixed seed, all arithmetic in whole numbers.
package demo

import (
	"embed"
	"fmt"
	"io/fs"
	"time"
	_ "time/tzdata" // the month needs its zone on machines that have none installed

	"spoilbook/events"
)

// ZoneName is the IANA name of the month's time zone.
const ZoneName = "Europe/Dublin"

// Month is everything that was published, in the order of publication.
type Month struct {
	Batches []Batch
}

// Batch is what was published together. Note says whose day it is, or what is
// odd about it.
type Batch struct {
	Note   string
	Events []events.Event
}

//go:embed register/*.yaml
var registerFiles embed.FS

// Register returns the month's register files.
func Register() fs.FS {
	sub, err := fs.Sub(registerFiles, "register")
	if err != nil {
		panic(fmt.Sprintf("demo: the register folder is not in the program: %v", err))
	}
	return sub
}

// Zone returns the month's time zone.
func Zone() *time.Location {
	zone, err := time.LoadLocation(ZoneName)
	if err != nil {
		panic(fmt.Sprintf("demo: the zone table is not in the program: %v", err))
	}
	return zone
}

// From returns the first instant of the month.
func From() events.Time { return events.TimeOf(local("2026-10-01", "00:00", Zone())) }

// To returns the first instant after the month; its UTC offset differs from
// From's, for the clocks change on 25 October.
func To() events.Time { return events.TimeOf(local("2026-11-01", "00:00", Zone())) }

// local returns the instant of a date and a clock time of this package's own
// tables in zone.
func local(date, clock string, zone *time.Location) time.Time {
	t, err := time.ParseInLocation("2006-01-02 15:04", date+" "+clock, zone)
	if err != nil {
		panic(fmt.Sprintf("demo: %v", err))
	}
	return t
}
