package water

import (
	"spoilbook/events"
	"spoilbook/reports/tank"
)

// fresh cuts the fresh tank's account into local days. Levels come from the running
// balance of its movements, uses from the entries, so that the two hold each other.
func (b *builder) fresh(a *tank.Account) {
	f := freshDays{b: b, truck: a.Truck, index: map[string]int{}}
	levelML := int64(0)
	for i := range a.Movements {
		m := &a.Movements[i]
		before := levelML
		switch {
		case m.To == tank.FreshTank:
			levelML += m.WaterG
		case m.From == tank.FreshTank:
			levelML -= m.WaterG
		default:
			continue
		}
		if !b.q.Period.Contains(m.At) {
			continue
		}
		d := f.day(m.At, before)
		d.ClosingML = levelML
		switch {
		case m.From == tank.Unaccounted:
			d.UnaccountedML += m.WaterG
		case m.To == tank.Unaccounted:
			d.UnaccountedML -= m.WaterG
		case m.To == tank.FreshTank:
			d.DrawnML += m.WaterG
		}
		d.Cites = append(d.Cites, m.Positions...)
	}
	for i := range a.Loads {
		if l := &a.Loads[i]; l.JettingML > 0 && b.q.Period.Contains(l.Entry.Occurred) {
			f.day(l.Entry.Occurred, 0).JettedML += l.JettingML
		}
	}
	for i := range a.Uses {
		if u := &a.Uses[i]; u.VolumeML > 0 && b.q.Period.Contains(u.Entry.Occurred) {
			f.day(u.Entry.Occurred, 0).UsedML += u.VolumeML
		}
	}
	b.freshTotals(a)
	for i := range a.Gauges {
		if g := &a.Gauges[i]; g.Tank == events.FreshTank && b.q.Period.Contains(g.Entry.Occurred) {
			b.report.Gauges = append(b.report.Gauges, *g)
		}
	}
	for i := range f.days {
		f.days[i].Cites = compact(f.days[i].Cites)
	}
	b.report.Fresh = append(b.report.Fresh, f.days...)
}

// freshDays are the days on which one truck's fresh tank moved, in order.
type freshDays struct {
	b     *builder
	truck events.TruckID
	days  []FreshDay
	index map[string]int
}

// day returns the day of a time, with the level it opens at when it is new.
func (f *freshDays) day(at events.Time, openingML int64) *FreshDay {
	date := f.b.q.Period.Day(at)
	i, ok := f.index[date]
	if !ok {
		i = len(f.days)
		f.index[date] = i
		f.days = append(f.days, FreshDay{Date: date, Truck: f.truck, OpeningML: openingML, ClosingML: openingML})
	}
	return &f.days[i]
}

// freshTotals adds the period's movements through the fresh tank, whatever the day.
func (b *builder) freshTotals(a *tank.Account) {
	t := &b.report.Totals.Fresh
	for i := range a.Movements {
		m := &a.Movements[i]
		if !b.q.Period.Contains(m.At) {
			continue
		}
		switch {
		case m.To == tank.FreshTank && m.From == tank.Unaccounted:
			t.UnaccountedML += m.WaterG
		case m.From == tank.FreshTank && m.To == tank.Unaccounted:
			t.UnaccountedML -= m.WaterG
		case m.To == tank.FreshTank:
			t.DrawnML += m.WaterG
		case m.From == tank.FreshTank && (m.To == tank.Jetted || m.To == tank.DebrisTank && m.Note == ""):
			t.JettedML += m.WaterG
		case m.From == tank.FreshTank:
			t.UsedML += m.WaterG
		}
	}
}

// compact drops repeated positions: an entry can make several movements.
func compact(cites []uint64) []uint64 {
	kept := cites[:0]
	seen := map[uint64]bool{}
	for _, p := range cites {
		if !seen[p] {
			seen[p] = true
			kept = append(kept, p)
		}
	}
	return kept
}
