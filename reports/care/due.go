package care

import (
	"cmp"
	"fmt"
	"slices"
	"sort"

	"spoilbook/events"
	"spoilbook/reports"
)

// judge applies every rule to a day.
func (c *truckCare) judge(d *day) {
	for i, rule := range c.r.Options.Rules {
		row := Row{Truck: c.truck, Day: d.date, Rule: rule, rule: i}
		switch rule.When {
		case BeforeWork:
			for k := d.first; k <= d.last; k++ {
				c.beforeWork(row, &c.sessions[k])
			}
		case AfterUnload:
			c.afterUnload(row, d)
		case EachDay:
			c.eachDay(row, d)
		case EndOfDay:
			c.endOfDay(row, d)
		}
	}
}

// beforeWork judges a task of a shift that is due before its first work.
func (c *truckCare) beforeWork(row Row, s *session) {
	row.Cites = slices.Clone(s.cites)
	if s.first == nil {
		c.notDue(row, "no work in the shift")
		return
	}
	row.From, row.Why = s.from, "first work of the shift: "+string(s.first.Kind())
	row.DueBy, _ = s.first.Interval()
	row.Cites = append(row.Cites, s.first.Positions...)
	// Once the shift is over the task has lost its sense.
	c.settle(row, s.lo, later(s.to, row.DueBy), false)
}

// afterUnload judges a task that is due after each tip of a day, before the next load
// or the end of the shift. What is done later counts as late until the tank is tipped
// again.
func (c *truckCare) afterUnload(row Row, d *day) {
	tips := 0
	for k := d.first; k <= d.last; k++ {
		s := &c.sessions[k]
		for _, e := range s.work {
			b, ok := e.Body.(events.SpoilTipped)
			if !ok {
				continue
			}
			tips++
			one := row
			one.From, one.DueBy, one.Why = b.End, later(s.to, b.End), "tip at "+string(b.Facility)+", before the shift ends"
			one.Cites = slices.Clone(e.Positions)
			open := s.open
			if load := c.next(events.KindLoadCollected, b.End); load != nil {
				if from, _ := load.Interval(); !one.DueBy.Before(from) {
					one.DueBy, one.Why, open = from, "tip at "+string(b.Facility)+", before the next load", false
					one.Cites = append(one.Cites, load.Positions...)
				}
			}
			limit := forever
			if tip := c.next(events.KindSpoilTipped, one.DueBy); tip != nil {
				limit, _ = tip.Interval()
			}
			c.settle(one, b.End, limit, open)
		}
	}
	if tips == 0 {
		c.notDue(row, "no tip")
	}
}

// next returns the load or tip that begins first at or after a time, or nil.
func (c *truckCare) next(k events.Kind, at events.Time) *reports.Entry {
	list := c.begun[k]
	i := sort.Search(len(list), func(i int) bool {
		from, _ := list[i].Interval()
		return !from.Before(at)
	})
	if i == len(list) {
		return nil
	}
	return list[i]
}

// byBegin lists the loads and the tips, each in the order in which they began.
func byBegin(entries []reports.Entry) map[events.Kind][]*reports.Entry {
	begun := map[events.Kind][]*reports.Entry{}
	for i := range entries {
		if k := entries[i].Kind(); k == events.KindLoadCollected || k == events.KindSpoilTipped {
			begun[k] = append(begun[k], &entries[i])
		}
	}
	for _, list := range begun {
		slices.SortStableFunc(list, func(a, b *reports.Entry) int {
			x, _ := a.Interval()
			y, _ := b.Interval()
			return cmp.Compare(x.UnixMS, y.UnixMS)
		})
	}
	return begun
}

// eachDay judges a task that is due once on a day with work.
func (c *truckCare) eachDay(row Row, d *day) {
	first, last := &c.sessions[d.first], &c.sessions[d.last]
	row.Cites = slices.Clone(first.cites)
	if !d.work {
		c.notDue(row, "no work on the day")
		return
	}
	row.From, row.DueBy, row.Why = first.from, last.to, "a day with work"
	c.settle(row, first.lo, last.hi, last.open)
}

