package naive_test

import (
	"fmt"
	"math/bits"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/naive"
)

const (
	truck  = events.TruckID("TM-01")
	twin   = events.TruckID("TM-02") // has the same number plate
	minute = int64(60_000)
	hour   = 60 * minute
)

// start is when a generated day begins, and where.
type start struct {
	unixMS int64
	zone   *time.Location
}

// starts are an ordinary morning and the evenings before the clocks went back in
// Dublin (25 October 2026) and in Auckland (5 April 2026).
func starts(t testing.TB) []start {
	t.Helper()
	var list []start
	for _, s := range []struct{ zone, at string }{
		{"Europe/Dublin", "2026-06-01T06:00:00+01:00"},
		{"Europe/Dublin", "2026-10-24T22:00:00+01:00"},
		{"Pacific/Auckland", "2026-04-04T22:30:00+13:00"},
	} {
		zone, err := time.LoadLocation(s.zone)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, start{events.MustTime(s.at).UnixMS, zone})
	}
	return list
}

// registers returns the revisions behind every generated day: the truck, the
// materials (one of which reads otherwise some hours into the day), facilities,
// water sources and outfalls. M-UNKNOWN is in none.
func registers(from events.Time) []events.RegisterRevised {
	long := events.Time{UnixMS: from.UnixMS - 1000*hour}
	later := events.Time{UnixMS: from.UnixMS + 5*hour}
	revise := func(key string, at events.Time, d events.Document) events.RegisterRevised {
		return events.RegisterRevised{Key: key, EffectiveFrom: at, Author: "Yard", Document: d}
	}
	clay := events.Material{Description: "Boulder clay", WasteCode: "17 05 04", ParticleDensityKgPerM3: 2650, SlurryDensityKgPerM3: 1400,
		BankDensityKgPerM3: 1900, MoisturePermille: 150}
	wrong, denser := clay, clay
	wrong.ParticleDensityKgPerM3, denser.ParticleDensityKgPerM3, denser.MoisturePermille, denser.BedVoidRatioPermille = 2000, 2713, 187, 850
	first := events.Truck{Name: "Tarnmoor 1", Registration: "TM 1", Carrier: "TG", DebrisCapacityL: 8000,
		FreshCapacityL: 2000, TareKg: 14_000, PermittedGrossKg: 26_000, LevelTolerancePermille: 20, DebrisTankDiameterMM: 1800, DebrisTankLengthMM: 4200}
	smaller, third, plateless := first, first, first
	smaller.DebrisCapacityL, smaller.LevelTolerancePermille = 3000, 35 // a partition was put in
	third.Name, third.DebrisCapacityL, third.LevelTolerancePermille = "Tarnmoor 1, its successor", 6000, 5
	third.DebrisStrapping = []events.StrappingPoint{{LevelMM: 0, VolumeL: 0}, {LevelMM: 333, VolumeL: 907}, {LevelMM: 1400, VolumeL: 6000}}
	third.FreshStrapping = []events.StrappingPoint{{LevelMM: 100, VolumeL: 200}, {LevelMM: 1001, VolumeL: 2000}}
	plateless.Name, plateless.DebrisCapacityL = "Tarnmoor 2", 20_000 // with the first one's plate
	return []events.RegisterRevised{
		revise(string(truck), long, first),
		revise(string(truck), events.Time{UnixMS: from.UnixMS + 3*hour}, smaller),
		revise(string(truck), events.Time{UnixMS: from.UnixMS + 8*hour}, third), // another vehicle under the same plate
		revise(string(twin), long, plateless),
		revise("M-CLAY", later, denser),
		revise("M-CLAY", long, wrong),
		revise("M-CLAY", long, clay), // puts the one before right
		revise("M-PEAT", long, events.Material{Description: "Peat", WasteCode: "17 05 04", ParticleDensityKgPerM3: 1530,
			SlurryDensityKgPerM3: 1080, MoisturePermille: 120, BedVoidRatioPermille: 3000}),
		revise("M-GRIT", long, events.Material{Description: "Road grit", WasteCode: "20 03 06", ParticleDensityKgPerM3: 2711,
			SlurryDensityKgPerM3: 1600, BankDensityKgPerM3: 2050}),
		revise("M-SILT", long, events.Material{Description: "Silt", WasteCode: "17 05 06", ParticleDensityKgPerM3: 2680,
			SlurryDensityKgPerM3: 1250, MoisturePermille: 240}),
		revise("F-PIT", long, events.Facility{Name: "Pit", Address: "Pit Road, Tarnmoor", Class: events.SoilRecoveryClass, TimeZone: "Europe/Dublin"}),
		revise("F-WET", long, events.Facility{Name: "Wet", Address: "Weir Road, Tarnmoor", Class: events.LiquidTreatmentClass,
			WeighbridgeIntervalKg: 20, TimeZone: "Europe/Dublin"}),
		revise("S-MAINS", long, events.WaterSource{Name: "Standpipe", Use: events.MainsStandpipe, MeterTolerancePermille: 20, TimeZone: "Europe/Dublin"}),
		revise("O-SEWER", long, events.Outfall{Name: "Sewer", To: "foul sewer", TimeZone: "Europe/Dublin"}),
	}
}

