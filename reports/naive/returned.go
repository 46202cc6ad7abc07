package naive

import (
	"math/big"
	"slices"

	"spoilbook/events"
)

// Delivery is what one tip brought to a facility, and what became of it there.
type Delivery struct {
	Tip      events.Ref
	Facility events.FacilityID
	Parts    []Parcel // what of it is still there; what the tank did not hold is the last
	Like     []Parcel // what of it somebody knew of, as tipped
	Tipped   Amount
	VolumeML *big.Rat // of what was tipped
	Back     []Back
}

// Back is a mass that came back of a tip.
type Back struct {
	EndMS int64
	MassG *big.Rat
}

// deliver keeps what a tip brought. What nobody knew of is as the rest of it, or
// water, and is a parcel of its own.
func (t *Tank) deliver(out *Outcome, facility events.FacilityID) {
	parts := slices.DeleteFunc(slices.Clone(out.Parts), func(p Parcel) bool { return !positive(p.MassG()) })
	like := slices.Clone(parts)
	if positive(out.Unheld.MassG()) {
		parts = append(parts, nobodys(out.Entry.Ref(), out.Unheld, like))
	}
	t.Delivered = append(t.Delivered, Delivery{Tip: out.Entry.Ref(), Facility: facility, Parts: parts, Like: like,
		Tipped: total(parts), VolumeML: Tank{Parcels: parts}.VolumeML()})
}

// nobodys returns a parcel of spoil that nobody put into the tank. Its solids are like
// those of some parcels taken together, to a whole kg/m3 and a thousandth of void
// ratio, and usual ones where there are none.
func nobodys(entry events.Ref, a Amount, like []Parcel) Parcel {
	p := Parcel{Amount: a, Entry: entry, Particle: ratio(265, 100), Bed: whole(1)}
	solidsG, solidsML, voidML := zero(), zero(), zero()
	for _, q := range like {
		volume := quo(q.SolidsG, q.Particle)
		solidsG, solidsML, voidML = add(solidsG, q.SolidsG), add(solidsML, volume), add(voidML, mul(volume, q.Bed))
	}
	if positive(solidsML) {
		p.Particle, p.Bed = thousandths(quo(solidsG, solidsML)), thousandths(quo(voidML, solidsML))
	}
	return p
}

// giveBack takes into the tank what a facility gave back: of each part that the tip
// brought in proportion to what of it is still there, and the rest from nowhere.
func (t *Tank) giveBack(out *Outcome, b events.SpoilReturned) {
	d := &Delivery{Tipped: none(), VolumeML: zero()}
	for i := range t.Delivered {
		if t.Delivered[i].Tip == b.Tip && t.Delivered[i].Facility == b.Facility {
			d = &t.Delivered[i]
			d.Parts, d.Back = slices.Clone(d.Parts), slices.Clone(d.Back)
		}
	}
	there := total(d.Parts).MassG()
	wanted := d.wanted(b, there)
	facility := "facility:" + string(b.Facility)
	for i, p := range d.Parts {
		came := p
		came.Amount = p.times(fraction(wanted, there))
		d.Parts[i].Amount = p.minus(came.Amount)
		out.Parts = append(out.Parts, came)
		t.move(facility, "debris-tank", came.Amount)
	}
	t.Parcels = append(t.Parcels, out.Parts...)
	d.Back = append(d.Back, Back{b.End.UnixMS, total(out.Parts).MassG()})
	if more := excess(wanted, there); positive(more) {
		out.Unheld = justWater(more)
		if mass := d.Tipped.MassG(); positive(mass) {
			out.Unheld = d.Tipped.times(quo(more, mass))
		}
		t.move("unaccounted", "debris-tank", out.Unheld)
		t.Parcels = append(t.Parcels, nobodys(out.Entry.Ref(), out.Unheld, d.Like))
		out.Parts = append(out.Parts, t.Parcels[len(t.Parcels)-1])
	}
	out.Moved = total(out.Parts)
}

// wanted returns the mass that the entry says came back. A volume is of the density of
// what was tipped; of a tip that is not known a part is nothing.
func (d *Delivery) wanted(b events.SpoilReturned, there *big.Rat) *big.Rat {
	switch {
	case b.Whole:
		return there
	case b.Mass != nil:
		return whole(b.Mass.MassG)
	case b.Volume != nil && positive(d.VolumeML):
		return mul(whole(b.Volume.VolumeML), quo(d.Tipped.MassG(), d.VolumeML))
	case b.Volume != nil:
		return whole(b.Volume.VolumeML)
	}
	return mul(d.Tipped.MassG(), ratio(b.PortionPPM, 1_000_000))
}

// backBy returns what of a tip had come back by a time.
func (t *Tank) backBy(tip events.Ref, at events.Time) *big.Rat {
	sum := zero()
	for _, d := range t.Delivered {
		for _, b := range d.Back {
			if d.Tip == tip && b.EndMS <= at.UnixMS {
				sum = add(sum, b.MassG)
			}
		}
	}
	return sum
}
