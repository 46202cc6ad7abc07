// Package workrest holds a person's working time against published limits of work,
// driving and rest, and says for each limit how close the time came to it. It warns;
// it never certifies that the rules which bind a crew were kept.
//
// What goes in is a person's [Duty]: half-open times of driving, other work and
// recorded rest, on whichever truck. Where duties overlap, driving is counted before
// work and work before rest. All other time is free, and free time and rest are the
// same to a rule.
//
// A limit is reckoned over stretches. For example, by the limit of work without a
// break of the New Zealand rule, which ends a stretch at a rest of 30 minutes,
//
//	06:00-11:00 work, 11:00-11:20 rest, 11:20-12:00 work, 12:00-12:30 rest
//
// is one stretch from 06:00 to 12:00 that measures 6 h, for a rest too short to count
// is work. The limit is 5 h 30 min, so the margin is -30 min and there is a warning. A
// stretch of exactly the limit is at it and keeps it; one of 5 h 31 min does not.
//
// # What is reckoned
//
//   - Work: work and driving, and every rest shorter than the rule's shortest.
//   - Driving: driving alone.
//   - Span: from the stretch's beginning to the end of its last driving.
//
// A stretch ends at the rest that its limit names. A limit by the week is reckoned
// over calendar weeks from Monday 00:00 of the zone asked for.
//
// # What it can not know
//
// Work for others, work that no entry shows, exemptions, agreements and all else that
// the texts say besides the limits named here. Each [RuleSet] lists what it leaves out.
package workrest

import (
	"cmp"
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
)

// Kind says what a person did.
type Kind int

// The kinds of duty; where duties overlap the highest is counted.
const (
	Rest Kind = iota
	Work
	Driving
)

// Duty is half-open time from From to To that a person spent on one kind of duty.
type Duty struct {
	Kind     Kind
	From, To events.Time
	Truck    events.TruckID
	Cites    []uint64
}

// Person is somebody with all the duties that are known, in any order.
type Person struct {
	ID     events.OperatorID
	Duties []Duty
}

// Stretch is what one limit reckoned between two rests, or over its weeks.
type Stretch struct {
	Person   events.OperatorID
	Limit    Limit
	From, To events.Time // of the time reckoned: first to last duty
	MS       int64       // measured, to be held against Limit.MaxMS
	Trucks   []events.TruckID
	Parts    []Part // what sums to MS, in order; of a span, what it spans
	Cites    []uint64
}

// Part is a piece of a stretch: a duty, or a rest too short to count.
type Part struct {
	Duty
	MS int64 // that is counted
}

// MarginMS returns what was left of the limit, negative when it was passed.
func (s *Stretch) MarginMS() int64 { return s.Limit.MaxMS - s.MS }

// Over reports whether the limit was passed.
func (s *Stretch) Over() bool { return s.MS > s.Limit.MaxMS }

// Stretches measures a person's duties by every limit of the set, in the order of the
// limits and then of time. Weeks begin on Monday in zone.
func (set RuleSet) Stretches(p Person, zone *time.Location) []Stretch {
	busy := flatten(p.Duties)
	out := []Stretch{}
	for _, l := range set.Limits {
		if l.Weeks > 0 {
			out = append(out, overWeeks(busy, p.ID, l, zone)...)
			continue
		}
		out = append(out, set.between(busy, p.ID, l)...)
	}
	for i := range out {
		out[i].Cites = reports.Union(out[i].Cites)
	}
	return out
}

// Line sums up one limit of one person over a period: the stretch that came closest
// to the limit or furthest beyond it, the earliest of equals.
type Line struct {
	Worst     Stretch
	Stretches int // that touch the period
	Over      int // of these, beyond the limit
}

// Lines holds a person's duties against every limit, for the stretches that touch the
// period, and returns those beyond their limit besides.
func (set RuleSet) Lines(p Person, period reports.Period) (lines []Line, over []Stretch) {
	at := map[string]int{}
	for _, s := range set.Stretches(p, period.Zone) {
		if !s.From.Before(period.To) || !period.From.Before(s.To) {
			continue
		}
		n, ok := at[s.Limit.Name]
		if !ok {
			n = len(lines)
			at[s.Limit.Name] = n
			lines = append(lines, Line{Worst: s})
		}
		l := &lines[n]
		l.Stretches++
		if s.MS > l.Worst.MS {
			l.Worst = s
		}
		if s.Over() {
			l.Over++
			over = append(over, s)
		}
	}
	return lines, over
}

