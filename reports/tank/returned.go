package tank

import (
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// Refusal is an entry of a load that a facility refused at its gate. Nothing moved.
type Refusal struct {
	Entry    *reports.Entry
	Facility events.FacilityID
	Reason   events.RefusalReason
	Held     Summary // what the tank held, and the facility refused
	NextTip  int     // index into Account.Tips of the truck's next tip; -1 when none came
}

// Return is an entry of spoil that a facility gave back. SolidsG, WaterG and VolumeML
// are all that came; the part that had not been tipped there is UntippedSolidsG and
// UntippedWaterG, which is nobody's and in no share.
type Return struct {
	Entry           *reports.Entry
	Facility        events.FacilityID
	Reason          events.RefusalReason
	Tip             int // index into Account.Tips; -1 when it matches none
	SolidsG         int64
	WaterG          int64
	VolumeML        int64
	UntippedSolidsG int64
	UntippedWaterG  int64
	Shares          []Share
	After           Summary // the debris tank after it
}

// MassG returns solids and water together.
func (r *Return) MassG() int64 { return r.SolidsG + r.WaterG }

// delivery is what a tip brought to its facility and is still there.
type delivery struct {
	left    Contents
	mix     totals // of what was tipped that somebody knew of
	removed doubt  // of what was measured out of the tank before the tip
	massG   int64  // as tipped
	volume  int64  // mL, as tipped
}

// refused records a refusal.
func (f *fold) refused(e *reports.Entry, b events.SpoilRefused) {
	f.knownFacility(e, b.Facility)
	f.account.Refusals = append(f.account.Refusals, Refusal{Entry: e, Facility: b.Facility, Reason: b.Reason, Held: f.held.summary(), NextTip: -1})
	f.find(reports.SpoilRefused, e, "%s refused a load of %s kg: %s", b.Facility, litres(f.held.massG()), b.Reason)
}

func (f *fold) knownFacility(e *reports.Entry, id events.FacilityID) {
	if _, ok := f.journal.Book.Facility(id, e.Occurred); !ok {
		f.unknown(e, events.FacilityRegister, string(id), "its permit is not known")
	}
}

// deliver keeps what a tip brought where some entry returns spoil, and tells the
// refusals before it where the load went.
func (f *fold) deliver(t *Tip, k *taking, beyond Phases) {
	index := len(f.account.Tips)
	for i := len(f.account.Refusals) - 1; i >= 0 && f.account.Refusals[i].NextTip < 0; i-- {
		f.account.Refusals[i].NextTip = index
	}
	if !f.returns {
		return
	}
	d := &delivery{left: k.parts, mix: k.parts.totals(), removed: k.removed, massG: t.MassG(), volume: t.VolumeML}
	if beyond.MassG() > 0 {
		d.left = append(d.left, f.nobodys(t.Entry, beyond, &d.mix))
	}
	f.deliveries[index] = d
}

// nobodys is a parcel of spoil of unknown origin, with solids like those it came with.
func (f *fold) nobodys(e *reports.Entry, p Phases, like *totals) Parcel {
	parcel := Parcel{Position: e.Positions[0], Cites: e.Positions, SolidsG: p.SolidsG, WaterG: p.WaterG, Basis: events.Assumed,
		ParticleDensityKgPerM3: DefaultParticleDensityKgPerM3, BedVoidRatioPermille: DefaultBedVoidRatioPermille, own: usualDoubt(p)}
	if t := like; t.solidsUL > 0 {
		parcel.ParticleDensityKgPerM3 = max(waterKgPerM3+1, mulDiv(t.solidsG, 1_000_000, t.solidsUL))
		parcel.BedVoidRatioPermille = max(0, mulDiv(t.bedUL, 1000, t.solidsUL)-1000)
	}
	return parcel
}

func usualDoubt(p Phases) doubt {
	return doubt{usually(p.MassG()), usually(p.VolumeML(DefaultParticleDensityKgPerM3)), usually(p.SolidsG)}
}

// takeBack puts what a facility gave back into the debris tank: of each parcel that
// the tip brought, in proportion to what of it is still there, as if well mixed. More
// than that came from unaccounted and is nobody's.
func (f *fold) takeBack(e *reports.Entry, b events.SpoilReturned) {
	f.knownFacility(e, b.Facility)
	r := Return{Entry: e, Facility: b.Facility, Reason: b.Reason, Tip: f.returnedTip(e, b)}
	d := &delivery{}
	if r.Tip >= 0 {
		d = f.deliveries[r.Tip]
	}
	left := d.left.totals()
	wantedG := wantedBack(b, d, &left)
	part := Phases{left.solidsG, left.waterG}
	if wantedG < part.MassG() {
		part = part.part(wantedG)
	}
	if part.MassG() > 0 {
		r.Shares = f.bringBack(e, b.Facility, d, part)
	}
	r.SolidsG, r.WaterG, r.VolumeML = sumShares(r.Shares)
	f.bringBeyond(e, &r, d, wantedG-part.MassG())
	if r.Tip >= 0 {
		f.returnOf(e, &r, wantedG-part.MassG())
	}
	r.After = f.held.summary()
	f.account.Returns = append(f.account.Returns, r)
	f.checkLimits(e)
}

// returnedTip finds the tip that a return names; it must have been at the same
// facility and have come before.
func (f *fold) returnedTip(e *reports.Entry, b events.SpoilReturned) int {
	position, recorded := f.journal.PositionOf(b.Tip)
	for i := range f.account.Tips {
		t := &f.account.Tips[i]
		if !recorded || !slices.Contains(t.Entry.Positions, position) {
			continue
		}
		if t.Facility != b.Facility {
			f.find(reports.ReturnUnmatched, e, "spoil was returned by %s; the tip that is named was at %s", b.Facility, t.Facility)
			return -1
		}
		return i
	}
	f.find(reports.ReturnUnmatched, e, "spoil was returned by %s from %s, which is no standing tip of this truck before it", b.Facility, b.Tip)
	return -1
}

// wantedBack returns the mass that the entry says came back. A volume is taken at the
// density of what was tipped, or at that of water when that is not known.
func wantedBack(b events.SpoilReturned, d *delivery, left *totals) int64 {
	switch {
	case b.Whole:
		return left.massG()
	case b.Mass != nil:
		return b.Mass.MassG
	case b.Volume != nil && b.Volume.VolumeML == left.volumeML():
		return left.massG()
	case b.Volume != nil && d.volume > 0:
		return mulDiv(d.massG, b.Volume.VolumeML, d.volume)
	case b.Volume != nil:
		return b.Volume.VolumeML
	}
	return mulDiv(d.massG, b.PortionPPM, 1_000_000)
}

// bringBack moves a part of what a tip brought back into the tank.
func (f *fold) bringBack(e *reports.Entry, from events.FacilityID, d *delivery, part Phases) []Share {
	wholeG := d.left.MassG()
	f.splitMixed(d.left, part.SolidsG, part.WaterG)
	shares := make([]Share, 0, len(d.left))
	back := make(Contents, 0, len(d.left))
	for i := range d.left {
		p := &d.left[i]
		solidsG, waterG := f.solidsGiven[i], f.waterGiven[i]
		before, massG := p.SolidsG+p.WaterG, solidsG+waterG
		if massG == 0 {
			continue
		}
		came := *p
		came.SolidsG, came.WaterG = solidsG, waterG
		came.Cites = append(slices.Clone(p.Cites), e.Positions...)
		came.own, came.drained = p.own.part(massG, before), p.drained.part(massG, before)
		p.own, p.drained = p.own.part(before-massG, before), p.drained.part(before-massG, before)
		p.SolidsG -= solidsG
		p.WaterG -= waterG
		known := came.own.plus(came.drained)
		shares = append(shares, Share{Job: p.Job, Material: p.Material, Position: p.Position, Cites: came.Cites, SolidsG: solidsG, WaterG: waterG,
			VolumeML: waterG*1000 + solidsUL(solidsG, p.ParticleDensityKgPerM3), ToleranceG: known.mass.root(), ToleranceML: known.volume.root(), ToleranceSolidsG: known.solids.root(),
			own: came.own, drained: came.drained, ParticleDensityKgPerM3: p.ParticleDensityKgPerM3})
		back = append(back, came)
		f.post(Movement{At: e.Occurred, Positions: e.Positions, From: f.facility(from), To: DebrisTank, Job: p.Job, Material: p.Material,
			SolidsG: solidsG, WaterG: waterG, Note: "returned"})
	}
	f.removed = f.removed.plus(d.removed.part(part.MassG(), wholeG))
	d.removed = d.removed.part(wholeG-part.MassG(), wholeG)
	for i := range back {
		f.addParcel(back[i])
	}
	return f.measure(shares)
}

// bringBeyond takes what had not been tipped into the tank, mixed like what had been,
// or as water when nothing is known of it.
func (f *fold) bringBeyond(e *reports.Entry, r *Return, d *delivery, beyondG int64) {
	if beyondG <= 0 {
		return
	}
	beyond := Phases{0, beyondG}
	if r.Tip >= 0 {
		t := &f.account.Tips[r.Tip]
		if t.MassG() > 0 {
			beyond = Phases{t.SolidsG, t.WaterG}.part(beyondG)
		}
	}
	p := f.nobodys(e, beyond, &d.mix)
	r.UntippedSolidsG, r.UntippedWaterG = beyond.SolidsG, beyond.WaterG
	r.SolidsG += beyond.SolidsG
	r.WaterG += beyond.WaterG
	r.VolumeML += beyond.VolumeML(p.ParticleDensityKgPerM3)
	f.post(Movement{At: e.Occurred, Positions: e.Positions, From: Unaccounted, To: DebrisTank, // nobody's, whoever entered it
		SolidsG: beyond.SolidsG, WaterG: beyond.WaterG, Note: "returned beyond what was tipped"})
	f.addParcel(p)
}

// returnOf tells the tip what came back of it. What was decanted before the tip was
// decanted from what came back, too.
func (f *fold) returnOf(e *reports.Entry, r *Return, beyondG int64) {
	t := &f.account.Tips[r.Tip]
	solidsG, waterG, volumeML := sumShares(r.Shares)
	t.Returned = Summary{t.Returned.SolidsG + solidsG, t.Returned.WaterG + waterG, t.Returned.VolumeML + volumeML}
	t.Returns = append(t.Returns, len(f.account.Returns))
	f.sinceEmpty = append(f.sinceEmpty, t.Decants...)
	slices.Sort(f.sinceEmpty)
	f.sinceEmpty = slices.Compact(f.sinceEmpty)
	f.find(reports.SpoilReturned, e, "%s gave back %s kg of %s kg tipped there: %s", r.Facility, litres(r.MassG()), litres(t.MassG()), r.Reason)
	f.cite(t.Entry.Positions)
	if beyondG > 0 {
		f.find(reports.ReturnedOverTipped, e, "%s gave back %s kg; %s kg of that tip were still there", r.Facility, litres(r.MassG()), litres(solidsG+waterG))
		f.cite(t.Entry.Positions)
	}
}

// cite adds to what the last finding rests on.
func (f *fold) cite(positions []uint64) {
	last := &f.account.Findings[len(f.account.Findings)-1]
	last.Cites = append(last.Cites, positions...)
}
