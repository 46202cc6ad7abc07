package tank

import (
	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/gauge"
)

// gauge holds a tank's level against the account. Within the combined tolerance
// nothing is adjusted. Beyond it the difference is moved to or from unaccounted, as
// water in either tank, because a level does not say which phase is wrong; the
// debris tank gives no more water than it holds, and what it can not give stays as a
// difference in the record.
//
// The first gauge of the fresh tank that shows at least what the account holds says
// what the truck came with, and is no contradiction.
func (f *fold) gauge(e *reports.Entry, b events.TankGauged) {
	g := Gauge{Entry: e, Tank: b.Tank, MeasuredML: b.Volume.VolumeML, AccountML: f.freshML, LevelMM: b.LevelMM}
	accountSquare := f.freshSquare
	if b.Tank == events.DebrisTank {
		g.AccountML, accountSquare = f.held.volumeML(), f.heldDoubt().volume
	}
	if b.LevelMM != nil && !f.level(e, b, &g) {
		f.account.Gauges = append(f.account.Gauges, g)
		return
	}
	g.DifferenceML = g.MeasuredML - g.AccountML
	limit := b.Volume.ToleranceML
	if truck, ok := f.journal.Book.Truck(e.Truck, e.Occurred); ok && limit == 0 {
		limit = mulDiv(g.MeasuredML, truck.LevelTolerancePermille, 1000)
	}
	own := square(0)
	own.addLimit(limit)
	combined := accountSquare.plus(own)
	g.ToleranceML = combined.root()
	if b.Tank == events.DebrisTank {
		f.gaugeDebris(e, &g, combined)
	} else {
		f.gaugeFresh(e, &g, combined, own)
	}
	f.account.Gauges = append(f.account.Gauges, g)
}

// level turns a level into a volume by what the register says of the truck at that
// time; it returns false, with a finding, when that cannot be done. Such a gauge is
// listed and compared with nothing.
func (f *fold) level(e *reports.Entry, b events.TankGauged, g *Gauge) bool {
	truck, _ := f.journal.Book.Truck(e.Truck, e.Occurred)
	volumeML, by, err := gauge.OfTruck(truck, b.Tank, *b.LevelMM)
	g.By = by
	if err != nil {
		g.Unusable = true
		f.find(reports.LevelUnusable, e, "a level of %d mm in the %s tank: %v", *b.LevelMM, b.Tank, err)
		return false
	}
	g.MeasuredML = volumeML
	return true
}

func (f *fold) gaugeDebris(e *reports.Entry, g *Gauge, combined square) {
	if !combined.exceededBy(g.DifferenceML) {
		return
	}
	g.Adjusted = true
	if g.DifferenceML > 0 {
		g.AdjustedML = g.DifferenceML
		f.post(Movement{At: e.Occurred, Positions: e.Positions, From: Unaccounted, To: DebrisTank, WaterG: g.DifferenceML, Note: "gauge"})
		f.addParcel(Parcel{Position: e.Positions[0], Cites: e.Positions, WaterG: g.DifferenceML,
			Basis: events.Assumed, own: waterDoubt(0, g.DifferenceML)})
	} else {
		taken := min(-g.DifferenceML, f.held.waterG)
		g.AdjustedML = -taken
		g.Shares = f.removeMixed(0, taken, &taking{massG: taken})
		f.moveShares(e, Unaccounted, g.Shares)
	}
	f.find(reports.GaugeDiffers, e, "the debris gauge shows %s L, the account %s L; the difference of %s L is beyond the combined tolerance of %s L, and %s L of water are unaccounted for",
		litres(g.MeasuredML), litres(g.AccountML), litres(g.DifferenceML), litres(g.ToleranceML), litres(g.AdjustedML))
	f.checkLimits(e)
}

func (f *fold) gaugeFresh(e *reports.Entry, g *Gauge, combined, own square) {
	g.Opening = !f.freshGauged && g.DifferenceML >= 0
	f.freshGauged = true
	switch {
	case g.Opening:
		g.Adjusted = g.DifferenceML != 0
	case combined.exceededBy(g.DifferenceML):
		g.Adjusted = true
		f.find(reports.GaugeDiffers, e, "the fresh gauge shows %s L, the account %s L; the difference of %s L is beyond the combined tolerance of %s L and is unaccounted for",
			litres(g.MeasuredML), litres(g.AccountML), litres(g.DifferenceML), litres(g.ToleranceML))
	}
	// From here on the account is as good as this gauge, and as far from it as
	// the difference that was left standing.
	f.freshSquare = own
	if !g.Adjusted {
		f.freshSquare.add(g.DifferenceML)
		return
	}
	g.AdjustedML = g.DifferenceML
	note := "gauge"
	if g.Opening {
		note = "opening"
	}
	m := Movement{At: e.Occurred, Positions: e.Positions, From: Unaccounted, To: FreshTank, WaterG: g.AdjustedML, Note: note}
	if g.AdjustedML < 0 {
		m.From, m.To, m.WaterG = FreshTank, Unaccounted, -g.AdjustedML
	}
	f.post(m)
	f.freshML = g.MeasuredML
	f.checkFreshCapacity(e)
	f.checkLimits(e)
}
