package timesplit

import (
	"fmt"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Replay is a truck's loads of the period dumped under one rule, once with the
// decants as they were recorded and once without any: the tank is emptied whole
// whenever the next load would not fit or would pass the payload limit, and at the
// end when the record's last load was tipped within the period. What decanting
// saved is the difference of the two. The trips on record stand beside them and are
// more where crews tipped with room to spare: at the end of a day, before another
// material, while a facility was open.
type Replay struct {
	Truck         events.TruckID
	Loads         int
	OverLoads     int   // loads that alone are more than the truck may hold
	RecordedTrips int   // full dumps on record, a stop at a facility counting once
	DecantTrips   int   // the replay with the decants as recorded
	PlainTrips    int   // the replay without decants
	CycleMS       int64 // one full dump
	CycleFrom     string
	DecantMS      int64  // time spent decanting
	Trips         []Trip // those of the replay without decants, in order
	Positions     []uint64
}

// SavedTrips returns the trips that decanting saved.
func (r *Replay) SavedTrips() int { return r.PlainTrips - r.DecantTrips }

// SavedMS returns the time that decanting saved: the trips saved at CycleMS each,
// less the time spent decanting. Negative, decanting cost that time.
func (r *Replay) SavedMS() int64 { return int64(r.SavedTrips())*r.CycleMS - r.DecantMS }

// step is a movement of the debris tank, in the order they occurred.
type step struct {
	load, decant, tip bool
	volumeML, massG   int64
	after             tank.Summary
	freshML           int64 // aboard at that moment; -1 when the account does not know
	at                events.Time
	positions         []uint64
}

// replay adds the truck's replay to the report.
func (r *Report) replay(j *reports.Journal, a *tank.Account, mine, all []Shift, dumps []*occasion) {
	steps := stepsOf(j, a)
	out := Replay{Truck: a.Truck}
	tipped := map[uint64]bool{}
	inside, start := []step{}, tank.Summary{}
	for _, s := range steps {
		switch {
		case s.at.Before(r.Request.Period.From):
			start = s.after
		case r.Request.Period.Contains(s.at):
			inside = append(inside, s)
			if s.load {
				out.Loads++
				out.Positions = append(out.Positions, s.positions...)
			}
			if s.tip {
				tipped[s.positions[0]] = true
			}
		}
	}
	if out.Loads == 0 {
		return
	}
	out.RecordedTrips = trips(tipped, all)
	limit := func(s *step) (capacityML, payloadG int64, ok bool) {
		t, ok := j.Book.Truck(a.Truck, s.at)
		freshML := s.freshML
		if freshML < 0 {
			freshML = t.FreshCapacityL * 1000
		}
		return t.DebrisCapacityL * 1000, (t.PermittedGrossKg-t.TareKg)*1000 - freshML, ok
	}
	plain, known := run(inside, start, false, limit)
	with, _ := run(inside, start, true, limit)
	if !known {
		r.Findings = append(r.Findings, reports.NewFinding(reports.UnknownReference, a.Truck, inside[0].at, j.Cited(out.Positions),
			"truck %s was not in the register, so its loads are not replayed", a.Truck))
		return
	}
	out.PlainTrips, out.DecantTrips, out.OverLoads = len(plain.trips), len(with.trips), plain.over
	out.Trips = compareTrips(plain.trips, with.trips)
	out.CycleMS, out.CycleFrom = r.cycle(j, a.Truck, inside[0].at, dumps)
	for k := range mine {
		out.DecantMS += Hours(mine[k].Slices)[events.Decanting]
	}
	r.Replays = append(r.Replays, out)
}

// trips counts the full dumps that the tips make, and empties tipped: those of
// one stop count once.
func trips(tipped map[uint64]bool, shifts []Shift) int {
	n := 0
	for k := range shifts {
		for _, d := range shifts[k].Dumps {
			before := len(tipped)
			for _, p := range d.Tips {
				delete(tipped, p)
			}
			n += min(before-len(tipped), 1)
		}
	}
	return n + len(tipped) // tips outside any shift
}

// cycle returns how long one full dump takes, and how that is known.
func (r *Report) cycle(j *reports.Journal, id events.TruckID, at events.Time, dumps []*occasion) (ms int64, from string) {
	if n := int64(len(dumps)); n > 0 {
		sum := int64(0)
		for _, o := range dumps {
			sum += o.ms
		}
		return reports.MulDiv(sum, 1, n), fmt.Sprintf("mean of %d full dumps seen", n)
	}
	if t, ok := j.Book.Truck(id, at); ok && t.DumpMinutes > 0 {
		return t.DumpMinutes * 60_000, "usual full dump of the truck in the register"
	}
	return DefaultCycleMS, "assumed; none was seen and the register states none"
}

// outcome is what a run gave: its trips, and the loads that alone are too large.
type outcome struct {
	trips []Trip
	over  int
}

// run fills a tank with the loads and empties it whenever the next would not fit.
func run(steps []step, start tank.Summary, decants bool, limit func(*step) (int64, int64, bool)) (outcome, bool) {
	o := outcome{}
	volumeML, massG := start.VolumeML, start.MassG()
	tippedLast := false
	for i := range steps {
		s := &steps[i]
		capacityML, payloadG, ok := limit(s)
		switch {
		case !ok:
			return o, false
		case s.load:
			if s.volumeML > capacityML || s.massG > payloadG {
				o.over++
			}
			t := Trip{At: s.at, VolumeML: volumeML, MassG: massG, NextVolumeML: s.volumeML, NextMassG: s.massG,
				CapacityML: capacityML, PayloadG: payloadG, Positions: s.positions}
			if t.limit(); volumeML > 0 && t.Limit != "" {
				o.trips = append(o.trips, t)
				volumeML, massG = 0, 0
			}
			volumeML, massG = volumeML+s.volumeML, massG+s.massG
			tippedLast = false
		case s.decant && decants:
			volumeML, massG = max(0, volumeML-s.volumeML), max(0, massG-s.massG)
		case s.tip:
			tippedLast = true
		}
	}
	if n := len(steps); tippedLast && volumeML > 0 {
		o.trips = append(o.trips, Trip{At: steps[n-1].at, Limit: EndOfLoads, VolumeML: volumeML, MassG: massG, Positions: steps[n-1].positions})
	}
	return o, true
}

// stepsOf lists the loads, decants and tips of an account in the order of the
// journal, with the fresh water aboard at each.
func stepsOf(j *reports.Journal, a *tank.Account) []step {
	at := map[uint64]step{}
	for i := range a.Loads {
		l := &a.Loads[i]
		at[l.Entry.Positions[0]] = step{load: true, volumeML: l.VolumeML, massG: l.MassG(), after: l.After, freshML: l.JettingML}
	}
	for i := range a.Decants {
		d := &a.Decants[i]
		at[d.Entry.Positions[0]] = step{decant: true, volumeML: d.VolumeML, massG: d.SolidsG + d.WaterG, after: d.After}
	}
	for i := range a.Tips {
		t := &a.Tips[i]
		at[t.Entry.Positions[0]] = step{tip: true, volumeML: t.VolumeML, massG: t.MassG(), after: t.Heel.Summary()}
	}
	fresh := freshLevels(a)
	steps, levelML, known := []step{}, int64(0), false
	for _, e := range j.Entries(a.Truck) {
		if ml, ok := fresh[e.Positions[0]]; ok {
			levelML, known = ml, true
		}
		s, ok := at[e.Positions[0]]
		if !ok {
			continue
		}
		levelML -= s.freshML // jetting water of a load
		s.freshML, s.at, s.positions = max(0, levelML), e.Occurred, e.Positions
		if !known {
			s.freshML = -1
		}
		steps = append(steps, s)
	}
	return steps
}

// freshLevels returns the fresh tank's level after each entry that states one.
func freshLevels(a *tank.Account) map[uint64]int64 {
	fresh := map[uint64]int64{}
	for i := range a.Refills {
		fresh[a.Refills[i].Entry.Positions[0]] = a.Refills[i].AfterML
	}
	for i := range a.Uses {
		fresh[a.Uses[i].Entry.Positions[0]] = a.Uses[i].AfterML
	}
	for i := range a.Gauges {
		if g := &a.Gauges[i]; g.Tank == events.FreshTank {
			fresh[g.Entry.Positions[0]] = g.AccountML + g.AdjustedML
		}
	}
	return fresh
}
