package tank

import (
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// revise lets the truck's revisions take effect that did so up to a time, or all that
// are left where there is none, and finds a tank that holds more than it can from
// then on. Of revisions with one time only the last counts, as in the register.
func (f *fold) revise(until *events.Time) {
	for len(f.revisions) > 0 && (until == nil || !until.Before(f.revisions[0].From)) {
		r := f.revisions[0]
		f.revisions = f.revisions[1:]
		if len(f.revisions) > 0 && f.revisions[0].From.UnixMS == r.From.UnixMS {
			continue
		}
		truck, ok := r.Document.(events.Truck)
		if !ok {
			continue
		}
		if was := f.capacity; was != nil {
			f.shrunk(r.From, r.Position, was, &truck)
		}
		f.capacity = &truck
	}
}

// shrunk finds what a truck's tanks hold beyond a capacity that became smaller.
func (f *fold) shrunk(from events.Time, position uint64, was, is *events.Truck) {
	if is.DebrisCapacityL < was.DebrisCapacityL && f.held.volumeML() > is.DebrisCapacityL*1000 {
		cites := []uint64{position}
		for i := range f.parcels {
			cites = append(cites, f.parcels[i].Cites...)
		}
		f.account.Findings = append(f.account.Findings, reports.NewFinding(reports.HeldOverCapacity, f.account.Truck, from, cites,
			"the debris tank holds %s L; its capacity is %d L from then on, and was %d L", litres(f.held.volumeML()), is.DebrisCapacityL, was.DebrisCapacityL))
		f.overCapacity = true
	}
	if is.FreshCapacityL < was.FreshCapacityL && f.freshML > is.FreshCapacityL*1000 {
		f.account.Findings = append(f.account.Findings, reports.NewFinding(reports.FreshOverCapacity, f.account.Truck, from, []uint64{position},
			"the fresh tank holds %s L; its capacity is %d L from then on, and was %d L", litres(f.freshML), is.FreshCapacityL, was.FreshCapacityL))
		f.freshOver = true
	}
}

// dayMS bounds how long an entry's interval can be, which validation sees to.
const dayMS = 24 * 60 * 60 * 1000

// findOverlap finds that a load claims time that an earlier one claims. Both count,
// for nobody but those who were there knows whether one was entered twice.
func (f *fold) findOverlap(e *reports.Entry) {
	start, end := e.Interval()
	if !start.Before(end) {
		return
	}
	cites := []uint64{}
	var first *Load
	for i := len(f.account.Loads) - 1; i >= 0; i-- {
		l := &f.account.Loads[i]
		if l.Entry.Occurred.UnixMS < start.UnixMS-dayMS {
			break
		}
		if from, to := l.Entry.Interval(); from.Before(to) && from.Before(end) && start.Before(to) {
			first = l
			cites = slices.Concat(l.Entry.Positions, cites)
		}
	}
	if first == nil {
		return
	}
	from, to := first.Entry.Interval()
	f.find(reports.LoadsOverlap, e, "this load, %s to %s, overlaps the one of %s to %s; both count", clock(start), clock(end), clock(from), clock(to))
	f.cite(cites)
}

// clock shows a time of day as the source's clock had it.
func clock(t events.Time) string { return t.Std().Format("15:04:05 -07:00") }
