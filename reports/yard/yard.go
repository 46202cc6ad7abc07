// Package yard says where every truck stands at a moment: where it is and doing what since when, what its two tanks hold, what
// has to happen next, and what of its day the record lacks. The yard runs the day by it.
//
// For example, a truck that arrived at job J-101 at 07:40, collected two loads until 09:20 and pressed an emergency stop at 09:31 stands, at
// 09:45, as
//
//	stopped since 09:31, on site J-101 since 07:40, on shift since 06:30
//	debris tank 6.32 m3 +- 0.11 m3 of 8 m3, of which 1.90 m3 is clear water above the bed
//	fresh tank 640 L of 2000 L
//	next: inspect, reset and restart after the stop pressed at 09:31
//	next: decant up to 1.90 m3 where it is allowed, or tip: 79 % full
//
// It is the record's view: what was not reported yet is not in it, so each standing says when the truck was last heard of. What has to happen
// next follows from common practice with the limits in Options; it advises, and the crew, the maker's manual and local rules decide. An
// emergency stop here is an entry in a record, not a safety function.
//
// Entries count in the order in which they occurred. An entry with a start and an end that lies wholly before the moment is over; one that holds
// the moment is what the truck is doing. Where a truck is follows from arrivals and departures alone, as in a time split: the shift's start and
// each departure begin a journey, and where an arrival is missing the first load of a job is taken for one.
package yard

import (
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Where says what kind of place a truck is at.
type Where string

// The places.
const (
	OffShift   Where = "off-shift"
	OnTheRoad  Where = "on-the-road"
	AtSite     Where = "at-site"
	AtFacility Where = "at-facility"
)

// Standing is how one truck stands at the moment.
type Standing struct {
	Truck  events.TruckID
	Name   string // by the register; empty where it has no such truck
	Plate  string
	Driver events.OperatorID
	Crew   []events.OperatorID
	Aboard []string // driver first, by name where the register has it

	Where      Where
	WhereSince events.Time // zero when nothing is on record
	Job        events.JobID
	Facility   events.FacilityID
	Place      string      // the job's site or the facility, by name where the register has it
	ShiftSince events.Time // zero when off shift

	Doing      events.Activity // what the time counts as at this moment; empty off shift
	DoingSince events.Time
	Cause      events.StandbyCause // of a standby

	Debris, Fresh Level

	Next      []Next
	LastHeard events.Time // when the last entry occurred; zero when there is none
	Position  uint64      // of the last entry heard
	Open      int         // serious findings of the tank's account that nobody has answered
	OpenIn    []OpenIn    // the same by the report that shows them
}

// Level is what a tank holds. Volumes are in millilitres, masses in grams.
type Level struct {
	VolumeML    int64
	ToleranceML int64 // two standard uncertainties; 0 where it is not known
	CapacityML  int64 // 0 where the register does not say
	MassG       int64
	FreeWaterML int64 // of the debris tank: the largest clear decant
}

// FullPermille returns how full the tank is in thousandths, 0 where its capacity is not known.
func (l Level) FullPermille() int64 {
	if l.CapacityML <= 0 {
		return 0
	}
	return reports.MulDiv(l.VolumeML, 1000, l.CapacityML)
}

// RoomML returns what the tank can still take, and ok false where its capacity is not known. It is negative over capacity.
func (l Level) RoomML() (ml int64, ok bool) { return l.CapacityML - l.VolumeML, l.CapacityML > 0 }

// Urgency says how soon something has to happen.
type Urgency string

// The urgencies, from most to least.
const (
	AtOnce Urgency = "at-once" // before any other work
	Soon   Urgency = "soon"    // before the next load or the end of the shift
	Later  Urgency = "later"   // worth knowing
)

// What names a thing that has to happen.
type What string

// The things that have to happen.
const (
	RestartAfterStop What = "restart-after-stop"
	EmptyTank        What = "empty-tank"
	DecantFirst      What = "decant-first"
	RefillWater      What = "refill-water"
	EndStandby       What = "end-standby"
	EndShift         What = "end-shift"
	CareDue          What = "care-due"
	ReportIn         What = "report-in"
	PutRegisterRight What = "put-register-right"
)

// Next is one thing that has to happen, in words, with the events it follows from.
type Next struct {
	What    What
	Urgency Urgency
	Says    reports.Said
	Text    string // of Says, in English and in cubic metres
	Cites   []uint64
}

// Options select limits; the zero value is common practice.
type Options struct {
	FullPermille  int64         // from here on the debris tank has to be emptied; 0 for 850
	LowPermille   int64         // below this the fresh tank has to be filled; 0 for 150
	DecantLeastML int64         // free water worth decanting; 0 for 500 000
	SilentFor     time.Duration // a truck on shift that was not heard for so long; 0 for 2 hours
	LongShift     time.Duration // a shift that is on for so long; 0 for 12 hours
	LongStandby   time.Duration // 0 for 45 minutes
	Tank          tank.Options
}

// Report is how every truck stands at one moment.
type Report struct {
	At       events.Time
	Position uint64 // the last ledger position covered
	Trucks   []Standing
}

// Compute says how the trucks of the journal stand at a moment, those of the register with no entries among them, in order of their names.
// Entries that occurred after the moment are not looked at. With trucks named, only those are reported.
func Compute(j *reports.Journal, only []events.TruckID, at events.Time, o Options) *Report {
	o.settle()
	r := &Report{At: at, Position: j.Position}
	until := j.Until(at)
	ids := Trucks(j, only, at)
	r.Trucks = make([]Standing, len(ids))
	var next atomic.Int64 // trucks do not depend on each other
	var wg sync.WaitGroup
	for range min(len(ids), runtime.GOMAXPROCS(0)) {
		wg.Go(func() {
			for i := next.Add(1) - 1; i < int64(len(ids)); i = next.Add(1) - 1 {
				r.Trucks[i] = standing(j, until, ids[i], at, o)
			}
		})
	}
	wg.Wait()
	return r
}

func (o *Options) settle() {
	set := func(v *int64, usual int64) {
		if *v == 0 {
			*v = usual
		}
	}
	set(&o.FullPermille, 850)
	set(&o.LowPermille, 150)
	set(&o.DecantLeastML, 500_000)
	for _, d := range []struct {
		v     *time.Duration
		usual time.Duration
	}{{&o.SilentFor, 2 * time.Hour}, {&o.LongShift, 12 * time.Hour}, {&o.LongStandby, 45 * time.Minute}} {
		if *d.v == 0 {
			*d.v = d.usual
		}
	}
	o.Tank.OmitMovements = true
}
