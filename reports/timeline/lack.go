package timeline

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/care"
)

// What names what a day's record can lack.
type What string

// What can be lacking.
const (
	ShiftStart  What = "shift-start"
	ShiftEnd    What = "shift-end"
	Hours       What = "hours"  // of a shift, that no entry explains
	BreakEnd    What = "end"    // of a standby or a rest
	TipDocket   What = "docket" // of a tip
	StopCause   What = "stop-cause"
	StopReset   What = "stop-reset"
	StopRestart What = "restart"
	OutfallName What = "outfall" // of a decant
	CareTask    What = "care"
	Numbers     What = "numbers" // that the truck counted and that did not come
)

// Lack is something that the record of a day lacks, in words, with the entries it follows from.
type Lack struct {
	What  What
	Says  reports.Said
	At    events.Time
	Later bool // it is not due yet
	Cites []uint64
}

func (d *drawing) lack(w What, at events.Time, cites []uint64, says reports.Said) *Lack {
	d.Lacks = append(d.Lacks, Lack{What: w, At: at, Cites: cites, Says: says})
	return &d.Lacks[len(d.Lacks)-1]
}

// lacks lists what the day's record lacks: hours, dockets, stops, care, and numbers that did not come.
func (d *drawing) lacks() {
	d.lackingHours()
	d.lackingDockets()
	d.lackingStops()
	d.lackingCare()
	for i := range d.j.Findings {
		if f := &d.j.Findings[i]; f.Code == reports.SequenceGap && f.Truck == d.Truck.Truck && f.Touches(d.day) {
			d.lack(Numbers, f.At, f.Cites, reports.Say("entries that the truck counted have not come: leave it in signal until they have"))
		}
	}
	slices.SortStableFunc(d.Lacks, func(a, b Lack) int {
		if a.Later != b.Later {
			if b.Later {
				return -1
			}
			return 1
		}
		return cmp.Compare(a.At.UnixMS, b.At.UnixMS)
	})
}

func (d *drawing) lackingHours() {
	for i := range d.Shifts {
		s := &d.Shifts[i]
		switch {
		case !s.Open:
		case d.running() && i == len(d.Shifts)-1:
			d.lack(ShiftEnd, s.To, s.Positions, reports.Say("the end of the shift, when it is over")).Later = true
		default:
			d.lack(ShiftEnd, s.To, s.Positions, reports.Say("the end of the shift that began %s", s.From))
		}
	}
	var ms int64
	var first *Slice
	for i := range d.Slices {
		if s := &d.Slices[i]; s.Activity == events.Unexplained && !(s.Open && d.running()) {
			if ms += s.LengthMS(); first == nil {
				first = s
			}
		}
	}
	if first != nil {
		d.lack(Hours, first.From, first.Positions, reports.Say("what the truck did for %s, the first from %s to %s", reports.Span(ms), first.From, first.To))
	}
	if len(d.Outside) > 0 {
		e := &d.Outside[0]
		d.lack(ShiftStart, e.From, e.Positions, reports.Say("the start or the end of the shift for work at %s, which lies in none", e.From))
	}
	for i := range d.found {
		if f := &d.found[i]; f.Code == reports.StandbyNotEnded && d.day.Contains(f.At) {
			d.lack(BreakEnd, f.At, f.Cites, reports.Say("the end of the standby or rest that began %s", f.At))
		}
	}
}

// running reports whether the day is not over.
func (d *drawing) running() bool { return !d.o.Now.IsZero() && d.o.Now.Before(d.day.To) }

func (d *drawing) lackingDockets() {
	for i := range d.Marks {
		m := &d.Marks[i]
		switch b := m.Entry.Body.(type) {
		case events.SpoilTipped:
			if m.Docket == nil {
				d.lack(TipDocket, m.From, m.Entry.Positions, reports.Say("the docket of the tip at %s, %s", m.From, m.Where))
			}
		case events.WaterDecanted:
			if b.Outfall == "" {
				d.lack(OutfallName, m.From, m.Entry.Positions, reports.Say("where the water of the decant at %s went", m.From))
			}
		}
	}
}

func (d *drawing) lackingStops() {
	for i := range d.found {
		f := &d.found[i]
		if !d.day.Contains(f.At) {
			continue
		}
		switch f.Code {
		case reports.StopWithoutCause:
			d.lack(StopCause, f.At, f.Cites, reports.Say("the cause of the emergency stop at %s", f.At))
		case reports.StopNotReset:
			d.lack(StopReset, f.At, f.Cites, reports.Say("the reset of the emergency stop at %s, and who looked at the plant", f.At))
		case reports.RestartWithoutReset:
			d.lack(StopReset, f.At, f.Cites, reports.Say("the reset before the restart at %s, and who looked at the plant", f.At))
		}
	}
}

// lackingCare takes over what the care report of the day says is due or was missed.
func (d *drawing) lackingCare() {
	r := care.Compute(d.j, reports.Request{Period: d.day, Filter: reports.Filter{Truck: d.Truck.Truck}}, care.Options{})
	for i := range r.Rows {
		row := &r.Rows[i]
		switch row.State {
		case care.Missed:
			d.lack(CareTask, row.DueBy, row.Cites, reports.Say("a record of %s, due by %s", reports.Word(row.Rule.Task), row.DueBy))
		case care.Due:
			d.lack(CareTask, row.DueBy, row.Cites, reports.Say("a record of %s", reports.Word(row.Rule.Task))).Later = true
		}
	}
}
