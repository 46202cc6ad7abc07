package naive

import (
	"cmp"
	"slices"

	"spoilbook/events"
)

// stay is time at a site or at a facility.
type stay struct {
	job      events.JobID // of a site; a facility has none
	facility bool
	from, to int64
	arrived  bool // the arrival is known
	left     bool // the departure is known
	tipped   bool
	tips     []events.Ref // those at a facility, and those on a site
	tipEnd   int64        // of the last tip
	loaded   bool         // since the last tip: the next one is another stop's
}

// sign is an entry that says where the truck was, at the time from which it does.
type sign struct {
	events.Event
	at int64
}

// signs returns the shift's entries that say where the truck was, in order.
func (w window) signs() []sign {
	var list []sign
	for _, e := range w.ordered {
		switch e.Kind() {
		case events.KindSiteArrived, events.KindSiteLeft, events.KindFacilityArrived, events.KindFacilityLeft,
			events.KindLoadCollected, events.KindSpoilTipped:
			if at, _ := Span(e); w.shift.has(at) {
				list = append(list, sign{e, at})
			}
		}
	}
	slices.SortStableFunc(list, func(a, b sign) int { return cmp.Compare(a.at, b.at) })
	return list
}

// whereabouts returns the stays of the shift in order, and the visit that goes on
// into the next shift. The visit handed over goes on unless the shift begins with
// an arrival; a load or a tip on the site is none.
func (w window) whereabouts(handed stay) (stays []stay, next stay) {
	signs := w.signs()
	if handed.job != "" && !beginsElsewhere(signs) {
		stays = append(stays, stay{job: handed.job, from: w.shift.From, to: -1, arrived: true})
	}
	for i, s := range signs {
		stays = w.follow(stays, s, signs[i+1:])
	}
	if n := len(stays); n > 0 && stays[n-1].to < 0 {
		if !stays[n-1].facility {
			next = stays[n-1]
			stays[n-1].to = w.shift.To
		} else {
			w.leave(&stays[n-1], w.shift.To)
		}
	}
	free := w.shift.From // a tip goes on to its end, wherever the truck was said to arrive meanwhile
	for i := range stays {
		if s := &stays[i]; !s.facility || s.tipped {
			s.from = max(s.from, free)
			s.to = max(s.to, s.from)
			free = s.to
		}
	}
	return stays, next
}

func beginsElsewhere(signs []sign) bool {
	for i, s := range signs {
		switch s.Kind() {
		case events.KindSiteLeft:
			return false
		case events.KindSiteArrived, events.KindFacilityArrived, events.KindFacilityLeft:
			return true
		case events.KindSpoilTipped:
			if leftNext(s, signs[i+1:]) {
				return true
			}
		}
	}
	return false
}

// follow adds what one sign says. A stay whose end is not yet known has to = -1.
func (w window) follow(stays []stay, s sign, later []sign) []stay {
	var here *stay
	if n := len(stays); n > 0 && stays[n-1].to < 0 {
		here = &stays[n-1]
	}
	elsewhere := func() {
		if here != nil {
			w.leave(here, s.at)
		}
	}
	atSite := here != nil && !here.facility
	switch s.Kind() {
	case events.KindSiteArrived:
		if atSite && here.job == s.Job {
			return stays // said twice
		}
		elsewhere()
		return append(stays, stay{job: s.Job, from: s.at, to: -1, arrived: true})
	case events.KindSiteLeft:
		if atSite && here.job == s.Job {
			here.to, here.left = s.at, true
			return stays
		}
		elsewhere()
		return append(stays, stay{job: s.Job, from: s.at, to: s.at, left: true})
	case events.KindFacilityArrived:
		elsewhere()
		return append(stays, stay{facility: true, from: s.at, to: -1, arrived: true})
	case events.KindFacilityLeft:
		if here != nil && here.facility {
			here.to, here.left = s.at, true
			return stays
		}
		elsewhere()
		return append(stays, stay{facility: true, from: s.at, to: s.at, left: true})
	case events.KindLoadCollected:
		if here != nil && here.facility && s.at < here.tipEnd {
			return stays // still tipping
		}
		if here != nil && here.tipped {
			here.loaded = true
		}
		if atSite && here.job == s.Job || !leavesSite(s.Job, later, atSite) {
			return stays
		}
		elsewhere()
		return append(stays, stay{job: s.Job, from: s.at, to: -1})
	case events.KindSpoilTipped:
		if here != nil && here.facility && !here.loaded {
			_, done := Span(s.Event)
			here.tipped, here.tipEnd, here.tips = true, max(here.tipEnd, done), append(here.tips, s.Ref())
			return stays
		}
		if atSite && !leftNext(s, later) {
			here.tips = append(here.tips, s.Ref()) // somewhere on the site
			return stays
		}
		elsewhere()
		_, done := Span(s.Event)
		return append(stays, stay{facility: true, from: s.at, to: -1, arrived: true, tipped: true, tips: []events.Ref{s.Ref()}, tipEnd: done})
	}
	return stays
}