// day is what a generator told: the ledger as an outsider sees it, with wrong
// entries, corrections and voidings, and the truth that they amount to.
type day struct {
	start    start
	recorded []events.Recorded
	truth    naive.Ledger
	twin     naive.Ledger
}

func (d day) journal() *reports.Journal { return reports.Resolve(d.recorded, uint64(len(d.recorded))) }

// teller tells a day: what it says happened, in order, at times that it keeps.
type teller struct {
	t     *rapid.T
	start start
	now   int64
	said  []events.Event

	forgets int64 // how much of what should be said is not, in hundredths

	standby, rest bool
	at            events.JobID // the site the truck is at
}

func (s *teller) chance(percent int64) bool { return evenly(s.t, "chance", 0, 99) < percent }

// evenly draws a whole number of which each is about as likely; the ranges of rapid
// favour the small, and make days in which hardly anything takes any time.
func evenly(t *rapid.T, label string, low, high int64) int64 {
	return rapid.Custom(func(t *rapid.T) int64 {
		n, v := uint64(high-low)+1, uint64(0)
		for range bits.Len64(n) + 2 {
			v <<= 1
			if rapid.Bool().Draw(t, "bit") {
				v |= 1
			}
		}
		return low + int64(v%n)
	}).Draw(t, label)
}

func (s *teller) time(ms int64) events.Time {
	return events.TimeOf(time.UnixMilli(ms).In(s.start.zone))
}

// wait lets time pass: often by whole steps of five minutes, so that things
// coincide, and otherwise to the millisecond.
func (s *teller) wait(most int64) int64 {
	d := evenly(s.t, "steps", 0, most/(5*minute)) * 5 * minute
	if s.chance(30) {
		d = evenly(s.t, "ms", 0, most)
	}
	s.now += d
	return d
}

// say tells an event that occurred now.
func (s *teller) say(job events.JobID, body events.Body) { s.sayAt(s.now, job, body) }

func (s *teller) sayAt(ms int64, job events.JobID, body events.Body) {
	seq := uint64(len(s.said) + 1)
	e := events.Event{ID: fmt.Sprint("E", seq),
		Source: events.TruckSource(truck), Seq: seq, Occurred: s.time(ms), Truck: truck, Job: job, Operator: "OP-1", Origin: events.FromCrew, Body: body}
	if err := e.Validate(); err != nil {
		s.t.Fatalf("the generator said something invalid: %v", err)
	}
	s.said = append(s.said, e)
}

// usually says a body but for the few times that the crew forgets.
func (s *teller) usually(job events.JobID, body events.Body) {
	if !s.chance(s.forgets) {
		s.say(job, body)
	}
}

// interval draws the start and end of something and when it is said to have
// occurred; the next thing may begin before its end.
func (s *teller) interval(most int64) (from, to events.Time, occurred int64) {
	begun := s.now
	s.now += minute
	s.wait(most)
	from, to, occurred = s.time(begun), s.time(s.now), s.now
	switch {
	case s.chance(5):
		occurred = begun
	case s.chance(10):
		s.now = evenly(s.t, "overlap", begun+1, s.now)
	}
	return from, to, occurred
}
