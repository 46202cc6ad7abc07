package tank

import (
	"cmp"

	"spoilbook/events"
	"spoilbook/reports"
)

// reckoning is one way of knowing what a load was.
type reckoning struct {
	method Method
	Phases
	basis events.Basis
	doubt doubt
}

// load puts what was collected into the debris tank: jetting water out of the fresh
// tank as far as the load holds water, the rest from the site. Jetting water beyond
// the load's water was not recovered.
func (f *fold) load(e *reports.Entry, b events.LoadCollected) {
	m := f.material(e, b.Material)
	r, other := f.reckon(e, b, m)
	l := Load{Entry: e, Job: e.Job, Material: b.Material, SolidsG: r.SolidsG, WaterG: r.WaterG,
		VolumeML: r.VolumeML(m.ParticleDensityKgPerM3), Basis: r.basis, Method: r.method, Other: other,
		ToleranceG: r.doubt.mass.root(), ToleranceML: r.doubt.volume.root(), ToleranceSolidsG: r.doubt.solids.root(),
		ParticleDensityKgPerM3: m.ParticleDensityKgPerM3, SlurryDensityKgPerM3: m.SlurryDensityKgPerM3}
	f.findOverlap(e)
	if b.Bank != nil {
		soil, _ := bankSoil(b, m)
		l.BankML, l.Soil = b.Bank.Volume.VolumeML, &soil
	}
	if b.JettingWater != nil {
		l.JettingML = b.JettingWater.VolumeML
		f.takeFresh(e, l.JettingML)
		f.freshSquare.addTolerance(b.JettingWater.ToleranceML)
	}
	recovered := min(l.JettingML, l.WaterG)
	l.LostML = l.JettingML - recovered
	f.post(Movement{At: e.Occurred, Positions: e.Positions, From: Site, To: DebrisTank, Job: e.Job, Material: b.Material,
		SolidsG: l.SolidsG, WaterG: l.WaterG - recovered})
	f.post(Movement{At: e.Occurred, Positions: e.Positions, From: FreshTank, To: DebrisTank, Job: e.Job, Material: b.Material,
		WaterG: recovered})
	f.move(e, FreshTank, Jetted, 0, l.LostML, "jetting water not recovered")
	f.addParcel(Parcel{Job: e.Job, Material: b.Material, Position: e.Positions[0], Cites: e.Positions,
		SolidsG: l.SolidsG, WaterG: l.WaterG, ParticleDensityKgPerM3: m.ParticleDensityKgPerM3,
		BedVoidRatioPermille: m.BedVoidRatioPermille, Basis: r.basis, own: r.doubt})
	l.After = f.held.summary()
	f.account.Loads = append(f.account.Loads, l)
	f.checkLimits(e)
}

// material returns the material in force with every density filled in that the
// register may leave out.
func (f *fold) material(e *reports.Entry, id events.MaterialID) events.Material {
	m, ok := f.journal.Book.Material(id, e.Occurred)
	if !ok {
		f.unknown(e, events.MaterialRegister, string(id), "usual densities of soil are assumed")
	}
	if m.ParticleDensityKgPerM3 <= waterKgPerM3 {
		m.ParticleDensityKgPerM3 = DefaultParticleDensityKgPerM3
	}
	if m.SlurryDensityKgPerM3 < waterKgPerM3 || m.SlurryDensityKgPerM3 > m.ParticleDensityKgPerM3 {
		m.SlurryDensityKgPerM3 = min(DefaultSlurryDensityKgPerM3, m.ParticleDensityKgPerM3)
	}
	if m.BedVoidRatioPermille == 0 {
		m.BedVoidRatioPermille = DefaultBedVoidRatioPermille
	}
	return m
}

// reckon tries what the entry offers, best first, until something is possible. The
// next possible one is returned for comparison when it is independent of the first.
func (f *fold) reckon(e *reports.Entry, b events.LoadCollected, m events.Material) (reckoning, *Comparison) {
	var best, next *reckoning
	keep := func(r reckoning, ok bool) {
		switch {
		case !ok:
		case best == nil:
			best = &r
		case next == nil:
			next = &r
		}
	}
	alone := true
	if b.SlurryVolume != nil && b.SlurryMass != nil {
		keep(f.byVolumeAndMass(e, b, m))
		alone = best == nil
	}
	if b.Bank != nil {
		keep(f.byBank(e, b, m))
	}
	if b.SlurryMass != nil && alone {
		keep(byMass(*b.SlurryMass, m), true)
	}
	if b.SlurryVolume != nil && alone {
		keep(byVolume(*b.SlurryVolume, m), true)
	}
	if best == nil { // a bank that was refused, and nothing else
		soil, basis := bankSoil(b, m)
		mass := events.Mass{MassG: mulDiv(soil.VolumeML, soil.BulkDensityGPerM3, 1_000_000) + jettingML(b), Basis: basis}
		keep(byMass(mass, m), true)
	}
	if best.method == ByMassAlone || best.method == ByVolumeAlone {
		f.findDaily(reports.AssumedDensity, e, string(b.Material), "loads of %s rest on its typical slurry density, %d kg/m³", b.Material, m.SlurryDensityKgPerM3)
	}
	if next == nil {
		return *best, nil
	}
	return *best, &Comparison{next.method, next.SolidsG, next.WaterG}
}