// leavesSite reports whether the next sign of a move is the departure from a
// job's site, which a load without an arrival then belongs to. A tip is no move
// for a truck that stands on a site.
func leavesSite(job events.JobID, later []sign, atSite bool) bool {
	for _, s := range later {
		switch {
		case s.Kind() == events.KindLoadCollected, s.Kind() == events.KindSpoilTipped && atSite:
			continue
		}
		return s.Kind() == events.KindSiteLeft && s.Job == job
	}
	return false
}

// leftNext reports whether a tip without an arrival belongs to a departure from a
// facility: whether that is the next move. A tip after a load is another stop's; a
// load that began during a tip is none after it.
func leftNext(tip sign, later []sign) bool {
	_, tipping := Span(tip.Event)
	loaded := false
	for _, s := range later {
		switch s.Kind() {
		case events.KindLoadCollected:
			loaded = loaded || s.at >= tipping
		case events.KindSpoilTipped:
			if loaded {
				return false
			}
			_, done := Span(s.Event)
			tipping = max(tipping, done)
		default:
			return s.Kind() == events.KindFacilityLeft
		}
	}
	return false
}

// leave ends a stay whose end is not recorded, for the truck was elsewhere at a
// time: with the last tip, which is a departure, or else with the last entry
// there, which is none.
func (w window) leave(s *stay, elsewhere int64) {
	s.to, s.left = s.from, s.tipped
	if s.tipped {
		s.to = max(s.from, min(s.tipEnd, w.shift.To))
		return
	}
	for _, e := range w.ordered {
		if begun, done := Span(e); fillsTime(e) && begun >= s.from && begun < elsewhere {
			s.to = max(s.to, min(done, elsewhere))
		}
	}
}

// fillsTime reports whether an entry says what time was spent on. Pump signals,
// checks, care, gauges, meters, water used, refusals, returns and dockets do not.
func fillsTime(e events.Event) bool {
	switch e.Kind() {
	case events.KindPumpEngaged, events.KindPumpDisengaged, events.KindPrestartChecked, events.KindCareRecorded,
		events.KindTankGauged, events.KindMeterRead, events.KindWaterUsed, events.KindDocketReceived,
		events.KindSpoilRefused, events.KindSpoilReturned:
		return false
	}
	return true
}

// place says what a piece of time is by where the truck was. A stop at a facility
// without a tip is part of the journey; it ends, however, the doubt about a site
// that was never left.
func (w window) place(from, to int64) Spent {
	before, after := -1, len(w.stays)
	onTheWay := false
	for i := range w.stays {
		switch s := &w.stays[i]; {
		case s.facility && !s.tipped:
			onTheWay = onTheWay || after == len(w.stays) && s.from <= from
		case s.from <= from && to <= s.to:
			return w.staying(i, from)
		case s.to <= from:
			before, onTheWay = i, false
		case s.from >= to && after == len(w.stays):
			after = i
		}
	}
	return w.moving(before, after, onTheWay)
}

// staying is time at a site or at a facility with a tip.
func (w window) staying(i int, from int64) Spent {
	s := w.stays[i]
	if !s.facility {
		return Spent{events.OnSite, "", s.job}
	}
	for _, e := range w.ordered {
		if begun, _ := Span(e); slices.Contains(s.tips, e.Ref()) && begun <= from {
			return Spent{events.FullDump, "wash-out", w.visitBefore(i)}
		}
	}
	return Spent{events.FullDump, "queue", w.visitBefore(i)}
}

// visitBefore returns the job of the latest visit before the stay with index i.
func (w window) visitBefore(i int) events.JobID {
	for i--; i >= 0; i-- {
		if !w.stays[i].facility {
			return w.stays[i].job
		}
	}
	return w.latest
}

// visitBeforeTip returns the job of the visit that a tip's full dump belongs to:
// the one left before its stop, or the one it was done at.
func (w window) visitBeforeTip(tip *events.Event) events.JobID {
	for i, s := range w.stays {
		if slices.Contains(s.tips, tip.Ref()) {
			return cmp.Or(s.job, w.visitBefore(i))
		}
	}
	return ""
}

// moving is time between two stays, of which a shift's first and last piece have
// one: a journey where the departure and the arrival are known, and of a full
// dump where it leads to a tip or comes from one. A journey is for the job arrived
// at, the way home for the one left, a full dump for the visit before it.
func (w window) moving(before, after int, onTheWay bool) Spent {
	first, last := before < 0, after == len(w.stays)
	departed := first || w.stays[before].left || onTheWay
	arrived := last && !w.shift.Open && !first || !last && w.stays[after].arrived
	switch {
	case !departed || !arrived:
		return Spent{Activity: events.Unexplained}
	case !last && w.stays[after].facility:
		return Spent{events.FullDump, "haul", w.visitBefore(after)}
	case !first && w.stays[before].facility:
		return Spent{events.FullDump, "return", w.visitBefore(before)}
	case last:
		return Spent{events.Travel, "", w.stays[before].job}
	}
	return Spent{events.Travel, "", w.stays[after].job}
}
