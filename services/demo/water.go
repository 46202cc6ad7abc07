package demo

import (
	"spoilbook/events"
	"spoilbook/reports"
)

// reserveML is what a crew leaves in the fresh tank for washing out.
const reserveML = 250_000

// waterFor refills when the next load would need more than is left.
func (c *crew) waterFor(l load) {
	if c.freshML < l.jetML+reserveML {
		c.refill(c.way.water)
	}
}

// refill fills the fresh tank nearly up. Meter readings are put in when the
// whole month is known, for several trucks draw from one meter.
func (c *crew) refill(source events.WaterSourceID) {
	c.refillWith(source, events.AirGap)
}

func (c *crew) refillWith(source events.WaterSourceID, device events.BackflowDevice) {
	fill := c.unit.FreshCapacityL*c.between(955, 985) - c.freshML
	fill -= fill % 10_000
	if fill < 100_000 {
		return
	}
	c.pass(2, 4)
	minutes := fill / 180_000 // a standpipe gives about 180 L a minute
	start, end := c.span(minutes, minutes+2)
	r := events.WaterRefilled{Start: start, End: end, WaterSource: source, BackflowDevice: device,
		Volume: &events.Volume{VolumeML: fill, Basis: events.Measured, ToleranceML: 40_000, Instrument: "level gauge"}}
	c.emit(events.FromCrew, r)
	c.freshML += fill
	c.pass(1, 3)
}

// use takes fresh water for something other than jetting, as far as there is any.
func (c *crew) use(purpose events.Purpose, ml int64, minutes int64) {
	if c.freshML < ml {
		return
	}
	start, end := c.span(minutes, minutes+2)
	c.emit(events.FromCrew, events.WaterUsed{Start: start, End: end, Purpose: purpose,
		Volume: events.Volume{VolumeML: ml, Basis: events.Derived, Instrument: "nozzle and time"}})
	c.freshML -= ml
}

// rinse flushes the suction line into the debris tank with the door shut.
func (c *crew) rinse(ml int64) {
	if c.freshML < ml || len(c.tank.parcels) == 0 {
		return
	}
	start, end := c.span(2, 4)
	c.emit(events.FromCrew, events.WaterUsed{Start: start, End: end, Purpose: events.ForFlushing, IntoDebrisTank: true,
		Volume: events.Volume{VolumeML: ml, Basis: events.Derived, Instrument: "nozzle and time"}})
	c.freshML -= ml
	c.tank.add(parcel{material: c.tank.parcels[0].material, waterG: ml})
}

// gaugeFresh reads the fresh tank; the reading is the account to 10 L.
func (c *crew) gaugeFresh() {
	c.emit(events.FromController, events.TankGauged{Tank: events.FreshTank, Volume: events.Volume{
		VolumeML: (c.freshML + 5_000) / 10_000 * 10_000, Basis: events.Measured, ToleranceML: 40_000, Instrument: "level gauge"}})
}

// gaugeDebris reads the debris tank, to 10 L and half a percent.
func (c *crew) gaugeDebris() {
	v := reports.MulDiv(c.tank.volumeML(), c.between(995, 1005), 1000)
	v = (v + 5_000) / 10_000 * 10_000
	tolerance := max(80_000, v/50/10_000*10_000)
	c.emit(events.FromController, events.TankGauged{Tank: events.DebrisTank, Volume: events.Volume{
		VolumeML: v, Basis: events.Measured, ToleranceML: tolerance, Instrument: "level gauge"}})
}
