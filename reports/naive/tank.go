package naive

import (
	"math/big"
	"slices"

	"spoilbook/events"
)

// Amount is an exact mass of solids and of water in grams. A gram of water is a
// millilitre.
type Amount struct{ SolidsG, WaterG *big.Rat }

// MassG returns solids and water together.
func (a Amount) MassG() *big.Rat { return add(a.SolidsG, a.WaterG) }

func (a Amount) plus(b Amount) Amount {
	return Amount{add(a.SolidsG, b.SolidsG), add(a.WaterG, b.WaterG)}
}
func (a Amount) minus(b Amount) Amount {
	return Amount{sub(a.SolidsG, b.SolidsG), sub(a.WaterG, b.WaterG)}
}
func (a Amount) times(f *big.Rat) Amount {
	return Amount{mul(a.SolidsG, f), mul(a.WaterG, f)}
}

func none() Amount                 { return Amount{zero(), zero()} }
func justWater(ml *big.Rat) Amount { return Amount{zero(), ml} }

// Parcel is what is left in the debris tank of one entry that brought something.
type Parcel struct {
	Amount
	Entry    events.Ref
	Job      events.JobID
	Material events.MaterialID
	Particle *big.Rat // density of the solids, g/mL
	Bed      *big.Rat // void ratio of the settled bed
}

// VolumeML returns the volume of solids and water without air.
func (p Parcel) VolumeML() *big.Rat { return add(quo(p.SolidsG, p.Particle), p.WaterG) }

// Tank is what both tanks of a truck hold, and what every account has received
// less what it has given.
type Tank struct {
	Parcels   []Parcel
	FreshML   *big.Rat
	Accounts  map[string]Amount
	Delivered []Delivery // by the tips, in order
}

// Options selects between the rules that the trade uses side by side, and says
// which gauges contradict the account: how far instruments can be trusted is not
// asked here.
type Options struct {
	FirstInFirstOut bool
	Contradicts     map[events.Ref]bool
}

// Outcome is what one entry did to the tanks.
type Outcome struct {
	Entry     events.Event
	Moved     Amount   // by a load, a decant or a tip, with what was not held
	Unheld    Amount   // the part that the tank did not hold
	Parts     []Parcel // what a decant or a tip took from each parcel
	FreeML    *big.Rat // before it: the largest clear decant
	LostML    *big.Rat // of a load's jetting water: it never reached the tank
	AccountML *big.Rat // what a gauge should have shown
	Before    Tank
}

// Held returns solids and water in the debris tank together.
func (t Tank) Held() Amount {
	sum := none()
	for _, p := range t.Parcels {
		sum = sum.plus(p.Amount)
	}
	return sum
}

// VolumeML returns the volume of what the debris tank holds.
func (t Tank) VolumeML() *big.Rat {
	sum := zero()
	for _, p := range t.Parcels {
		sum = add(sum, p.VolumeML())
	}
	return sum
}

// SolidsML returns the volume of the solids that the debris tank holds.
func (t Tank) SolidsML() *big.Rat { return sub(t.VolumeML(), t.Held().WaterG) }

// freeML returns the water above the settled bed, V - Vs (1 + e), which is never
// less than nothing.
func (t Tank) freeML() *big.Rat {
	bed := zero()
	for _, p := range t.Parcels {
		bed = add(bed, mul(quo(p.SolidsG, p.Particle), add(whole(1), p.Bed)))
	}
	return excess(t.VolumeML(), bed)
}

// move takes an amount from one account and gives it to another.
func (t *Tank) move(from, to string, a Amount) {
	for account, sign := range map[string]int64{from: -1, to: 1} {
		was, ok := t.Accounts[account]
		if !ok {
			was = none()
		}
		t.Accounts[account] = was.plus(a.times(whole(sign)))
	}
}

// TankAfter folds the first n entries, in the order they occurred, from the empty
// tank, and returns what the last of them did.
func (l Ledger) TankAfter(n int, o Options) (Tank, Outcome) {
	ordered := l.Ordered()[:n]
	t, last := l.tankBeforeDockets(ordered, o)
	for _, e := range ordered {
		if docket, ok := e.Body.(events.DocketReceived); ok {
			l.weigh(&t, e, docket, ordered, o)
		}
	}
	return t, last
}

func (l Ledger) tankBeforeDockets(ordered []events.Event, o Options) (t Tank, last Outcome) {
	t = Tank{FreshML: zero(), Accounts: map[string]Amount{}}
	for _, e := range ordered {
		t, last = l.Step(t, e, o)
	}
	return t, last
}

