package demo

import "spoilbook/events"

// stopByClient is an emergency stop with cause, inspection, reset and restart.
func stopByClient(c *crew) {
	c.toSite("J-101")
	c.dig(2)
	c.press(events.EmergencyStopPressed{Station: events.StationRear, Attribution: events.ByClient,
		Cause: "client's excavator slewed into the marked zone"})
	c.pass(22, 30)
	c.emit(events.FromCrew, events.EmergencyStopReset{Inspected: true, Note: "zone cleared, hose and boom looked over"})
	c.pass(2, 4)
	c.emit(events.FromController, events.PlantRestarted{})
	c.pass(2, 4)
	c.dig(3)
	c.finish()
}

// stopUnexplained is an emergency stop without cause, and a restart without reset.
func stopUnexplained(c *crew) {
	c.toSite("J-103")
	c.dig(2)
	c.press(events.EmergencyStopPressed{Station: events.StationLeft})
	c.pass(9, 14)
	c.emit(events.FromController, events.PlantRestarted{})
	c.pass(2, 4)
	c.dig(2)
	c.finish()
}

// press stops the plant while the vacuum pump runs.
func (c *crew) press(stop events.EmergencyStopPressed) {
	c.emit(events.FromController, events.PumpEngaged{Pump: events.VacuumPump})
	c.pass(3, 6)
	c.emit(events.FromController, stop)
	c.emit(events.FromController, events.PumpDisengaged{Pump: events.VacuumPump})
}

// hotOil is a plant that shut itself down.
func hotOil(c *crew) {
	c.toSite("J-104")
	c.dig(2)
	hot, cool := int64(81), int64(54)
	c.emit(events.FromController, events.CareRecorded{Task: events.OilChecked, OilDegC: &hot, Note: "plant shut itself down"})
	c.standby(events.Breakdown, "hydraulic oil hot, cooler fan belt replaced", 70, 80)
	c.emit(events.FromController, events.CareRecorded{Task: events.OilChecked, OilDegC: &cool, Note: "after the repair"})
	c.dig(1)
	c.finish()
}

// enteredTwice has a load once from the controller and once more by hand; the
// office voids the second.
func enteredTwice(c *crew) {
	c.toSite("J-103")
	c.dig(2)
	l := c.loadOf("M-ROAD", byVolumeAndMass)
	c.put(l)
	for i := len(c.log) - 1; i >= 0; i-- {
		if e := c.log[i]; e.Kind() == events.KindLoadCollected {
			c.emit(events.FromCrew, e.Body)
			c.mark("entered twice")
			break
		}
	}
	c.pass(2, 4)
	c.finish()
}

// forgottenCare goes home without flushing the vacuum pump.
func forgottenCare(c *crew) {
	c.toSite("J-101")
	c.dig(4)
	c.finish()
	c.unready = true
}

// longStandby waits far beyond the free minutes.
func longStandby(c *crew) {
	c.toSite("J-102")
	c.standby(events.AwaitingTraffic, "lane closure came late", 95, 100)
	c.dig(4)
	c.finish()
}

// overCap draws more from the standpipe than its daily cap: dust is laid too.
func overCap(c *crew) {
	c.toSite("J-101")
	c.dig(3)
	c.refill("W-MAINS-1")
	c.use(events.ForDust, 1_900_000, 24)
	c.refill("W-MAINS-1")
	c.use(events.ForDust, 1_900_000, 24)
	c.refill("W-MAINS-1")
	c.dig(2)
	c.finish()
	c.toSite("J-101")
	c.use(events.ForDust, 1_200_000, 16)
	c.refill("W-MAINS-1")
}

// noBackflow refills at a standpipe without anything against backflow.
func noBackflow(c *crew) {
	c.toSite("J-102")
	c.dig(2)
	c.refillWith("W-MAINS-2", events.NoDevice)
	c.dig(2)
	c.finish()
}

// nightShift works from Saturday evening to Sunday morning, the hour that comes
// twice included.
func nightShift(c *crew) {
	c.toSite("J-105")
	c.standby(events.AwaitingTraffic, "junction not yet closed", 24, 30)
	c.dig(4)
	c.finish()
	c.toSite("J-105")
	c.dig(2)
	c.finish()
}

// bankHoliday is an urgent call on a public holiday.
func bankHoliday(c *crew) {
	c.toSite("J-101")
	c.dig(3)
	c.finish()
}

// noRest works on for more than six hours without a break.
func noRest(c *crew) {
	c.tireless = true
	c.toSite("J-102")
	c.dig(6)
	c.finish()
	c.tireless = false
}
