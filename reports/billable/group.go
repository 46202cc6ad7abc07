package billable

import (
	"fmt"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// group is the billed time of a visit or a day, whether or not it lies in the
// period.
type group struct {
	t       *terms
	visit   visitKey
	at      events.Time
	ms      int64
	byLine  map[lineKey]int64
	extraMS int64       // what rounding and minimum added so far
	last    lineKey     // the line of the last billed time
	end     events.Time // of the billed time
	day     string      // of its end
	cites   []uint64
}

// gather adds a billed piece to its visit and its day.
func (w *work) gather(p *piece, line lineKey) {
	day := visitKey{truck: p.visit.truck, job: p.visit.job}
	for _, k := range []groupKey{{visit: p.visit}, {visit: day, day: p.day}} {
		g := w.groups[k]
		if g == nil {
			g = &group{t: p.t, visit: p.visit, byLine: map[lineKey]int64{}}
			if k.day == "" {
				g.at = p.visitAt
			}
			w.groups[k] = g
			w.queue = append(w.queue, k)
		}
		g.ms += p.lengthMS()
		g.byLine[line] += p.lengthMS()
		g.last, g.end, g.day = line, p.to, p.day
		g.cites = reports.Union(g.cites, p.s.Positions)
	}
}

// finish prices the lines and applies rounding and minimum to the groups.
func (w *work) finish() {
	for _, k := range w.order {
		l := w.lines[k]
		if l.BilledMS == 0 {
			continue // it lies outside the period
		}
		l.ChargedMS = l.BilledMS
		t := w.groups[groupKey{visit: k.visit}].t
		if t.card.Rounding.Per == "line" {
			l.ChargedMS = roundMS(l.BilledMS, t.card.Rounding.IncrementMinutes, t.card.Rounding.Mode)
		}
		l.price(l.ChargedMS, hourMS)
		w.b.put(*l, w.whys[k])
	}
	for _, per := range []string{"visit", "day"} {
		for _, k := range w.queue {
			if (k.day == "") == (per == "visit") {
				w.round(k, per)
				w.minimum(k, per)
			}
		}
	}
}

// charged returns the time of a group as charged so far.
func (g *group) charged() int64 {
	rule := g.t.card.Rounding
	if rule.Per != "line" {
		return g.ms + g.extraMS
	}
	sum := g.extraMS
	for _, ms := range g.byLine {
		sum += roundMS(ms, rule.IncrementMinutes, rule.Mode)
	}
	return sum
}

// round adds the rounding difference of a visit or day.
func (w *work) round(k groupKey, per string) {
	g := w.groups[k]
	rule := g.t.card.Rounding
	if rule.Per != per {
		return
	}
	of := w.lines[g.last]
	l := g.line(ForRounding, per, w.truck)
	l.Activity, l.Band, l.Rate, l.Multiplier = of.Activity, of.Band, of.Rate, of.Multiplier
	l.What = fmt.Sprintf("%s of the %s to %d min, %s", ForRounding, per, rule.IncrementMinutes, rule.Mode)
	w.extra(k, l, per, roundMS(g.charged(), rule.IncrementMinutes, rule.Mode)-g.charged())
}

// minimum adds what a visit or day falls short of the least time billed.
func (w *work) minimum(k groupKey, per string) {
	g := w.groups[k]
	rule := g.t.card.Minimum
	rate, ok := g.t.rates[events.Loading]
	if rule.Per != per || !ok {
		return
	}
	l := g.line(ForMinimum, per, w.truck)
	l.Activity, l.Band, l.Rate = events.Loading, ordinary, rate
	l.What = fmt.Sprintf("%s of %d min a %s", ForMinimum, rule.Minutes, per)
	w.extra(k, l, per, max(0, rule.Minutes*60_000-g.charged()))
}

// extra charges ms more, or less, for a group, and counts it in the day of the
// group's end. Its line is in the period that holds that end.
func (w *work) extra(k groupKey, l Line, per string, ms int64) {
	if ms == 0 {
		return
	}
	g := w.groups[k]
	why := &trace{t: g.t, per: per, parts: w.partsOf(g)}
	g.extraMS += ms
	if k.day == "" {
		w.groups[groupKey{visit: visitKey{truck: k.visit.truck, job: k.visit.job}, day: g.day}].extraMS += ms
	}
	if !w.b.q.Period.Contains(events.Time{UnixMS: g.end.UnixMS - 1}) {
		return
	}
	l.ChargedMS = ms
	l.price(ms, hourMS)
	w.b.put(l, why)
}

func (g *group) line(kind Kind, per string, truck events.TruckID) Line {
	l := g.t.line(kind, truck, g.cites)
	l.Visit, l.Day, l.Unit = g.at, g.day, "h"
	l.Key = fmt.Sprintf("%s/%s/%s", g.visit.text(), g.day, kind)
	if per == "day" {
		l.Key = fmt.Sprintf("%s/%s/%s/%s-day", g.t.id, truck, g.day, kind)
	}
	l.Positions = slices.Clone(l.Positions)
	return l
}
