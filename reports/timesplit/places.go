package timesplit

import (
	"cmp"
	"slices"

	"spoilbook/events"
)

// stop is a stay at a site, or at a facility where the truck tipped.
type stop struct {
	facility  bool
	from, to  events.Time
	fromKnown bool        // an arrival is recorded
	toKnown   bool        // a leaving is recorded
	visit     int         // of a site: its visit; of a facility: the visit left before it
	dump      int         // of a facility
	tips      []int       // entries, of a facility
	seen      events.Time // the latest arrival, where the site was arrived at again
	loaded    bool        // a load was made after the tips: the next tip is another stop's
	arrival   []uint64
	leaving   []uint64
}

// bare reports whether only tips, no arrival and no leaving, speak of a
// facility stop.
func (s *stop) bare() bool { return s.facility && !s.fromKnown && !s.toKnown }

// placer finds where the truck was during one shift.
type placer struct {
	d     *division
	sp    *span
	s     *Shift
	stops []stop
	tip   map[int]int // the dump that a tip's entry belongs to
	at    *stop       // the open stop at a site, or nil
	visit int         // the latest visit, -1 for none

	onSite []stop      // tips where the truck stood
	passed events.Time // the end of the latest stop at a facility without a tip
}

// base is the ground on which an entry's claims lie: segments that fill the
// shift, and the dump of each tip.
type base struct {
	segments []claim
	tip      map[int]int
}

// places fills the shift's visits and dumps and returns the base segments.
func (d *division) places(k int, s *Shift) base {
	p := &placer{d: d, sp: &d.spans[k], s: s, tip: map[int]int{}, visit: -1}
	marks := p.marks()
	if d.last != nil {
		p.visit = p.addVisit(*d.last)
	}
	if d.onSite && staysOn(marks) {
		p.at = &stop{from: s.From, fromKnown: true, visit: p.visit, arrival: d.last.Positions}
	}
	for i := range marks {
		p.take(&marks[i])
	}
	if d.onSite = p.at != nil; d.onSite {
		p.at.to = s.To
		p.stops = append(p.stops, *p.at)
	}
	if p.visit >= 0 {
		v := s.Visits[p.visit]
		d.last = &v
	}
	return base{segments: p.segments(), tip: p.tip}
}

// staysOn reports whether a shift with these marks can begin where the one
// before ended: its first move, if any, is to leave.
func staysOn(marks []mark) bool {
	for i := range marks {
		if !marks[i].stop.bare() {
			return marks[i].kind == events.KindSiteLeft
		}
	}
	return true
}

// mark is an event that says where the truck is: an arrival at a site, a leaving
// of a site, or a whole stop at a facility.
type mark struct {
	at    events.Time
	kind  events.Kind
	entry int
	stop  stop
}

// marks returns the shift's marks in order. A tip on site, of which no facility
// entry speaks, is no mark: it becomes a dump here.
func (p *placer) marks() []mark {
	all := []mark{}
	var open *stop
	flush := func() {
		if open != nil {
			if !open.toKnown {
				open.to = p.endOfTips(open)
			}
			all = append(all, mark{at: open.from, kind: events.KindFacilityArrived, stop: *open})
		}
		open = nil
	}
	for _, m := range p.signs() {
		e := &p.d.entries[m.entry]
		switch m.kind {
		case events.KindFacilityArrived:
			flush()
			open = &stop{facility: true, from: m.at, fromKnown: true, arrival: e.Positions}
		case events.KindLoadCollected:
			if open != nil && len(open.tips) > 0 && !m.at.Before(p.endOfTips(open)) {
				open.loaded = true
			}
		case events.KindSpoilTipped:
			if open != nil && open.loaded {
				flush()
			}
			if open == nil {
				open = &stop{facility: true, from: m.at, arrival: e.Positions}
			}
			open.tips = append(open.tips, m.entry)
			open.leaving = e.Positions
		case events.KindFacilityLeft:
			if open == nil {
				open = &stop{facility: true, from: m.at}
			}
			open.to, open.toKnown, open.leaving = m.at, true, e.Positions
			flush()
		default:
			flush()
			all = append(all, m)
		}
	}
	flush()
	slices.SortStableFunc(all, func(a, b mark) int { return compareTimes(a.at, b.at) })
	return all
}