// endOfDay judges a task that is due after the vacuum pump was last used on a day.
// What is done later counts as late until the pump is used again.
func (c *truckCare) endOfDay(row Row, d *day) {
	first, last := &c.sessions[d.first], &c.sessions[d.last]
	var use *reports.Entry
	for k := d.first; k <= d.last; k++ {
		if s := &c.sessions[k]; s.lastVacuum != nil && (use == nil || !s.vacuumAt.Before(row.From)) {
			use, row.From = s.lastVacuum, s.vacuumAt
		}
	}
	if use == nil {
		row.Cites = slices.Clone(first.cites)
		c.notDue(row, "the vacuum pump was not used")
		return
	}
	row.DueBy, row.Why, row.Cites = later(last.to, row.From), "the vacuum pump was used last by "+string(use.Kind()), slices.Clone(use.Positions)
	if early := c.record(row.Rule.Task, first.lo, events.Time{UnixMS: row.From.UnixMS - 1}); early != nil {
		row.Detail = "done at " + c.clock(early.Occurred, row.DueBy) + ", and the pump ran again after"
	}
	limit := forever
	for k := d.last + 1; k < len(c.sessions) && limit == forever; k++ {
		for _, e := range c.sessions[k].work {
			if from, _, ok := vacuumUse(e); ok {
				limit = earlier(limit, later(from, row.DueBy))
			}
		}
	}
	c.settle(row, row.From, limit, last.open)
}

func (c *truckCare) notDue(row Row, why string) {
	row.State, row.Why = NotDue, why
	c.r.Rows = append(c.r.Rows, row)
}

// settle looks for the record of a task from one time to another and judges it. open
// says that what is missing can still come.
func (c *truckCare) settle(row Row, from, to events.Time, open bool) {
	row.Done, row.lo, row.hi = c.record(row.Rule.Task, from, to), from, to
	switch {
	case row.Done != nil && !row.DueBy.Before(row.Done.Occurred):
		row.State, row.Detail = Done, ""
	case row.Done != nil:
		row.State, row.Detail = Late, hoursMinutes(row.Done.Occurred.UnixMS-row.DueBy.UnixMS)+" after it was due"
	case open:
		row.State = Due
	default:
		row.State = Missed
	}
	if row.Done != nil {
		row.Cites = append(row.Cites, row.Done.Positions...)
	}
	row.Cites = reports.Union(row.Cites)
	c.r.Rows = append(c.r.Rows, row)
	c.report(&row)
}

// report finds what was late or missed.
func (c *truckCare) report(row *Row) {
	code := map[State]reports.Code{Late: reports.CareLate, Missed: reports.CareMissed}[row.State]
	if code == "" {
		return
	}
	what := fmt.Sprintf("%s was missed (due %s: %s)", row.Rule.Task, c.clock(row.DueBy, row.DueBy), row.Why)
	if row.State == Late {
		what = fmt.Sprintf("%s was late, %s (%s)", row.Rule.Task, row.Detail, row.Why)
	} else if row.Detail != "" {
		what += "; " + row.Detail
	}
	if row.Rule.Task == Prestart {
		code = reports.PrestartMissing
	}
	c.find(code, "", row.DueBy, row.Cites, "%s", what)
}

// clock writes a time beside another that says the day; on another day it says its own.
func (c *truckCare) clock(t, beside events.Time) string {
	if p := &c.r.Request.Period; p.Day(t) != p.Day(beside) {
		return p.Local(t).Format("2006-01-02 15:04")
	}
	return c.r.Request.Period.Local(t).Format("15:04")
}

func hoursMinutes(ms int64) string {
	if ms < 60_000 {
		return fmt.Sprintf("%d s", ms/1000)
	}
	return fmt.Sprintf("%d h %02d min", ms/3_600_000, ms/60_000%60)
}
