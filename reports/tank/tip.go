package tank

import (
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// tip empties the debris tank or part of it. What was tipped beyond what the tank
// held comes out of unaccounted, mixed like the tank, or as water when the tank held
// nothing, since nobody knows what it was.
func (f *fold) tip(e *reports.Entry, b events.SpoilTipped) {
	f.knownFacility(e, b.Facility)
	t := Tip{Entry: e, Facility: b.Facility, Before: f.held.summary(), BeforeUL: f.held.volumeUL(), Decants: slices.Clone(f.sinceEmpty), Basis: f.basis(b)}
	whole := Phases{f.held.solidsG, f.held.waterG}
	wantedG := f.wantedG(b)
	heldG := min(wantedG, whole.MassG())
	k := f.tipTaking(b, wantedG, heldG)
	beyond := f.beyond(wantedG - heldG)
	beyondML := beyond.WaterG + f.solidsML(beyond.SolidsG)
	if heldG > 0 {
		t.Shares = f.takeForTip(b, whole, heldG, k)
	}
	certain := tipTolerance(k, wantedG, heldG)
	t.ToleranceG, t.ToleranceML, t.ToleranceSolidsG = certain.MassG, certain.VolumeML, certain.SolidsG
	t.removed, t.own = k.removed, k.own
	to := f.facility(b.Facility)
	f.moveShares(e, to, t.Shares)
	f.move(e, Unaccounted, to, beyond.SolidsG, beyond.WaterG, "tipped beyond what the tank held")
	t.UnheldSolidsG, t.UnheldWaterG = beyond.SolidsG, beyond.WaterG
	t.SolidsG, t.WaterG, t.VolumeML = sumShares(t.Shares)
	t.SolidsG += beyond.SolidsG
	t.WaterG += beyond.WaterG
	t.VolumeML += beyondML
	switch {
	case whole.MassG() == 0:
		f.find(reports.TipOfEmptyTank, e, "%s kg were tipped at %s from a tank that held nothing", litres(wantedG), b.Facility)
	case wantedG > heldG:
		f.find(reports.TippedOverHeld, e, "%s kg were tipped at %s; the tank held %s kg", litres(wantedG), b.Facility, litres(heldG))
	}
	t.Heel = slices.Clone(f.parcels)
	f.deliver(&t, k, beyond)
	f.account.Tips = append(f.account.Tips, t)
}

// beyond returns the phases of a mass that the tank does not hold.
func (f *fold) beyond(massG int64) Phases {
	if f.held.massG() == 0 {
		return Phases{0, massG}
	}
	return Phases{f.held.solidsG, f.held.waterG}.part(massG)
}

// wantedG returns the mass that the entry says was tipped. A volume is taken at the
// density of the whole tank, or at that of water when the tank holds nothing.
func (f *fold) wantedG(b events.SpoilTipped) int64 {
	massG := f.held.massG()
	switch {
	case b.Whole:
		return massG
	case b.Mass != nil:
		return b.Mass.MassG
	case b.Volume != nil && b.Volume.VolumeML == f.held.volumeML():
		return massG // the volume as shown is the whole, whatever it was rounded from
	case b.Volume != nil && massG > 0:
		return mulDiv(massG, b.Volume.VolumeML*1000, f.held.volumeUL())
	case b.Volume != nil:
		return b.Volume.VolumeML
	}
	return mulDiv(massG, b.PortionPPM, 1_000_000)
}

// tipTaking says what a tip does to how certain the tank's contents are. A mass of
// its own instrument is as certain as that; a volume tells a portion of the tank; the
// whole is as certain as the tank, and so in proportion is a portion judged by eye,
// whose own error nobody states.
func (f *fold) tipTaking(b events.SpoilTipped, wantedG, heldG int64) *taking {
	t := &taking{scaled: b.Mass == nil, massG: heldG, keep: f.returns}
	switch {
	case b.Mass != nil:
		s := stated(b.Mass.ToleranceG, b.Mass.MassG)
		t.own = doubt{s, s.scaled(f.held.volumeML(), f.held.massG()), s.scaled(f.held.solidsG, f.held.massG())}
		t.own.solids = t.own.solids.plus(f.heldDoubt().mass.scaled(f.held.solidsG, f.held.massG()).scaled(heldG, f.held.massG()))
		if f.held.massG() == 0 {
			t.own.volume = s
		}
	case b.Volume != nil:
		s := stated(b.Volume.ToleranceML, b.Volume.VolumeML)
		t.own = doubt{s.scaled(wantedG, b.Volume.VolumeML), s, 0}
		t.own.solids = t.own.mass.scaled(f.held.solidsG, f.held.massG())
	}
	return t
}

// tipTolerance returns how certain a tip is, what the tank did not hold counting as like
// what it held.
func tipTolerance(k *taking, wantedG, heldG int64) Tolerance {
	d := k.gone.plus(k.removed)
	if heldG > 0 {
		d = d.part(wantedG, heldG)
	}
	return d.plus(k.own).tolerance()
}

// takeForTip takes what a tip takes from the parcels, by the rule chosen.
func (f *fold) takeForTip(b events.SpoilTipped, whole Phases, heldG int64, k *taking) []Share {
	switch {
	case !f.options.FirstInFirstOut:
		part := whole.part(heldG)
		return f.removeMixed(part.SolidsG, part.WaterG, k)
	case b.Volume != nil && heldG < whole.MassG():
		return f.removeOldest(b.Volume.VolumeML*1000, func(p *Parcel) int64 { return p.WaterG*1000 + p.solidsUL() }, k)
	}
	return f.removeOldest(heldG, func(p *Parcel) int64 { return p.SolidsG + p.WaterG }, k)
}

// basis returns the weakest basis of what the tank holds and of the quantity tipped.
func (f *fold) basis(b events.SpoilTipped) events.Basis {
	basis := events.Measured
	switch {
	case b.Mass != nil:
		basis = b.Mass.Basis
	case b.Volume != nil:
		basis = events.Weaker(b.Volume.Basis, events.Derived)
	case !b.Whole:
		basis = events.Assumed // a portion is judged by eye
	}
	for i := range f.parcels {
		basis = events.Weaker(basis, f.parcels[i].Basis)
	}
	return basis
}