// signs returns the place events, loads and tips of the shift, the latter two at
// their start.
func (p *placer) signs() []mark {
	list := []mark{}
	for _, i := range p.sp.items {
		switch e := &p.d.entries[i]; e.Kind() {
		case events.KindSiteArrived, events.KindSiteLeft, events.KindFacilityArrived, events.KindFacilityLeft:
			list = append(list, mark{at: e.Occurred, kind: e.Kind(), entry: i})
		case events.KindSpoilTipped, events.KindLoadCollected:
			from, _ := e.Interval()
			list = append(list, mark{at: later(from, p.s.From), kind: e.Kind(), entry: i})
		}
	}
	slices.SortStableFunc(list, func(a, b mark) int {
		return cmp.Or(compareTimes(a.at, b.at), cmp.Compare(a.entry, b.entry))
	})
	return list
}

func (p *placer) endOfTips(s *stop) events.Time {
	end := s.from
	for _, i := range s.tips {
		_, to := p.d.entries[i].Interval()
		end = later(end, earlier(to, p.s.To))
	}
	return end
}

// take moves the truck to where the mark says.
func (p *placer) take(m *mark) {
	switch m.kind {
	case events.KindSiteArrived:
		p.arrive(m)
	case events.KindSiteLeft:
		p.leave(m)
	default:
		if len(m.stop.tips) == 0 {
			p.passFacility(m.stop)
			return
		}
		p.visitFacility(m.stop)
	}
}

func (p *placer) arrive(m *mark) {
	e := &p.d.entries[m.entry]
	if p.at != nil && p.s.Visits[p.at.visit].Job == e.Job {
		p.s.Visits[p.at.visit].Positions = append(slices.Clone(p.s.Visits[p.at.visit].Positions), e.Positions...)
		p.at.seen = m.at
		return
	}
	p.lose(m.at)
	p.visit = p.addVisit(Visit{Job: e.Job, Arrived: m.at, Positions: e.Positions})
	p.at = &stop{from: m.at, fromKnown: true, visit: p.visit, arrival: e.Positions}
}

func (p *placer) leave(m *mark) {
	e := &p.d.entries[m.entry]
	if p.at != nil && p.s.Visits[p.at.visit].Job != e.Job {
		p.lose(p.firstWorkOf(e.Job, later(p.at.from, p.at.seen), m.at)) // of the two sites one was left and the other arrived at unsaid
	}
	if p.at == nil {
		from := p.firstWorkOf(e.Job, p.lastEnd(), m.at)
		p.visit = p.addVisit(Visit{Job: e.Job, Arrived: from, Positions: e.Positions})
		p.at = &stop{from: from, visit: p.visit}
		for _, f := range p.onSite { // the visit they were at is known only now
			if dump := &p.s.Dumps[f.dump]; !f.from.Before(from) {
				dump.Visit, dump.Job = p.visit, e.Job
			}
		}
	}
	v := &p.s.Visits[p.at.visit]
	v.Left, v.Positions = m.at, append(slices.Clone(v.Positions), e.Positions...)
	p.at.to, p.at.toKnown, p.at.leaving = m.at, true, e.Positions
	p.stops = append(p.stops, *p.at)
	p.at = nil
}

// passFacility takes a stop without a tip, which is part of a journey. When the
// truck had not left a site, what it did is known again from here on.
func (p *placer) passFacility(f stop) {
	p.passed = f.to
	if p.at == nil {
		return
	}
	p.lose(f.from)
	p.stops = append(p.stops, stop{from: f.from, to: f.from, toKnown: true, visit: p.visit, leaving: append(slices.Clone(f.arrival), f.leaving...)})
}

// visitFacility adds a stop at a facility, with its dump.
func (p *placer) visitFacility(f stop) {
	dump := Dump{Visit: p.visit}
	if p.visit >= 0 {
		dump.Job = p.s.Visits[p.visit].Job
	}
	for _, i := range f.tips {
		p.tip[i] = len(p.s.Dumps)
		dump.Tips = append(dump.Tips, p.d.entries[i].Positions[0])
		dump.Job = cmp.Or(dump.Job, p.d.entries[i].Job)
		if b, ok := p.d.entries[i].Body.(events.SpoilTipped); ok {
			dump.Facility = cmp.Or(dump.Facility, b.Facility)
		}
	}
	f.visit, f.dump = p.visit, len(p.s.Dumps)
	p.s.Dumps = append(p.s.Dumps, dump)
	if p.at != nil && f.bare() {
		p.onSite = append(p.onSite, f)
		return
	}
	p.lose(f.from)
	p.stops = append(p.stops, f)
}

