package billable

import (
	"spoilbook/events"
	"spoilbook/reports/tank"
)

// trace is what a line was made from, kept so that the line can be explained.
type trace struct {
	t      *terms
	parts  []part     // of time: what was billed, in order; of rounding and minimum: the lines before
	left   *allowance // of time: its visit's
	per    string     // of rounding, minimum and fees: "visit" or "day"
	tip    *tank.Tip  // of spoil, gate fees and fees per tip
	share  share
	shares []share
	uses   []waterUse
}

// part is time that a line is made of.
type part struct {
	what     string
	ms       int64
	from, to events.Time // zero for what rounding or a minimum added before
	cites    []uint64
}

// waterUse is one entry of a water line.
type waterUse struct {
	ml    int64
	kind  string
	at    events.Time
	cites []uint64
}

// put adds a line with what it was made from.
func (b *builder) put(l Line, why *trace) {
	b.r.Lines = append(b.r.Lines, l)
	b.r.traces[l.Key] = why
}

// partsOf lists the charged time of a group so far: its lines in the order in which
// they began, then what rounding and minimum added.
func (w *work) partsOf(g *group) []part {
	list := []part{}
	for _, k := range w.order {
		ms, ok := g.byLine[k]
		if !ok {
			continue
		}
		if rule := g.t.card.Rounding; rule.Per == "line" {
			ms = roundMS(ms, rule.IncrementMinutes, rule.Mode)
		}
		l := w.lines[k]
		list = append(list, part{what: l.What + ", " + l.Band, ms: ms, from: l.From, to: l.To, cites: l.Positions})
	}
	if g.extraMS != 0 {
		list = append(list, part{what: "added by rounding and minimum before", ms: g.extraMS})
	}
	return list
}