// Step returns the tank as an entry leaves it, and what the entry did.
func (l Ledger) Step(before Tank, e events.Event, o Options) (Tank, Outcome) {
	t := Tank{Parcels: slices.Clone(before.Parcels), FreshML: before.FreshML, Accounts: map[string]Amount{}, Delivered: slices.Clone(before.Delivered)}
	for account, a := range before.Accounts {
		t.Accounts[account] = a
	}
	out := Outcome{Entry: e, Before: before, Moved: none(), Unheld: none(), FreeML: t.freeML(), LostML: zero(), AccountML: zero()}
	switch b := e.Body.(type) {
	case events.LoadCollected:
		l.load(&t, &out, b)
	case events.WaterDecanted:
		t.decant(&out, b)
	case events.SpoilTipped:
		t.tip(&out, b, o)
		t.deliver(&out, b.Facility)
	case events.SpoilReturned:
		t.giveBack(&out, b)
	case events.WaterRefilled:
		drawn := refilled(b)
		t.move("water-source:"+string(b.WaterSource), "fresh-tank", justWater(drawn))
		t.FreshML = add(t.FreshML, drawn)
	case events.WaterUsed:
		t.use(e, b)
	case events.TankGauged:
		if shown, ok := l.Shown(e, b); ok {
			t.gauge(&out, b.Tank, shown, o.Contradicts[e.Ref()])
		}
	}
	t.Parcels = slices.DeleteFunc(t.Parcels, func(p Parcel) bool { return !positive(p.MassG()) })
	return t, out
}

// use takes fresh water for something other than jetting.
func (t *Tank) use(e events.Event, u events.WaterUsed) {
	water := whole(u.Volume.VolumeML)
	t.draw(water)
	if !u.IntoDebrisTank {
		t.move("fresh-tank", "used:"+string(u.Purpose), justWater(water))
		return
	}
	t.move("fresh-tank", "debris-tank", justWater(water))
	t.Parcels = append(t.Parcels, Parcel{Amount: justWater(water), Entry: e.Ref(), Job: e.Job, Particle: whole(1), Bed: zero()})
}

// draw takes water from the fresh tank; what the tank did not hold came into it
// unaccounted for.
func (t *Tank) draw(water *big.Rat) {
	missing := excess(water, t.FreshML)
	t.move("unaccounted", "fresh-tank", justWater(missing))
	t.FreshML = sub(add(t.FreshML, missing), water)
}

// refilled returns what a refill brought: as measured, otherwise by the meter
// unless it ran backwards, otherwise as stated.
func refilled(r events.WaterRefilled) *big.Rat {
	metered := r.MeterStartML != nil && r.MeterEndML != nil && *r.MeterEndML >= *r.MeterStartML
	switch {
	case metered && (r.Volume == nil || r.Volume.Basis != events.Measured):
		return whole(*r.MeterEndML - *r.MeterStartML)
	case r.Volume != nil:
		return whole(r.Volume.VolumeML)
	}
	return zero()
}

// gauge lets the account follow a gauge that contradicts it, and moves the
// difference to or from unaccounted. The debris tank can not lose more water
// than it holds.
func (t *Tank) gauge(out *Outcome, which events.Tank, shown *big.Rat, contradicts bool) {
	out.AccountML = t.VolumeML()
	if which == events.FreshTank {
		out.AccountML = t.FreshML
		if contradicts {
			t.move("unaccounted", "fresh-tank", justWater(excess(shown, t.FreshML)))
			t.move("fresh-tank", "unaccounted", justWater(excess(t.FreshML, shown)))
			t.FreshML = shown
		}
		return
	}
	if !contradicts {
		return
	}
	if more := excess(shown, out.AccountML); positive(more) {
		t.move("unaccounted", "debris-tank", justWater(more))
		t.Parcels = append(t.Parcels, Parcel{Amount: justWater(more), Entry: out.Entry.Ref(), Particle: whole(1), Bed: zero()})
	}
	if less := excess(out.AccountML, shown); positive(less) {
		held := t.Held().WaterG
		parts := t.take(func(p Parcel) Amount { return justWater(mul(p.WaterG, fraction(less, held))) })
		t.move("debris-tank", "unaccounted", total(parts))
	}
}

// take removes from every parcel what part says and returns what was removed.
func (t *Tank) take(part func(Parcel) Amount) []Parcel {
	parts := slices.Clone(t.Parcels)
	for i, p := range t.Parcels {
		parts[i].Amount = part(p)
		t.Parcels[i].Amount = p.minus(parts[i].Amount)
	}
	return parts
}

func total(parts []Parcel) Amount { return Tank{Parcels: parts}.Held() }

// fraction returns wanted over held, at most 1, and 0 where nothing is held.
func fraction(wanted, held *big.Rat) *big.Rat {
	if !positive(held) {
		return zero()
	}
	return smaller(quo(wanted, held), whole(1))
}