// lose closes a stop at a site whose leaving is missing, before the truck turns
// up elsewhere at time t: with the last entry there.
func (p *placer) lose(t events.Time) {
	if p.at == nil {
		return
	}
	p.at.to = p.at.from
	for _, i := range p.sp.items {
		from, to := p.d.entries[i].Interval()
		if from.Before(t) && !from.Before(p.at.from) {
			p.at.to = later(p.at.to, earlier(to, t))
		}
	}
	p.stops = append(p.stops, *p.at)
	p.at = nil
}

// firstWorkOf returns when work for a job began since a time, or t when none did
// before t.
func (p *placer) firstWorkOf(job events.JobID, since, t events.Time) events.Time {
	first := t
	for _, i := range p.sp.items {
		e := &p.d.entries[i]
		from, _ := e.Interval()
		if e.Kind() == events.KindLoadCollected && e.Job == job && !from.Before(since) {
			first = earlier(first, from)
		}
	}
	return first
}

func (p *placer) lastEnd() events.Time {
	if n := len(p.stops); n > 0 {
		return later(p.stops[n-1].to, p.passed)
	}
	return later(p.s.From, p.passed)
}

func (p *placer) addVisit(v Visit) int {
	p.s.Visits = append(p.s.Visits, v)
	return len(p.s.Visits) - 1
}

// segments turns the stops into base segments that fill the shift.
func (p *placer) segments() []claim {
	segs := []claim{}
	add := func(c claim, from, to events.Time) {
		if from.Before(to) {
			c.from, c.to, c.rank = from, to, baseRank
			segs = append(segs, c)
		}
	}
	t := p.s.From
	var before *stop
	for i := range p.stops {
		next := &p.stops[i]
		next.from = later(next.from, t)
		next.to = later(next.to, next.from)
		add(p.journey(before, next), t, next.from)
		p.stay(next, add)
		t, before = next.to, next
	}
	add(p.journey(before, nil), t, p.s.To)
	return segs
}

// stay adds the time at a stop.
func (p *placer) stay(s *stop, add func(c claim, from, to events.Time)) {
	cites := append(slices.Clone(s.arrival), s.leaving...)
	if !s.facility {
		add(claim{activity: events.OnSite, job: p.s.Visits[s.visit].Job, visit: s.visit, dump: -1, cites: cites}, s.from, s.to)
		return
	}
	tipped := s.to
	for _, i := range s.tips {
		from, _ := p.d.entries[i].Interval()
		tipped = earlier(tipped, later(from, s.from))
	}
	add(p.dumping(s, Queue, cites), s.from, tipped)
	add(p.dumping(s, WashOut, cites), tipped, s.to)
}

func (p *placer) dumping(s *stop, part Part, cites []uint64) claim {
	return claim{activity: events.FullDump, part: part, job: p.s.Dumps[s.dump].Job, visit: s.visit, dump: s.dump, cites: cites}
}

// journey says what the time between two stops was; before is nil at the start
// of the shift and next at its end.
func (p *placer) journey(before, next *stop) claim {
	lost := claim{activity: events.Unexplained, visit: -1, dump: -1, cites: p.s.Positions}
	if before != nil {
		lost.cites = append(slices.Clone(before.arrival), before.leaving...)
	}
	switch {
	case before == nil && next == nil:
		return lost
	case next == nil && (p.s.Open || !before.facility && !before.toKnown):
		return lost
	case next == nil && before.facility:
		return p.dumping(before, Return, before.leaving)
	case next == nil:
		return p.travel(before.visit, append(slices.Clone(before.leaving), p.d.entries[p.sp.end].Positions...))
	case before != nil && !before.facility && !before.toKnown, !next.facility && !next.fromKnown:
		return lost
	}
	cites := slices.Clone(p.d.entries[p.sp.start].Positions)
	if before != nil {
		cites = slices.Clone(before.leaving)
	}
	switch cites = append(cites, next.arrival...); {
	case next.facility:
		return p.dumping(next, Haul, cites)
	case before != nil && before.facility:
		return p.dumping(before, Return, cites)
	}
	return p.travel(next.visit, cites)
}

func (p *placer) travel(visit int, cites []uint64) claim {
	return claim{activity: events.Travel, job: p.s.Visits[visit].Job, visit: visit, dump: -1, cites: cites}
}
