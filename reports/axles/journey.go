package axles

import (
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// The places whose names are not in the register.
const (
	notOnRecord = "not on record"
	shiftsEnd   = "end of the shift"
)

// move follows the truck on the road, with what it held before entry e. A journey
// goes from a departure to the next arrival. An arrival without a departure (the way
// from the yard has none) and a tip or a load without an arrival are journeys too,
// with what is missing said.
func (w *walk) move(e *reports.Entry) {
	switch b := e.Body.(type) {
	case events.SiteLeft:
		w.leave("site of "+string(e.Job), e)
	case events.FacilityLeft:
		w.leave(string(b.Facility), e)
	case events.SiteArrived:
		w.comeTo("site of "+string(e.Job), e)
	case events.FacilityArrived:
		w.comeTo(string(b.Facility), e)
	case events.LoadCollected:
		if w.trip != nil {
			w.arrive("site of "+string(e.Job)+", arrival not on record", events.Time{}, nil)
		}
	case events.SpoilTipped:
		if w.place != string(b.Facility) { // on the road it is at no place
			w.comeTo(string(b.Facility), e)
		}
	case events.ShiftEnded:
		w.arrive(shiftsEnd, e.Occurred, e.Positions)
		w.place = ""
	}
}

func (w *walk) leave(from string, e *reports.Entry) {
	w.arrive(notOnRecord, events.Time{}, nil)
	w.trip = &Trip{Truck: w.id, Job: e.Job, Left: e.Occurred, From: from, Weight: w.weight(e.Occurred), Cites: slices.Clone(e.Positions), key: e.Ref().String(), left: e.Positions}
	w.place = ""
}

// comeTo ends the journey at a place, or makes one of the arrival alone.
func (w *walk) comeTo(place string, e *reports.Entry) {
	if w.trip == nil {
		w.trip = &Trip{Truck: w.id, Job: e.Job, From: notOnRecord, Weight: w.weight(e.Occurred), key: e.Ref().String()}
	}
	start, _ := e.Interval()
	w.arrive(place, start, e.Positions)
	w.place = place
}

// arrive ends the journey, if the truck is on one, and adds it when it was asked for.
func (w *walk) arrive(to string, at events.Time, cites []uint64) {
	if w.trip == nil {
		return
	}
	t := *w.trip
	w.trip = nil
	t.To, t.Reached = to, at
	t.Cites = reports.Union(t.Cites, cites, t.Weight.Cites)
	if !w.wants(t.Job, t.At()) {
		return
	}
	w.r.Trips = append(w.r.Trips, t)
	w.check(&t)
}

// check finds what was over a limit on the road. What it finds is about the departure.
func (w *walk) check(t *Trip) {
	more := slices.DeleteFunc(w.j.Cited(t.Cites), func(p uint64) bool { return slices.Contains(t.left, p) })
	find := func(code reports.Code, format string, args ...any) {
		f := reports.NewFinding(code, w.id, t.At(), slices.Concat(t.left, more), format, args...)
		f.Job = t.Job
		w.r.Findings = append(w.r.Findings, f)
	}
	x := &t.Weight
	for i, m := range x.margins() {
		if m.leftG >= 0 {
			continue
		}
		code, what := reports.AxleOver, "the "+m.name+" carried"
		if i == 0 {
			code, what = reports.OverGross, "the truck weighed"
		}
		find(code, "%s %s %s by the account; permitted are %s: %s too much", t.route(), what,
			reports.Kilograms(m.massG), reports.Kilograms(m.permittedG), excess(m.leftG))
	}
	if x.Why != "" {
		return
	}
	if w.o.Rule != USBridge {
		return
	}
	if g := worst(Groups(x.Axles)); g.Over() {
		find(reports.BridgeOver, "%s axles %d to %d carried %s; the bridge formula allows %s over %s m: %s too much", t.route(), g.First+1, g.Last+1,
			pounds(g.MassG), wholePounds(g.LimitLB), reports.Decimal(g.SpanMM, 3, 2), excess(g.MarginG()))
	}
}

// excess writes a margin below zero as whole kilograms too much, rounded up.
func excess(marginG int64) string { return reports.Decimal(-kilogramsDown(marginG), 0, 0) + " kg" }
