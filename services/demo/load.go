package demo

import (
	"spoilbook/events"
	"spoilbook/reports"
)

// knowledge is how what entered the tank is known.
type knowledge int

const (
	byVolumeAndMass knowledge = iota
	byBank
	byVolume
)

// load is a load about to be collected: what is recorded of it, and the phases
// that follow from the record.
type load struct {
	body  events.LoadCollected
	phase parcel
	jetML int64
	how   knowledge
}

// nextLoad draws a load as the job at hand gives it.
func (c *crew) nextLoad() load {
	how := byVolumeAndMass
	switch roll := c.between(0, 99); {
	case roll >= c.way.bankPercent+c.way.volumePercent:
	case roll >= c.way.bankPercent:
		how = byVolume
	default:
		how = byBank
	}
	return c.loadOf(c.way.material, how)
}

func (c *crew) loadOf(id events.MaterialID, how knowledge) load {
	m, _ := c.book.Material(id, c.now())
	bankML := c.between(c.way.bankL[0], c.way.bankL[1]) / 10 * 10_000
	jetML := bankML * c.between(c.way.jetPercent[0], c.way.jetPercent[1]) / 100 / 10_000 * 10_000
	moisturePPM := (m.MoisturePermille + c.between(-15, 15)) * 1000
	bulkG := reports.MulDiv(bankML, m.BankDensityKgPerM3, 1000)
	p := parcel{material: m, solidsG: reports.MulDiv(bulkG, 1_000_000, 1_000_000+moisturePPM)}
	p.waterG = bulkG - p.solidsG + jetML
	l := load{how: how, jetML: jetML, body: events.LoadCollected{Material: id,
		JettingWater: &events.Volume{VolumeML: jetML, Basis: events.Derived, Instrument: "nozzle pressure and time"}}}
	switch how {
	case byBank:
		l.body.Bank = &events.BankSoil{Volume: events.Volume{VolumeML: bankML, Basis: events.Measured,
			ToleranceML: bankML / 20, Instrument: "tape"}, MoisturePPM: &moisturePPM}
		l.phase = p
	case byVolumeAndMass:
		l.body.SlurryVolume = levelDifference(p.volumeML())
		massG := (p.solidsG + p.waterG + 5_000) / 10_000 * 10_000
		l.body.SlurryMass = &events.Mass{MassG: massG, Basis: events.Measured, ToleranceG: 60_000, Instrument: "load cells"}
		l.phase = phases(m, l.body.SlurryVolume.VolumeML, massG)
	case byVolume:
		l.body.SlurryVolume = levelDifference(p.volumeML())
		v := l.body.SlurryVolume.VolumeML
		l.phase = phases(m, v, reports.MulDiv(v, m.SlurryDensityKgPerM3, 1000))
	}
	return l
}

// levelDifference is a volume as two readings of the tank gauge give it.
func levelDifference(ml int64) *events.Volume {
	return &events.Volume{VolumeML: (ml + 5_000) / 10_000 * 10_000, Basis: events.Measured, ToleranceML: 60_000, Instrument: "level gauge"}
}

// phases splits slurry without air into solids and water: the solids' volume is
// what the mass exceeds that of as much water by, over what a millilitre of
// solids is heavier than one of water.
func phases(m events.Material, ml, massG int64) parcel {
	solidsML := reports.MulDiv(massG-ml, 1000, m.ParticleDensityKgPerM3-1000)
	solidsG := reports.MulDiv(solidsML, m.ParticleDensityKgPerM3, 1000)
	return parcel{material: m, solidsG: solidsG, waterG: massG - solidsG}
}

// dig collects n loads, making room, water and rests as it goes.
func (c *crew) dig(n int) {
	for range n {
		c.restIfDue()
		c.put(c.nextLoad())
	}
}

// put collects a load once there is room and water for it.
func (c *crew) put(l load) {
	c.makeRoom(l)
	c.waterFor(l)
	c.collect(l)
}

// collect sucks a load up with both pumps running.
func (c *crew) collect(l load) {
	c.emit(events.FromController, events.PumpEngaged{Pump: events.VacuumPump})
	c.pass(1, 2)
	c.emit(events.FromController, events.PumpEngaged{Pump: events.JetPump})
	minutes := 8 + l.phase.volumeML()/150_000
	l.body.Start, l.body.End = c.span(minutes, minutes+8)
	c.emit(events.FromController, events.PumpDisengaged{Pump: events.JetPump})
	origin := events.FromController
	if l.how == byBank {
		origin = events.FromCrew
	}
	c.emit(origin, l.body)
	c.freshML -= l.jetML
	c.tank.add(l.phase)
	c.assumed = c.assumed || l.how == byVolume
	c.pass(1, 2)
	c.emit(events.FromController, events.PumpDisengaged{Pump: events.VacuumPump})
	if c.chance(25) {
		c.gaugeDebris()
	}
	c.pass(4, 10)
}

// makeRoom decants when that makes the next load fit, and hauls otherwise.
func (c *crew) makeRoom(l load) {
	if c.fits(l, 0) {
		return
	}
	if room := c.drainable(); room > 0 && c.fits(l, room) {
		c.decant(c.way.outfall)
		return
	}
	job := c.job
	c.restIfDue()
	c.haul(c.way.facility)
	c.restIfDue()
	c.toSite(job)
}

// drainable returns how much of the free water a decant would surely take, 0 when
// it is not worth the wait or there is nowhere to drain to.
func (c *crew) drainable() int64 {
	ml := c.tank.freeML() * 79 / 100
	if c.way.outfall == "" || ml < 500_000 {
		return 0
	}
	return ml
}

// fits reports whether a load fits once less millilitres are drained: in volume,
// in gross mass and on each axle, the fresh tank taken as full.
func (c *crew) fits(l load, lessML int64) bool {
	volume := c.tank.volumeML() + l.phase.volumeML() - lessML
	debrisKg := (c.tank.massG() + l.phase.solidsG + l.phase.waterG - lessML) / 1000
	freshKg := c.unit.FreshCapacityL
	if volume > c.unit.DebrisCapacityL*960 || c.unit.TareKg+freshKg+debrisKg > c.unit.PermittedGrossKg-200 {
		return false
	}
	front, rear := c.unit.Axles[0], c.unit.Axles[1]
	base := rear.FromFrontMM - front.FromFrontMM
	moment := debrisKg*(c.unit.DebrisTankFromFrontMM-front.FromFrontMM) + freshKg*(c.unit.FreshTankFromFrontMM-front.FromFrontMM)
	onRear := moment / base
	return rear.TareKg+onRear <= rear.PermittedKg-150 && front.TareKg+freshKg+debrisKg-onRear <= front.PermittedKg-150
}
