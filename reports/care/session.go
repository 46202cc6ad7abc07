package care

import (
	"cmp"
	"slices"
	"sort"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/timesplit"
)

// session is a shift, or a stretch of work that no shift holds.
type session struct {
	from, to   events.Time
	lo, hi     events.Time // the window in which records belong to it, both included
	open       bool        // nothing says that it ended
	work       []*reports.Entry
	first      *reports.Entry // the work that began first
	lastVacuum *reports.Entry // the last use of the vacuum pump
	vacuumAt   events.Time
	cites      []uint64 // the shift's start and end
}

// day is the sessions that began on one local date, by index.
type day struct {
	date        string
	first, last int
	work        bool
	wanted      bool // it has work of a job that was asked for, or all were
}

// findSessions puts the truck's shifts, and the work outside them, in order.
func (c *truckCare) findSessions() {
	shifts, _ := timesplit.Partition(c.j, c.truck)
	for i := range shifts {
		s := &shifts[i]
		c.sessions = append(c.sessions, session{from: s.From, to: s.To, open: s.Open, cites: s.Positions})
	}
	outside := c.assign(len(shifts))
	c.sessions = append(c.sessions, outside...)
	slices.SortStableFunc(c.sessions, func(a, b session) int {
		return cmp.Or(cmp.Compare(a.from.UnixMS, b.from.UnixMS), cmp.Compare(a.to.UnixMS, b.to.UnixMS))
	})
	for k := range c.sessions {
		s := &c.sessions[k]
		s.lo, s.hi = events.Time{UnixMS: s.from.UnixMS - c.r.Options.LeadMS}, forever
		if k > 0 {
			before := &c.sessions[k-1]
			s.lo = later(s.lo, before.to)
			before.hi = s.lo
		}
		s.open = s.open && k == len(c.sessions)-1
	}
}

// assign gives each work entry to the first of the n shifts that it touches, and
// returns sessions made of the rest: one for each local day and each gap between two
// shifts.
func (c *truckCare) assign(n int) []session {
	outside := []session{}
	lastGap := -1
	for i := range c.entries {
		e := &c.entries[i]
		if !isWork(e.Kind()) {
			continue
		}
		from, to := e.Interval()
		k := sort.Search(n, func(k int) bool { return !c.sessions[k].to.Before(from) })
		if k < n && !to.Before(c.sessions[k].from) {
			c.sessions[k].add(e)
			continue
		}
		m := len(outside)
		if m == 0 || lastGap != k || c.r.Request.Period.Day(outside[m-1].from) != c.r.Request.Period.Day(from) {
			outside = append(outside, session{from: from, to: to, open: true})
			lastGap, m = k, m+1
		}
		s := &outside[m-1]
		s.from, s.to = earlier(s.from, from), later(s.to, to)
		s.add(e)
	}
	return outside
}

func (s *session) add(e *reports.Entry) {
	s.work = append(s.work, e)
	from, _ := e.Interval()
	if s.first == nil {
		s.first = e
	} else if first, _ := s.first.Interval(); from.Before(first) {
		s.first = e
	}
	if _, to, ok := vacuumUse(e); ok && (s.lastVacuum == nil || s.vacuumAt.Before(to)) {
		s.lastVacuum, s.vacuumAt = e, to
	}
}

// findDays groups sessions by the local date on which they began.
func (c *truckCare) findDays() {
	for k := range c.sessions {
		s := &c.sessions[k]
		date := c.r.Request.Period.Day(s.from)
		if n := len(c.days); n == 0 || c.days[n-1].date != date {
			c.days = append(c.days, day{date: date, first: k, wanted: !c.r.Narrowed})
		}
		d := &c.days[len(c.days)-1]
		d.last, d.work = k, d.work || len(s.work) > 0
		d.wanted = d.wanted || slices.ContainsFunc(s.work, func(e *reports.Entry) bool {
			return e.Job != "" && c.r.Request.WantsJob(c.j, e.Job, e.Occurred)
		})
	}
}

// wants reports whether an entry lies in the period and on a day that was asked for.
func (c *truckCare) wants(e *reports.Entry) bool {
	if !c.r.Request.Period.Contains(e.Occurred) {
		return false
	}
	n := sort.Search(len(c.days), func(i int) bool { return e.Occurred.Before(c.sessions[c.days[i].first].lo) })
	return n > 0 && c.days[n-1].wanted || !c.r.Narrowed
}

// record returns the first record of a task from one time to another, both included.
func (c *truckCare) record(task Task, from, to events.Time) *reports.Entry {
	i := sort.Search(len(c.entries), func(i int) bool { return !c.entries[i].Occurred.Before(from) })
	for ; i < len(c.entries) && !to.Before(c.entries[i].Occurred); i++ {
		if t, ok := taskOf(&c.entries[i]); ok && t == task {
			return &c.entries[i]
		}
	}
	return nil
}

func later(a, b events.Time) events.Time {
	if a.Before(b) {
		return b
	}
	return a
}

func earlier(a, b events.Time) events.Time {
	if b.Before(a) {
		return b
	}
	return a
}
