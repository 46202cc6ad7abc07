package naive

import (
	"math/big"

	"spoilbook/events"
)

// load adds a parcel, and takes its jetting water from the fresh tank: what the
// slurry holds of it into the debris tank, the rest onto the site.
func (l Ledger) load(t *Tank, out *Outcome, b events.LoadCollected) {
	m := l.material(b.Material, out.Entry.Occurred)
	out.Moved = m.phases(b)
	jetted := zero()
	if b.JettingWater != nil {
		jetted = whole(b.JettingWater.VolumeML)
	}
	inSlurry := smaller(jetted, out.Moved.WaterG)
	out.LostML = sub(jetted, inSlurry)
	t.draw(jetted)
	t.move("fresh-tank", "debris-tank", justWater(inSlurry))
	t.move("fresh-tank", "jetted", justWater(out.LostML))
	t.move("site", "debris-tank", out.Moved.minus(justWater(inSlurry)))
	t.Parcels = append(t.Parcels, Parcel{Amount: out.Moved, Entry: out.Entry.Ref(), Job: out.Entry.Job, Material: b.Material,
		Particle: m.particle, Bed: m.bed})
}

// material is what the register says of a material, or what stands in for it;
// densities are in g/mL. bank is nil where nobody says.
type material struct{ particle, slurry, bank, moisture, bed *big.Rat }

func (l Ledger) material(id events.MaterialID, at events.Time) material {
	m := material{particle: ratio(265, 100), slurry: ratio(14, 10), moisture: zero(), bed: whole(1)}
	doc, ok := l.documentAt(events.MaterialRegister, string(id), at).(events.Material)
	if !ok {
		return m
	}
	m.particle, m.slurry = ratio(doc.ParticleDensityKgPerM3, 1000), ratio(doc.SlurryDensityKgPerM3, 1000)
	if doc.BankDensityKgPerM3 != 0 {
		m.bank = ratio(doc.BankDensityKgPerM3, 1000)
	}
	m.moisture = ratio(doc.MoisturePermille, 1000)
	if doc.BedVoidRatioPermille != 0 {
		m.bed = ratio(doc.BedVoidRatioPermille, 1000)
	}
	return m
}

// phases returns the solids and the water of a load by the best way that can be
// true.
func (m material) phases(b events.LoadCollected) Amount {
	if b.SlurryVolume != nil && b.SlurryMass != nil {
		if a := m.byVolumeAndMass(whole(b.SlurryVolume.VolumeML), whole(b.SlurryMass.MassG)); possible(a) {
			return a
		}
	}
	if b.Bank != nil {
		a, ok := m.byBank(b)
		if ok {
			return a
		}
		if b.SlurryMass == nil && b.SlurryVolume == nil { // its mass still stands
			return m.byMass(a.MassG())
		}
	}
	if b.SlurryMass != nil {
		return m.byMass(whole(b.SlurryMass.MassG))
	}
	volume := whole(b.SlurryVolume.VolumeML)
	return m.byVolumeAndMass(volume, mul(volume, m.slurry))
}

func possible(a Amount) bool { return a.SolidsG.Sign() >= 0 && a.WaterG.Sign() >= 0 }

// byVolumeAndMass solves Vs + Vw = V and rho Vs + Vw = M.
func (m material) byVolumeAndMass(volume, mass *big.Rat) Amount {
	solidsML := quo(sub(mass, volume), sub(m.particle, whole(1)))
	return Amount{mul(solidsML, m.particle), sub(volume, solidsML)}
}

// byMass splits slurry of the typical density.
func (m material) byMass(mass *big.Rat) Amount { return m.byVolumeAndMass(quo(mass, m.slurry), mass) }

// byBank splits soil as it lay in the ground and adds the jetting water; ok is
// false for soil with more water than its voids can hold.
func (m material) byBank(b events.LoadCollected) (a Amount, ok bool) {
	density, moisture := m.bank, m.moisture
	if b.Bank.BulkDensityGPerM3 != 0 {
		density = ratio(b.Bank.BulkDensityGPerM3, 1_000_000)
	}
	if density == nil { // a bank density is assumed together with a moisture
		density = ratio(19, 10)
		if !positive(moisture) {
			moisture = ratio(15, 100)
		}
	}
	if b.Bank.MoisturePPM != nil {
		moisture = ratio(*b.Bank.MoisturePPM, 1_000_000)
	}
	volume := whole(b.Bank.Volume.VolumeML)
	mass := mul(volume, density)
	solids := quo(mass, add(whole(1), moisture))
	water := sub(mass, solids)
	// Of a unit volume, so that the answer does not hang on how much there was.
	unit := quo(density, add(whole(1), moisture))
	ok = mul(unit, moisture).Cmp(sub(whole(1), quo(unit, m.particle))) <= 0
	if b.JettingWater != nil {
		water = add(water, whole(b.JettingWater.VolumeML))
	}
	return Amount{solids, water}, ok
}