// flatten cuts duties so that none overlap, keeps the highest kind of each piece, and
// leaves rest out: what is not there is free.
func flatten(duties []Duty) []Duty {
	sorted := slices.DeleteFunc(slices.Clone(duties), func(d Duty) bool { return !d.From.Before(d.To) })
	slices.SortStableFunc(sorted, func(a, b Duty) int {
		return cmp.Or(cmp.Compare(a.From.UnixMS, b.From.UnixMS), cmp.Compare(a.Truck, b.Truck))
	})
	bounds := make([]events.Time, 0, 2*len(sorted))
	for _, d := range sorted {
		bounds = append(bounds, d.From, d.To)
	}
	slices.SortStableFunc(bounds, func(a, b events.Time) int { return cmp.Compare(a.UnixMS, b.UnixMS) })
	bounds = slices.CompactFunc(bounds, func(a, b events.Time) bool { return a.UnixMS == b.UnixMS })
	out, active, next := []Duty{}, []Duty{}, 0
	for i := 0; i+1 < len(bounds); i++ {
		from, to := bounds[i], bounds[i+1]
		for next < len(sorted) && !from.Before(sorted[next].From) {
			active = append(active, sorted[next])
			next++
		}
		active = slices.DeleteFunc(active, func(d Duty) bool { return !from.Before(d.To) })
		if len(active) == 0 {
			continue
		}
		top := slices.MaxFunc(active, func(a, b Duty) int { return cmp.Compare(a.Kind, b.Kind) })
		if top.Kind == Rest {
			continue
		}
		top.From, top.To = from, to
		out = append(out, top)
	}
	return out
}

// between measures the stretches that a limit's rest divides.
func (set RuleSet) between(busy []Duty, who events.OperatorID, l Limit) []Stretch {
	out := []Stretch{}
	var s *Stretch
	var end events.Time // of the last duty
	firstPart := false  // of a rest taken in two parts
	for i := range busy {
		d := &busy[i]
		if s != nil {
			gap := d.From.UnixMS - end.UnixMS
			switch {
			case gap >= l.RestMS, l.SecondPartMS > 0 && firstPart && gap >= l.SecondPartMS:
				out, s = append(out, *s), nil
			case l.FirstPartMS > 0 && gap >= l.FirstPartMS:
				firstPart = true
			}
			if s != nil && l.Of == WorkTime && gap > 0 && gap < set.ShortestMS {
				s.MS += gap
				s.Parts = append(s.Parts, Part{Duty{Kind: Rest, From: end, To: d.From}, gap})
			}
		}
		if s == nil {
			s, firstPart = &Stretch{Person: who, Limit: l, From: d.From}, false
		}
		s.add(d)
		end = d.To
	}
	if s != nil {
		out = append(out, *s)
	}
	return out
}

// add counts a duty in the stretch as its limit reckons.
func (s *Stretch) add(d *Duty) {
	s.To = d.To
	part := Part{Duty: *d}
	switch {
	case s.Limit.Of == WorkTime, s.Limit.Of == DrivingTime && d.Kind == Driving:
		part.MS = d.To.UnixMS - d.From.UnixMS
		s.MS += part.MS
	case s.Limit.Of == Span && d.Kind == Driving:
		s.MS = d.To.UnixMS - s.From.UnixMS
	}
	s.Parts = append(s.Parts, part)
	if !slices.Contains(s.Trucks, d.Truck) {
		s.Trucks = append(s.Trucks, d.Truck)
		slices.Sort(s.Trucks)
	}
	s.Cites = append(s.Cites, d.Cites...)
}

// overWeeks measures every run of the limit's number of calendar weeks that begins in
// a week with duty; one that begins in an empty week measures no more than the next.
func overWeeks(busy []Duty, who events.OperatorID, l Limit, zone *time.Location) []Stretch {
	byWeek, weeks := map[int64][]Duty{}, []int64{}
	for _, d := range busy {
		for d.From.Before(d.To) {
			start, end := weekOf(d.From, zone)
			part := d
			if end < d.To.UnixMS {
				part.To = events.TimeOf(time.UnixMilli(end).In(zone))
			}
			if byWeek[start] == nil {
				weeks = append(weeks, start)
			}
			byWeek[start] = append(byWeek[start], part)
			d.From = part.To
		}
	}
	out := []Stretch{}
	for _, first := range weeks {
		s := Stretch{Person: who, Limit: l, From: byWeek[first][0].From}
		week := first
		for range l.Weeks {
			for i := range byWeek[week] {
				s.add(&byWeek[week][i])
			}
			_, week = weekOf(events.Time{UnixMS: week}, zone)
		}
		out = append(out, s)
	}
	return out
}

// weekOf returns when the local calendar week of t begins and when the next does.
func weekOf(t events.Time, zone *time.Location) (start, end int64) {
	local := time.UnixMilli(t.UnixMS).In(zone)
	y, m, d := local.Date()
	d -= (int(local.Weekday()) + 6) % 7
	return reports.StartOfDay(y, m, d, zone).UnixMilli(), reports.StartOfDay(y, m, d+7, zone).UnixMilli()
}
