package tank

import (
	"spoilbook/events"
	"spoilbook/reports"
)

// decant drains the debris tank: clear water from all parcels in proportion to
// their water and, when the entry says that it ran turbid, solids in proportion to
// their solids. More than the free water is recorded as stated, with a finding; what
// the tank did not hold comes out of unaccounted.
func (f *fold) decant(e *reports.Entry, b events.WaterDecanted) {
	if b.Outfall != "" {
		if _, ok := f.journal.Book.Outfall(b.Outfall, e.Occurred); !ok {
			f.unknown(e, events.OutfallRegister, string(b.Outfall), "its consent is not known")
		}
	}
	d := Decant{Entry: e, Outfall: b.Outfall, VolumeML: b.Volume.VolumeML, FreeWaterML: f.held.freeML()}
	d.LikeSolidsG, d.LikeSolidsUL = f.solidsMix()
	out := f.turbid(b)
	taken := Phases{min(out.SolidsG, f.held.solidsG), min(out.WaterG, f.held.waterG)}
	d.SolidsG, d.WaterG = out.SolidsG, out.WaterG
	d.UnheldSolidsG, d.UnheldWaterG = out.SolidsG-taken.SolidsG, out.WaterG-taken.WaterG
	overFree := f.overFree(b.Volume.VolumeML, out.SolidsG)
	f.sinceEmpty = append(f.sinceEmpty, len(f.account.Decants))
	t := &taking{own: f.decantDoubt(b, out), massG: taken.MassG()}
	d.ToleranceML = t.own.volume.root()
	d.Shares = f.removeMixed(taken.SolidsG, taken.WaterG, t)
	to := f.outfall(b.Outfall)
	f.moveShares(e, to, d.Shares)
	f.move(e, Unaccounted, to, d.UnheldSolidsG, d.UnheldWaterG, "decanted beyond what the tank held")
	switch {
	case taken != out:
		f.find(reports.DecantOverHeld, e, "%s L were decanted; the tank held %s L of water, and %s kg come from nowhere",
			litres(d.VolumeML), litres(f.held.waterG+taken.WaterG), litres(d.UnheldSolidsG+d.UnheldWaterG))
	case overFree:
		f.find(reports.DecantOverFree, e, "%s L were decanted; %s L stood free above the settled bed", litres(d.VolumeML), litres(d.FreeWaterML))
	}
	d.After = f.held.summary()
	f.account.Decants = append(f.account.Decants, d)
}

// decantDoubt returns how far what left may be off: the volume by its tolerance, the
// mass in proportion. Solids that left with it are as uncertain, and by how well their
// share was known: suspended solids count as good to the usual part of them, a density
// to the usual part of the mass, of which the solids are what exceeds water; neither to
// less than nothing. Water that is called clear counts as clear.
func (f *fold) decantDoubt(b events.WaterDecanted, out Phases) doubt {
	v := b.Volume
	s := stated(v.ToleranceML, v.VolumeML)
	d := doubt{s.scaled(out.MassG(), v.VolumeML), s, 0}
	if out.SolidsG == 0 {
		return d
	}
	share := usual(out.SolidsG)
	if b.SuspendedSolidsMGPerL == nil {
		mixG, mixUL := f.solidsMix()
		share = min(out.SolidsG, mulDiv(usual(out.MassG())*1000, mixG, mixG*1000-mixUL))
	}
	d.solids = s.scaled(out.SolidsG, v.VolumeML)
	d.solids.add(share)
	return d
}

// turbid splits a decanted volume into solids and water. Suspended solids say it
// directly; a density says it through the particle density of the solids in the
// tank; otherwise the water is clear. It is so too when the tank holds no solids by
// the account: what left contradicts the account and is not to be hidden.
func (f *fold) turbid(b events.WaterDecanted) Phases {
	mixG, mixUL := f.solidsMix()
	var solidsG int64
	switch {
	case b.SuspendedSolidsMGPerL != nil:
		solidsG = mulDiv(b.Volume.VolumeML, *b.SuspendedSolidsMGPerL, 1_000_000)
	case b.DensityGPerM3 != nil:
		// s - (volume of s) = M - V, in grams and millilitres.
		massG := mulDiv(b.Volume.VolumeML, *b.DensityGPerM3, 1_000_000)
		solidsG = max(0, mulDiv((massG-b.Volume.VolumeML)*1000, mixG, mixG*1000-mixUL))
	}
	return Phases{solidsG, max(0, b.Volume.VolumeML-f.solidsML(solidsG))}
}

// solidsMix returns a mass and a volume, in microlitres, of solids like those that
// the tank holds, or of the default particle density when it holds none.
func (f *fold) solidsMix() (massG, volumeUL int64) {
	if f.held.solidsG == 0 {
		return DefaultParticleDensityKgPerM3, 1_000_000
	}
	return f.held.solidsG, f.held.solidsUL
}

// solidsML returns the volume of solids like those that the tank holds.
func (f *fold) solidsML(solidsG int64) int64 {
	mixG, mixUL := f.solidsMix()
	return roundML(mulDiv(solidsG, mixUL, mixG))
}

// overFree reports whether what a decant leaves is less than the settled bed of the
// solids that it leaves. For a clear decant that is more than the free water.
func (f *fold) overFree(volumeML, solidsG int64) bool {
	bedUL := f.held.bedUL
	if f.held.solidsG > 0 {
		bedUL -= mulDiv(f.held.bedUL, min(solidsG, f.held.solidsG), f.held.solidsG)
	}
	return f.held.volumeUL()-volumeML*1000 < bedUL
}
