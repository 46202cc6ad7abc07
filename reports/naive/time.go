package naive

import (
	"cmp"
	"slices"

	"spoilbook/events"
)

// Stretch is half-open time, in milliseconds, spent on one thing.
type Stretch struct {
	Spent
	From, To int64
}

// Spent is what time was spent on, and for whom.
type Spent struct {
	Activity events.Activity
	Part     string // of a full dump
	Job      events.JobID
}

// Shift is a shift and what its time was spent on, in order and without gaps.
type Shift struct {
	From, To  int64
	Open      bool // no end is recorded
	Stretches []Stretch
}

// Shifts cuts every shift at every instant that an entry mentions and decides for
// each piece what it was spent on; pieces alike are joined.
func (l Ledger) Shifts() []Shift {
	shifts := l.bounds()
	var visiting stay
	var latest events.JobID
	for i := range shifts {
		s := &shifts[i]
		w := window{shift: *s, shifts: shifts, ordered: l.Ordered(), latest: latest}
		w.stays, visiting = w.whereabouts(visiting)
		instants := w.instants()
		for k := range len(instants) - 1 {
			from, to := instants[k], instants[k+1]
			spent := w.decide(from, to)
			if n := len(s.Stretches); n > 0 && s.Stretches[n-1].Spent == spent {
				s.Stretches[n-1].To = to
				continue
			}
			s.Stretches = append(s.Stretches, Stretch{spent, from, to})
		}
		latest = w.visitBefore(len(w.stays))
	}
	return shifts
}

// bounds returns the shifts without what is in them. A shift without an end ends
// with the last entry before the next one begins.
func (l Ledger) bounds() []Shift {
	var shifts []Shift
	open := false
	ordered := l.Ordered()
	for i, e := range ordered {
		switch e.Body.(type) {
		case events.ShiftStarted:
			shifts = append(shifts, Shift{From: e.Occurred.UnixMS, To: lastEntry(ordered[i:]), Open: true})
			open = true
		case events.ShiftEnded:
			if open {
				shifts[len(shifts)-1].To, shifts[len(shifts)-1].Open = e.Occurred.UnixMS, false
			}
			open = false
		}
	}
	return shifts
}

// lastEntry returns the end of the last entry that occurred before the next shift
// began, given the entries from a shift's start on.
func lastEntry(ordered []events.Event) int64 {
	last := ordered[0].Occurred.UnixMS
	for _, e := range ordered[1:] {
		if e.Kind() == events.KindShiftStarted {
			return min(last, e.Occurred.UnixMS)
		}
		if _, done := Span(e); e.Kind() != events.KindDocketReceived { // the office's, days later
			last = max(last, done)
		}
	}
	return last
}

// window is one shift among the others, and all entries.
type window struct {
	shift   Shift
	shifts  []Shift
	ordered []events.Event
	stays   []stay
	latest  events.JobID // visited in the shifts before
}

// instants returns every instant in the shift that an entry mentions, and the
// shift's ends.
func (w window) instants() []int64 {
	list := []int64{w.shift.From, w.shift.To}
	for _, e := range w.ordered {
		from, to := Span(e)
		list = append(list, from, to, e.Occurred.UnixMS)
	}
	list = slices.DeleteFunc(list, func(ms int64) bool { return ms < w.shift.From || ms > w.shift.To })
	slices.Sort(list)
	return slices.Compact(list)
}

// decide asks the rules in their order; the first that holds for the whole piece
// counts. Of two entries of one kind the earlier counts.
func (w window) decide(from, to int64) Spent {
	place := w.place(from, to)
	if job, yes := w.stopped(from, to); yes {
		return Spent{events.Stopped, "", cmp.Or(job, place.Job)}
	}
	for _, rule := range []struct {
		kind     events.Kind
		activity events.Activity
		part     string
	}{
		{events.KindLoadCollected, events.Loading, ""},
		{events.KindWaterDecanted, events.Decanting, ""},
		{events.KindSpoilTipped, events.FullDump, "tip"},
		{events.KindWaterRefilled, events.Refilling, ""},
	} {
		e := w.work(rule.kind, from, to)
		switch {
		case e != nil && rule.part != "":
			return Spent{rule.activity, rule.part, cmp.Or(w.visitBeforeTip(e), e.Job)}
		case e != nil:
			return Spent{rule.activity, rule.part, cmp.Or(e.Job, place.Job)}
		}
	}
	if job, yes := w.between(events.KindRestStarted, events.KindRestEnded, from, to); yes {
		return Spent{events.Rest, "", cmp.Or(job, place.Job)}
	}
	if job, yes := w.between(events.KindStandbyStarted, events.KindStandbyEnded, from, to); yes {
		return Spent{events.Standby, "", cmp.Or(job, place.Job)}
	}
	return place
}

// work returns the entry of a kind that began first of those that go on from from
// to to, or nil.
func (w window) work(kind events.Kind, from, to int64) *events.Event {
	var first *events.Event
	for i, e := range w.ordered {
		begun, done := Span(e)
		if e.Kind() != kind || begun > from || done < to {
			continue
		}
		if first == nil {
			first = &w.ordered[i]
		} else if other, _ := Span(*first); begun < other {
			first = &w.ordered[i]
		}
	}
	return first
}

// between reports whether a standby or a rest goes on from from to to. It ends
// with its end, which must come in the same shift and before another one begins;
// without an end, with the next other activity. Of two the earlier says for whom.
func (w window) between(start, end events.Kind, from, to int64) (job events.JobID, yes bool) {
	for i, e := range w.ordered {
		if e.Kind() != start || e.Occurred.UnixMS > from || !w.shift.has(e.Occurred.UnixMS) {
			continue
		}
		done, other := w.shift.To, w.shift.To
		ended := false
		for _, later := range w.ordered[i+1:] {
			if later.Kind() == end && later.Occurred.UnixMS <= w.shift.To {
				done, ended = later.Occurred.UnixMS, true
			}
			if later.Kind() == end || later.Kind() == start {
				break
			}
		}
		for k, later := range w.ordered {
			begun, _ := Span(later)
			if beginsActivity(later) && (begun > e.Occurred.UnixMS || begun == e.Occurred.UnixMS && k > i) {
				other = min(other, begun)
			}
		}
		if !ended {
			done = other
		}
		if to <= done {
			return e.Job, true
		}
	}
	return "", false
}

func (s Shift) has(ms int64) bool { return s.From <= ms && ms <= s.To }

// beginsActivity reports whether an entry begins or ends something that fills
// time.
func beginsActivity(e events.Event) bool {
	switch e.Kind() {
	case events.KindLoadCollected, events.KindWaterDecanted, events.KindSpoilTipped, events.KindWaterRefilled,
		events.KindRestStarted, events.KindStandbyStarted, events.KindEmergencyStopPressed,
		events.KindSiteArrived, events.KindSiteLeft, events.KindFacilityArrived, events.KindFacilityLeft:
		return true
	}
	return false
}
