package timesplit

import (
	"cmp"
	"fmt"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// span is where a shift lies among the entries.
type span struct {
	start, end int // indexes of shift.started and shift.ended; end is -1 when missing
	from, to   events.Time
	open       bool
	items      []int // timed entries of the shift, by index
}

// timed reports whether entries of kind k say where a shift's time went.
func timed(k events.Kind) bool {
	switch k {
	case events.KindLoadCollected, events.KindWaterDecanted, events.KindSpoilTipped, events.KindWaterRefilled,
		events.KindEmergencyStopPressed, events.KindEmergencyStopReset, events.KindPlantRestarted,
		events.KindSiteArrived, events.KindSiteLeft, events.KindFacilityArrived, events.KindFacilityLeft,
		events.KindStandbyStarted, events.KindStandbyEnded, events.KindRestStarted, events.KindRestEnded:
		return true
	}
	return false
}

// byCrew reports whether entries of kind k show that the crew was still at work.
// Dockets and meter readings come from the office, often days later.
func byCrew(k events.Kind) bool {
	return k != events.KindDocketReceived && k != events.KindMeterRead && k != events.KindReportIssued
}

// findSpans pairs shift starts with shift ends.
func (d *division) findSpans() {
	open := -1 // index in spans
	used := map[int]bool{}
	lastSeen := events.Time{}
	for i := range d.entries {
		e := &d.entries[i]
		switch e.Body.(type) {
		case events.ShiftStarted:
			if open >= 0 {
				d.close(open, d.endAt(i, used), earlier(lastSeen, e.Occurred))
			}
			d.spans = append(d.spans, span{start: i, end: -1, from: e.Occurred})
			open, lastSeen = len(d.spans)-1, e.Occurred
		case events.ShiftEnded:
			if open >= 0 && !used[i] {
				d.close(open, i, e.Occurred)
				open = -1
			} else if !used[i] {
				d.unused(i, "ends no shift")
				d.find(reports.OutsideShift, e.Job, e.Occurred, e.Positions, "a shift ended at %s and none had started", moment(e.Occurred))
			}
		default:
			if byCrew(e.Kind()) {
				_, end := e.Interval()
				lastSeen = later(lastSeen, end)
			}
		}
	}
	if open >= 0 {
		d.close(open, -1, lastSeen)
	}
}

// endAt finds a shift.ended at the very time of the shift.started at i. Two
// sources can count the two in either order; the end is taken first.
func (d *division) endAt(i int, used map[int]bool) int {
	for n := i + 1; n < len(d.entries) && d.entries[n].Occurred.UnixMS == d.entries[i].Occurred.UnixMS; n++ {
		if d.entries[n].Kind() == events.KindShiftEnded && !used[n] {
			used[n] = true
			return n
		}
	}
	return -1
}

// close ends a span with the shift.ended at index end, or at the time given.
func (d *division) close(k, end int, at events.Time) {
	sp := &d.spans[k]
	sp.end, sp.to = end, at
	if end >= 0 {
		sp.to = d.entries[end].Occurred
		return
	}
	sp.to = later(at, sp.from)
	sp.open = true
	d.find(reports.ShiftNotEnded, "", sp.from, d.entries[sp.start].Positions,
		"the shift that began %s has no end; it is taken to end with its last entry, %s", moment(sp.from), moment(sp.to))
}

// assign gives each timed entry to the shifts it lies in and lists what lies in
// none.
func (d *division) assign() {
	for i := range d.entries {
		e := &d.entries[i]
		if !timed(e.Kind()) {
			continue
		}
		from, to := e.Interval()
		if !from.Before(to) {
			if k := d.shiftAt(i, from); k >= 0 {
				d.spans[k].items = append(d.spans[k].items, i)
			} else {
				d.outsideShift(i, 0)
			}
			continue
		}
		left := to.UnixMS - from.UnixMS
		for k := d.firstEndingAfter(from); k < len(d.spans) && d.spans[k].from.Before(to); k++ {
			sp := &d.spans[k]
			a, b := later(from, sp.from), earlier(to, sp.to)
			if a.Before(b) {
				left -= b.UnixMS - a.UnixMS
				sp.items = append(sp.items, i)
			}
		}
		if left > 0 {
			d.outsideShift(i, left)
		}
	}
}

// firstEndingAfter returns the index of the first span that ends after t.
func (d *division) firstEndingAfter(t events.Time) int {
	k, _ := slices.BinarySearchFunc(d.spans, t, func(sp span, t events.Time) int {
		if sp.to.UnixMS > t.UnixMS {
			return 1
		}
		return -1
	})
	return k
}

// shiftAt returns the shift that a point entry belongs to, or -1. Both bounds
// belong to the shift; where one ends as the next begins, the order in which the
// entries were counted decides.
func (d *division) shiftAt(i int, t events.Time) int {
	k := d.firstEndingAfter(t)
	for k > 0 && !d.spans[k-1].to.Before(t) {
		k--
	}
	found := -1
	for ; k < len(d.spans) && !t.Before(d.spans[k].from); k++ {
		if found < 0 || d.spans[k].start < i {
			found = k
		}
	}
	return found
}

// outsideShift lists an entry, or the part leftMS of it, that no shift holds.
func (d *division) outsideShift(i int, leftMS int64) {
	e := &d.entries[i]
	from, to := e.Interval()
	why := "outside any shift"
	if leftMS > 0 && leftMS < to.UnixMS-from.UnixMS {
		why = hoursMinutes(leftMS) + " of it outside any shift"
	}
	d.unused(i, why)
	d.find(reports.OutsideShift, e.Job, from, e.Positions, "%s at %s lies %s", e.Kind(), moment(from), why)
}

func later(a, b events.Time) events.Time {
	if a.UnixMS >= b.UnixMS {
		return a
	}
	return b
}

func earlier(a, b events.Time) events.Time {
	if a.UnixMS <= b.UnixMS {
		return a
	}
	return b
}

func compareTimes(a, b events.Time) int { return cmp.Compare(a.UnixMS, b.UnixMS) }

// hoursMinutes writes a length as "1 h 05 min", with seconds when it is short.
func hoursMinutes(ms int64) string {
	if ms < 60_000 {
		return fmt.Sprintf("%d.%03d s", ms/1000, ms%1000)
	}
	return fmt.Sprintf("%d h %02d min", ms/3_600_000, ms/60_000%60)
}

// moment writes a time as its truck's clock showed it, "2026-10-05 09:42 +01:00".
func moment(t events.Time) string { return t.Std().Format("2006-01-02 15:04 -07:00") }
