package naive

import (
	"math/big"

	"spoilbook/events"
)

// decant drains water, and the solids that went with it, in proportion to what
// each parcel has of either.
func (t *Tank) decant(out *Outcome, d events.WaterDecanted) {
	volume, held := whole(d.Volume.VolumeML), t.Held()
	particle := t.particle()
	solids := zero()
	switch { // where both are stated, the laboratory's figure counts
	case d.SuspendedSolidsMGPerL != nil:
		solids = mul(volume, ratio(*d.SuspendedSolidsMGPerL, 1_000_000))
	case d.DensityGPerM3 != nil:
		density := ratio(*d.DensityGPerM3, 1_000_000)
		solids = mul(mul(volume, particle), quo(excess(density, whole(1)), sub(particle, whole(1))))
	}
	out.Moved = Amount{solids, sub(volume, quo(solids, particle))}
	out.Unheld = Amount{excess(out.Moved.SolidsG, held.SolidsG), excess(out.Moved.WaterG, held.WaterG)}
	outfall := "outfall:unnamed"
	if d.Outfall != "" {
		outfall = "outfall:" + string(d.Outfall)
	}
	out.Parts = t.take(func(p Parcel) Amount {
		return Amount{mul(p.SolidsG, fraction(out.Moved.SolidsG, held.SolidsG)), mul(p.WaterG, fraction(out.Moved.WaterG, held.WaterG))}
	})
	t.move("debris-tank", outfall, total(out.Parts))
	t.move("unaccounted", outfall, out.Unheld)
}

// particle returns the density of the solids that the tank holds, taken
// together: what runs off with the water is of all parcels. Without solids it is
// that of quartz.
func (t *Tank) particle() *big.Rat {
	solids, volume := zero(), zero()
	for _, p := range t.Parcels {
		solids, volume = add(solids, p.SolidsG), add(volume, quo(p.SolidsG, p.Particle))
	}
	if !positive(solids) {
		return ratio(265, 100)
	}
	return quo(solids, volume)
}

// tip empties the tank or a part of it.
func (t *Tank) tip(out *Outcome, b events.SpoilTipped, o Options) {
	size := func(p Parcel) *big.Rat { return p.MassG() }
	held := t.Held().MassG()
	wanted := held
	switch {
	case b.Mass != nil:
		wanted = whole(b.Mass.MassG)
	case b.Volume != nil:
		size, held, wanted = Parcel.VolumeML, t.VolumeML(), whole(b.Volume.VolumeML)
	case b.PortionPPM != 0:
		wanted = mul(held, ratio(b.PortionPPM, 1_000_000))
	}
	facility := "facility:" + string(b.Facility)
	before := t.Held()
	if o.FirstInFirstOut {
		left := wanted
		out.Parts = t.take(func(p Parcel) Amount {
			part := p.Amount.times(fraction(left, size(p)))
			left = excess(left, size(p))
			return part
		})
	} else {
		out.Parts = t.take(func(p Parcel) Amount { return p.Amount.times(fraction(wanted, held)) })
	}
	if over := excess(wanted, held); positive(over) {
		// What nobody saw was of the kind that the tank held, or else water.
		out.Unheld = justWater(over)
		if positive(held) {
			out.Unheld = before.times(quo(over, held))
		}
	}
	out.Moved = total(out.Parts).plus(out.Unheld)
	t.move("debris-tank", facility, total(out.Parts))
	t.move("unaccounted", facility, out.Unheld)
}

// weigh moves what a docket says more or less than the account between the
// facility and unaccounted. Only the first docket of a tip at its facility counts.
func (l Ledger) weigh(t *Tank, e events.Event, d events.DocketReceived, ordered []events.Event, o Options) {
	for _, other := range ordered {
		if earlier, ok := other.Body.(events.DocketReceived); ok && earlier.Tip == d.Tip && earlier.Facility == d.Facility {
			if other.Ref() != e.Ref() {
				return
			}
			break
		}
	}
	for i, tip := range ordered {
		b, ok := tip.Body.(events.SpoilTipped)
		if !ok || tip.Ref() != d.Tip || b.Facility != d.Facility {
			continue
		}
		_, out := l.tankBeforeDockets(ordered[:i+1], o)
		more := sub(whole(d.NetG), sub(out.Moved.MassG(), t.backBy(d.Tip, d.WeighedAt)))
		// The docket does not say of what: the tip's own mixture, or water.
		a := justWater(more)
		if mass := out.Moved.MassG(); positive(mass) {
			a = out.Moved.times(quo(more, mass))
		}
		t.move("unaccounted", "facility:"+string(b.Facility), a)
	}
}
