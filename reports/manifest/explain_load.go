package manifest

import (
	"fmt"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// load explains the solids and the water of a load by the relation that its method
// goes by, and returns its name.
func (x *exposition) load(l *tank.Load) string {
	name := fmt.Sprintf("the load of %s", x.clock(l.Entry.Occurred))
	body, _ := l.Entry.Body.(events.LoadCollected)
	reads := fmt.Sprintf("particle density %d kg/m³", l.ParticleDensityKgPerM3)
	switch l.Method {
	case tank.ByVolumeAndMass:
		x.byVolumeAndMass(name, l, body)
	case tank.ByBankSoil:
		x.byBank(name, l)
		reads += fmt.Sprintf(", in the ground %s kg/m³ at %s moisture of the dry mass", plain(l.Soil.BulkDensityGPerM3, 3), percentOf(l.Soil.MoisturePPM))
	default:
		x.byTypicalDensity(name, l, body)
		reads += fmt.Sprintf(", typical slurry density %d kg/m³", l.SlurryDensityKgPerM3)
	}
	x.Read(x.r.journal, events.MaterialRegister, string(l.Material), l.Entry.Occurred, reads)
	if l.LostML > 0 {
		x.step("jetting water of "+name+" that was not recovered: used less the load's water", fmt.Sprintf("%s − %s", num(l.JettingML), num(l.WaterG)), inL(l.LostML), l.Entry.Positions)
	}
	x.loadCertainty(name, l, body)
	return name
}

func percentOf(ppm int64) string { return plain(ppm, 4) + " %" }

// from tells whose a load is.
func from(l *tank.Load) string {
	return fmt.Sprintf(" (%s, %s, by %s)", l.Job, l.Material, l.Method)
}

func (x *exposition) byVolumeAndMass(name string, l *tank.Load, b events.LoadCollected) {
	cites := l.Entry.Positions
	x.step(name+from(l)+", solids: (mass − volume × 1 kg/L) × particle density ÷ (particle density − 1000)",
		fmt.Sprintf("(%s − %s) × %d ÷ (%d − 1000)", num(b.SlurryMass.MassG), num(b.SlurryVolume.VolumeML), l.ParticleDensityKgPerM3, l.ParticleDensityKgPerM3), inKg(l.SolidsG), cites)
	x.step(name+", water: mass − solids", fmt.Sprintf("%s − %s", num(b.SlurryMass.MassG), num(l.SolidsG)), inKg(l.WaterG), cites)
	x.Follow("HEC-RAS Non-Newtonian reference manual, mixture density", "Slurry of a known volume and mass: the volume of solids is (M − ρw V) ÷ (ρs − ρw).")
}

func (x *exposition) byBank(name string, l *tank.Load) {
	s, cites := l.Soil, l.Entry.Positions
	soil := reports.MulDiv(s.VolumeML, s.BulkDensityGPerM3, 1_000_000)
	x.step(name+from(l)+", soil as it was dug: bank volume × density", fmt.Sprintf("%s × %s ÷ 1000", num(s.VolumeML), plain(s.BulkDensityGPerM3, 3)), inKg(soil), cites)
	x.step(name+", solids: mass of soil ÷ (1 + moisture)", fmt.Sprintf("%s ÷ (1 + %s)", num(soil), plain(s.MoisturePPM, 6)), inKg(l.SolidsG), cites)
	x.step(name+", water: mass of soil − solids + jetting water", fmt.Sprintf("%s − %s + %s", num(soil), num(l.SolidsG), num(l.JettingML)), inKg(l.WaterG), cites)
	x.Follow("Das, Principles of Geotechnical Engineering, from memory", "Soil in the ground has solids m ÷ (1 + w), w being water over dry solids (ASTM D2216); its air stays in the ground.")
}

func (x *exposition) byTypicalDensity(name string, l *tank.Load, b events.LoadCollected) {
	cites := l.Entry.Positions
	mass := l.MassG()
	switch {
	case l.Method == tank.ByVolumeAlone:
		x.step(name+from(l)+", mass: volume × typical density", fmt.Sprintf("%s × %d ÷ 1000", num(b.SlurryVolume.VolumeML), l.SlurryDensityKgPerM3), inKg(mass), cites)
	case b.SlurryMass == nil: // a bank that no soil can have, and nothing else
		x.step(name+from(l)+", mass: bank volume × density + jetting water", fmt.Sprintf("%s × %s ÷ 1000 + %s", num(l.Soil.VolumeML), plain(l.Soil.BulkDensityGPerM3, 3), num(l.JettingML)), inKg(mass), cites)
	default:
		x.step(name+from(l)+", mass as entered", num(b.SlurryMass.MassG), inKg(mass), cites)
	}
	x.step(name+", solids of slurry of the typical density", fmt.Sprintf("%s × (%d − 1000) × %d ÷ (%d × (%d − 1000))", num(mass), l.SlurryDensityKgPerM3, l.ParticleDensityKgPerM3,
		l.SlurryDensityKgPerM3, l.ParticleDensityKgPerM3), inKg(l.SolidsG), cites)
	x.step(name+", water: mass − solids", fmt.Sprintf("%s − %s", num(mass), num(l.SolidsG)), inKg(l.WaterG), cites)
	x.Follow("HEC-RAS Non-Newtonian reference manual, mixture density", "The share of solids by mass is ρs (ρm − ρw) ÷ (ρm (ρs − ρw)); the density is the material's typical one, so the basis is assumed.")
}

// loadCertainty explains how good a load's mass is.
func (x *exposition) loadCertainty(name string, l *tank.Load, b events.LoadCollected) {
	what, sum := name+" is good to, two standard uncertainties of its mass", ""
	switch {
	case l.Method == tank.ByVolumeAndMass, l.Method == tank.ByMassAlone && b.SlurryMass != nil:
		sum = good(b.SlurryMass.ToleranceG, b.SlurryMass.MassG)
	case l.Method == tank.ByMassAlone:
		sum = good(0, l.MassG())
	case l.Method == tank.ByVolumeAlone && b.SlurryVolume.VolumeML > 0:
		sum = fmt.Sprintf("%s × %s ÷ %s", good(b.SlurryVolume.ToleranceML, b.SlurryVolume.VolumeML), num(l.MassG()), num(b.SlurryVolume.VolumeML))
		if b.SlurryVolume.ToleranceML > 0 {
			sum = fmt.Sprintf("rss(%s, %s)", sum, good(0, l.MassG()))
		}
	case l.Method == tank.ByBankSoil && l.Soil.VolumeML > 0:
		soil := reports.MulDiv(l.Soil.VolumeML, l.Soil.BulkDensityGPerM3, 1_000_000)
		sum = fmt.Sprintf("%s × %s ÷ %s", good(b.Bank.Volume.ToleranceML, l.Soil.VolumeML), num(soil), num(l.Soil.VolumeML))
		if b.JettingWater != nil {
			sum = fmt.Sprintf("rss(%s, %s)", sum, good(b.JettingWater.ToleranceML, b.JettingWater.VolumeML))
		}
	default:
		return
	}
	x.step(what, sum, inKg(l.ToleranceG), l.Entry.Positions)
}

// good writes two standard uncertainties of a quantity: of its limit, or the usual part
// of it in whole grams or millilitres.
func good(limit, quantity int64) string {
	if limit > 0 {
		return fmt.Sprintf("2 × %s ÷ sqrt(3)", num(min(limit, quantity)))
	}
	return fmt.Sprintf("round(%s × 0.03 × 1000) ÷ 1000", num(quantity))
}
