package manifest

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

// Balance is the mass balance of one truck's debris tank over the period:
//
//	opening + loads in - decanted - tipped + returned + unaccounted = closing
//
// Opening and closing are the balances of the tank's account in the double-entry
// movements; what is in between comes from the lists of loads, decants and tips, so
// Difference is zero unless the two contradict each other. Decants and tips are
// without what the tank did not hold. Volumes are not balanced here.
type Balance struct {
	Truck       events.TruckID
	Opening     Amount
	In          Amount
	Decanted    Amount
	Tipped      Amount
	Returned    Amount // by facilities, of what was tipped there
	Unaccounted Amount // what gauges added and what was returned beyond the tip, less what gauges took
	Closing     Amount
}

// Difference returns what the lists give less what the account holds.
func (x Balance) Difference() Amount {
	return x.Opening.Plus(x.In).Minus(x.Decanted).Minus(x.Tipped).Plus(x.Returned).Plus(x.Unaccounted).Minus(x.Closing)
}

// Holding is what a tank holds of one job and material at the end of the period.
// Under a filter all jobs not asked for are one holding with Other set.
type Holding struct {
	Truck    events.TruckID
	Job      events.JobID // "" for what is nobody's, such as water that only a gauge showed
	Material events.MaterialID
	Other    bool
	Spoil    events.Material
	Amount   Amount
	Cites    []uint64 // what brought it since the tank was last empty
}

func (b *builder) balance(a *account) {
	x := Balance{Truck: a.Truck}
	for i := range a.Movements {
		m := &a.Movements[i]
		moved := Amount{SolidsG: m.SolidsG, WaterG: m.WaterG}
		switch {
		case m.From == tank.DebrisTank:
			moved = Amount{}.Minus(moved)
		case m.To != tank.DebrisTank:
			continue
		}
		if m.At.Before(b.q.Period.From) {
			x.Opening = x.Opening.Plus(moved)
		}
		if m.At.Before(b.q.Period.To) {
			x.Closing = x.Closing.Plus(moved)
		}
		if b.q.Period.Contains(m.At) && (m.From == tank.Unaccounted || m.To == tank.Unaccounted) {
			x.Unaccounted = x.Unaccounted.Plus(moved)
		}
	}
	b.flows(a, &x)
	b.r.Balances = append(b.r.Balances, x)
}

// flows adds what the lists say of the period.
func (b *builder) flows(a *account, x *Balance) {
	in := b.q.Period.Contains
	for i := range a.Loads {
		if l := &a.Loads[i]; in(l.Entry.Occurred) {
			x.In = x.In.Plus(Amount{SolidsG: l.SolidsG, WaterG: l.WaterG})
		}
	}
	for i := range a.Uses {
		if u := &a.Uses[i]; u.IntoDebrisTank && in(u.Entry.Occurred) {
			x.In.WaterG += u.VolumeML
		}
	}
	for i := range a.Decants {
		if d := &a.Decants[i]; in(d.Entry.Occurred) {
			x.Decanted = x.Decanted.Plus(Amount{SolidsG: d.SolidsG - d.UnheldSolidsG, WaterG: d.WaterG - d.UnheldWaterG})
		}
	}
	for i := range a.Returns {
		if r := &a.Returns[i]; in(r.Entry.Occurred) {
			x.Returned = x.Returned.Plus(Amount{SolidsG: r.SolidsG - r.UntippedSolidsG, WaterG: r.WaterG - r.UntippedWaterG})
		}
	}
	for i := range a.Tips {
		if t := &a.Tips[i]; in(t.Entry.Occurred) {
			x.Tipped = x.Tipped.Plus(Amount{SolidsG: t.SolidsG - t.UnheldSolidsG, WaterG: t.WaterG - t.UnheldWaterG})
		}
	}
}

type holdingKey struct {
	job      events.JobID
	material events.MaterialID
	other    bool
}

// inTank is what the movements up to some time leave in a tank of one job and
// material, the entries that brought it since the tank was last empty, and when the
// last of them occurred.
type inTank struct {
	sum   Amount
	cites []uint64
	last  events.Time
}