func (f *fold) byVolumeAndMass(e *reports.Entry, b events.LoadCollected, m events.Material) (reckoning, bool) {
	v, mass := *b.SlurryVolume, *b.SlurryMass
	p, err := PhasesOfVolumeAndMass(v.VolumeML, mass.MassG, m.ParticleDensityKgPerM3)
	if err != nil {
		f.find(reports.ImpossibleDensity, e, "%s L weighing %s kg can not be slurry of %s, whose particles are of %d kg/m³; the next best figures are used",
			litres(v.VolumeML), litres(mass.MassG), b.Material, m.ParticleDensityKgPerM3)
		return reckoning{}, false
	}
	d := doubt{mass: stated(mass.ToleranceG, mass.MassG), volume: stated(v.ToleranceML, v.VolumeML)}
	d.solids = d.mass.plus(d.volume).ofSolids(m.ParticleDensityKgPerM3)
	return reckoning{ByVolumeAndMass, p, events.Weaker(v.Basis, mass.Basis), d}, true
}

func (f *fold) byBank(e *reports.Entry, b events.LoadCollected, m events.Material) (reckoning, bool) {
	soil, basis := bankSoil(b, m)
	state, err := SoilPhases(soil)
	if err != nil {
		f.find(reports.ImpossibleSaturation, e, "soil of %s at %d kg/m³ with %d per mille of moisture would fill its voids more than whole; the next best figures are used",
			b.Material, soil.BulkDensityGPerM3/1000, soil.MoisturePPM/1000)
		return reckoning{}, false
	}
	d := bankDoubt(b, state.Phases, m.ParticleDensityKgPerM3)
	state.WaterG += jettingML(b)
	if b.Bank.BulkDensityGPerM3 == 0 {
		f.findDaily(reports.AssumedDensity, e, "bank "+string(b.Material), "loads of %s rest on a typical bank density, %d kg/m³", b.Material, soil.BulkDensityGPerM3/1000)
	}
	return reckoning{ByBankSoil, state.Phases, basis, d}, true
}

// bankDoubt returns how certain a load is whose soil was known by its bank volume:
// that volume and the jetting water, each by its own tolerance. Its solids are as
// certain as the bank volume, for jetting water has none.
func bankDoubt(b events.LoadCollected, soil Phases, particleKgPerM3 int64) doubt {
	v := b.Bank.Volume
	s := stated(v.ToleranceML, v.VolumeML)
	d := doubt{s.scaled(soil.MassG(), v.VolumeML), s.scaled(soil.VolumeML(particleKgPerM3), v.VolumeML), s.scaled(soil.SolidsG, v.VolumeML)}
	if b.JettingWater != nil {
		d = d.plus(waterDoubt(b.JettingWater.ToleranceML, b.JettingWater.VolumeML))
	}
	return d
}

// bankSoil fills the entry's bank in from the material.
func bankSoil(b events.LoadCollected, m events.Material) (Soil, events.Basis) {
	s := Soil{VolumeML: b.Bank.Volume.VolumeML, BulkDensityGPerM3: b.Bank.BulkDensityGPerM3,
		MoisturePPM: m.MoisturePermille * 1000, ParticleDensityKgPerM3: m.ParticleDensityKgPerM3}
	basis := events.Weaker(b.Bank.Volume.Basis, events.Derived)
	if b.Bank.MoisturePPM == nil || s.BulkDensityGPerM3 == 0 {
		basis = events.Assumed
	}
	if s.BulkDensityGPerM3 == 0 {
		s.BulkDensityGPerM3 = m.BankDensityKgPerM3 * 1000
	}
	if s.BulkDensityGPerM3 == 0 {
		s.BulkDensityGPerM3, s.MoisturePPM = DefaultBankDensityKgPerM3*1000, cmp.Or(s.MoisturePPM, DefaultMoisturePPM)
	}
	if b.Bank.MoisturePPM != nil {
		s.MoisturePPM = *b.Bank.MoisturePPM
	}
	return s, basis
}

// byMass knows the mass by its own tolerance; a stated one does not say how good the
// typical density is, which counts as good to the usual part. The solids hang on both,
// stated or not.
func byMass(mass events.Mass, m events.Material) reckoning {
	p := PhasesOfMass(mass.MassG, m.SlurryDensityKgPerM3, m.ParticleDensityKgPerM3)
	volumeML := p.VolumeML(m.ParticleDensityKgPerM3)
	s := stated(mass.ToleranceG, mass.MassG)
	d := doubt{s, s.scaled(volumeML, mass.MassG), s.scaled(p.SolidsG, mass.MassG)}
	d.solids = d.solids.plus(usually(volumeML).ofSolids(m.ParticleDensityKgPerM3))
	if mass.ToleranceG > 0 {
		d.volume = d.volume.plus(usually(volumeML))
	}
	return reckoning{ByMassAlone, p, events.Assumed, d}
}

// byVolume knows the volume by its own tolerance, and the mass as byMass the volume.
func byVolume(v events.Volume, m events.Material) reckoning {
	p := PhasesOfVolume(v.VolumeML, m.SlurryDensityKgPerM3, m.ParticleDensityKgPerM3)
	s := stated(v.ToleranceML, v.VolumeML)
	d := doubt{s.scaled(p.MassG(), v.VolumeML), s, s.scaled(p.SolidsG, v.VolumeML)}
	d.solids = d.solids.plus(usually(p.MassG()).ofSolids(m.ParticleDensityKgPerM3))
	if v.ToleranceML > 0 {
		d.mass = d.mass.plus(usually(p.MassG()))
	}
	return reckoning{ByVolumeAlone, p, events.Assumed, d}
}

func jettingML(b events.LoadCollected) int64 {
	if b.JettingWater == nil {
		return 0
	}
	return b.JettingWater.VolumeML
}
