package tank

// solidsUL returns the volume of a parcel's solids in microlitres, fine enough
// that a tank of thousands of parcels is still right to the millilitre.
func (p *Parcel) solidsUL() int64 { return solidsUL(p.SolidsG, p.ParticleDensityKgPerM3) }

func solidsUL(solidsG, particleKgPerM3 int64) int64 {
	if solidsG == 0 {
		return 0
	}
	return mulDiv(solidsG, 1000*waterKgPerM3, particleKgPerM3)
}

// totals is the running size of some contents.
type totals struct{ solidsG, waterG, solidsUL, bedUL int64 }

func (t *totals) add(p *Parcel) {
	ul := p.solidsUL()
	t.solidsG += p.SolidsG
	t.waterG += p.WaterG
	t.solidsUL += ul
	t.bedUL += mulDiv(ul, 1000+p.BedVoidRatioPermille, 1000)
}

func (c Contents) totals() totals {
	t := totals{}
	for i := range c {
		t.add(&c[i])
	}
	return t
}

func (t *totals) massG() int64    { return t.solidsG + t.waterG }
func (t *totals) volumeUL() int64 { return t.waterG*1000 + t.solidsUL }
func (t *totals) volumeML() int64 { return roundML(t.volumeUL()) }

func (t *totals) summary() Summary { return Summary{t.solidsG, t.waterG, t.volumeML()} }

// freeML returns the water that stands above the settled bed.
func (t *totals) freeML() int64 { return max(0, t.volumeUL()-t.bedUL) / 1000 }

func roundML(ul int64) int64 { return (ul + 500) / 1000 }

// Summary returns the size of the contents.
func (c Contents) Summary() Summary {
	t := c.totals()
	return t.summary()
}

// MassG returns solids and water together.
func (c Contents) MassG() int64 { return c.Summary().MassG() }

// SolidsG returns the dry mass.
func (c Contents) SolidsG() int64 { return c.Summary().SolidsG }

// WaterG returns the mass of water, which is also its volume in millilitres.
func (c Contents) WaterG() int64 { return c.Summary().WaterG }

// VolumeML returns the volume of solids and water without air.
func (c Contents) VolumeML() int64 { return c.Summary().VolumeML }

// DensityGPerM3 returns mass over volume, or 0 for an empty tank.
func (c Contents) DensityGPerM3() int64 { return c.Summary().DensityGPerM3() }

// FreeWaterML returns the largest clear decant, the water above the settled bed:
// V - Vs (1 + e_bed), each parcel with the bed void ratio of its material.
func (c Contents) FreeWaterML() int64 {
	t := c.totals()
	return t.freeML()
}