type tankKey struct {
	job      events.JobID
	material events.MaterialID
}

// inTankAt follows the debris tank's account up to a time, exclusive.
func (a *account) inTankAt(to events.Time) map[tankKey]*inTank {
	empty := a.lastEmpty(to)
	held := map[tankKey]*inTank{}
	for i := range a.Movements {
		m := &a.Movements[i]
		if !m.At.Before(to) || m.From != tank.DebrisTank && m.To != tank.DebrisTank {
			continue
		}
		k := tankKey{m.Job, m.Material}
		if held[k] == nil {
			held[k] = &inTank{}
		}
		h, moved := held[k], Amount{SolidsG: m.SolidsG, WaterG: m.WaterG}
		if m.From == tank.DebrisTank {
			h.sum = h.sum.Minus(moved)
			continue
		}
		h.sum = h.sum.Plus(moved)
		h.last = m.At
		if !m.At.Before(empty) {
			h.cites = append(h.cites, m.Positions...)
		}
	}
	return held
}

// lastEmpty returns when a tip last emptied the tank before a time.
func (a *account) lastEmpty(to events.Time) (at events.Time) {
	for i := range a.Tips {
		if t := &a.Tips[i]; len(t.Heel) == 0 && t.Entry.Occurred.Before(to) {
			at = t.Entry.Occurred
		}
	}
	return at
}

// held adds what the truck's tank holds at the end of the period. The volume of
// solids is by the particle density of the material at the job's last load.
func (b *builder) held(a *account) {
	at := events.Time{UnixMS: b.q.Period.To.UnixMS - 1, OffsetMinutes: b.q.Period.To.OffsetMinutes}
	held := map[holdingKey]*Holding{}
	for k, in := range a.inTankAt(b.q.Period.To) {
		if in.sum.MassG() == 0 {
			continue
		}
		spoil, _ := b.j.Book.Material(k.material, in.last)
		in.sum.VolumeML = tank.Phases{SolidsG: in.sum.SolidsG, WaterG: in.sum.WaterG}.
			VolumeML(cmp.Or(spoil.ParticleDensityKgPerM3, tank.DefaultParticleDensityKgPerM3))
		hk := holdingKey{k.job, k.material, false}
		if !b.wants(k.job, at) {
			hk, spoil = holdingKey{other: true}, events.Material{}
		}
		if held[hk] == nil {
			held[hk] = &Holding{Truck: a.Truck, Job: hk.job, Material: hk.material, Other: hk.other, Spoil: spoil}
		}
		held[hk].Amount = held[hk].Amount.Plus(in.sum)
		held[hk].Cites = append(held[hk].Cites, in.cites...)
		b.r.Totals.Held = b.r.Totals.Held.Plus(in.sum)
	}
	b.addHoldings(held)
}

// addHoldings puts the holdings of a truck in order. Under a filter a truck that
// holds nothing of the jobs asked for is left out.
func (b *builder) addHoldings(held map[holdingKey]*Holding) {
	list := make([]Holding, 0, len(held))
	asked := false
	for k, h := range held {
		slices.Sort(h.Cites)
		h.Cites = slices.Compact(h.Cites)
		list = append(list, *h)
		asked = asked || !k.other
	}
	if !asked && b.narrowed {
		for i := range list {
			b.r.Totals.Held = b.r.Totals.Held.Minus(list[i].Amount)
		}
		return
	}
	slices.SortFunc(list, func(x, y Holding) int {
		return cmp.Or(last(x.Other, y.Other), cmp.Compare(x.Job, y.Job), cmp.Compare(x.Material, y.Material))
	})
	b.r.Held = append(b.r.Held, list...)
	if len(list) > 0 {
		b.heldFinding(list)
	}
}

// holds reports whether a truck has a holding that the report shows.
func (b *builder) holds(id events.TruckID) bool {
	return slices.ContainsFunc(b.r.Held, func(h Holding) bool { return h.Truck == id })
}
