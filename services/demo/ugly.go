package demo

import (
	"spoilbook/events"
)

// ugly is a day that departs from the ordinary. An empty script leaves the day's
// usual work in place.
type ugly struct {
	date   string
	truck  events.TruckID
	at     string // local start, when not the usual
	note   string // what the batch is called beside truck and date
	held   string // publish after this date's batches
	repeat int    // publish the last so many events again
	script func(*crew)
}

// uglyDays lists them by date.
func uglyDays() []ugly {
	return []ugly{
		{date: "2026-10-02", truck: "TM-01", script: twoJobsOneTank},
		{date: "2026-10-05", truck: "TM-01", script: typedWrong},
		{date: "2026-10-06", truck: "TM-03", script: decantSavesTrip},
		{date: "2026-10-07", truck: "TM-02", script: leftOvernight},
		{date: "2026-10-08", truck: "TM-01", script: docketOff},
		{date: "2026-10-08", truck: "TM-02", script: tippedNextMorning},
		{date: "2026-10-09", truck: "TM-03", script: docketLate},
		{date: "2026-10-12", truck: "TM-01", repeat: 3},
		{date: "2026-10-12", truck: "TM-03", script: twoFacilities},
		{date: "2026-10-13", truck: "TM-02", script: docketNever},
		{date: "2026-10-13", truck: "TM-03", script: hotOil},
		{date: "2026-10-14", truck: "TM-01", script: stopByClient},
		{date: "2026-10-14", truck: "TM-02", note: "no signal, sent late", held: "2026-10-16"},
		{date: "2026-10-15", truck: "TM-03", script: stopUnexplained},
		{date: "2026-10-16", truck: "TM-03", script: enteredTwice},
		{date: "2026-10-19", truck: "TM-01", script: forgottenCare},
		{date: "2026-10-19", truck: "TM-02", script: longStandby},
		{date: "2026-10-20", truck: "TM-02", script: permitExpired},
		{date: "2026-10-20", truck: "TM-03", script: rinsedTank},
		{date: "2026-10-21", truck: "TM-01", script: decantToDitch},
		{date: "2026-10-22", truck: "TM-01", script: overCap},
		{date: "2026-10-22", truck: "TM-03", script: refusedTooWet},
		{date: "2026-10-23", truck: "TM-02", script: noBackflow},
		{date: "2026-10-24", truck: "TM-01", at: "21:40", note: "night shift across the clock change", script: nightShift},
		{date: "2026-10-26", truck: "TM-03", note: "on the bank holiday", script: bankHoliday},
		{date: "2026-10-27", truck: "TM-02", script: partReturned},
		{date: "2026-10-27", truck: "TM-03", script: wetAtLandfill},
		{date: "2026-10-28", truck: "TM-02", script: hazardousMixed},
		{date: "2026-10-29", truck: "TM-01", script: hazardousAlone},
		{date: "2026-10-30", truck: "TM-02", script: noRest},
	}
}

// twoJobsOneTank goes from one job to the next with the tank half full.
func twoJobsOneTank(c *crew) {
	c.toSite("J-101")
	c.dig(2)
	c.decant("O-LAGOON")
	c.leaveSite()
	c.restIfDue()
	c.toSite("J-103")
	c.dig(2)
	c.decant("O-LAGOON")
	c.leaveSite()
	c.restIfDue()
	c.job = "" // the tank is no one job's
	c.haul("F-GORSE")
}

// typedWrong has 2 m3 too much in a load's volume, which makes it lighter than
// water; the office corrects it the next morning.
func typedWrong(c *crew) {
	c.toSite("J-101")
	c.dig(1)
	l := c.loadOf("M-CLAY", byVolumeAndMass)
	c.makeRoom(l)
	c.waterFor(l)
	right := l.body
	l.body.SlurryVolume = levelDifference(right.SlurryVolume.VolumeML + 2_000_000)
	c.collect(l)
	for i := len(c.log) - 1; i >= 0; i-- {
		if e := c.log[i]; e.Kind() == events.KindLoadCollected {
			b, _ := e.Body.(events.LoadCollected)
			right.Start, right.End = b.Start, b.End
			c.marks["typed wrong"] = e
			e.Body = right
			c.marks["typed right"] = e
			break
		}
	}
	c.dig(3)
	c.finish()
}

// decantSavesTrip fits five loads into one tank by draining settled water.
func decantSavesTrip(c *crew) {
	c.toSite("J-103")
	c.way.bankL = [2]int64{760, 820}
	c.dig(3)
	c.decant("O-LAGOON")
	c.dig(1)
	c.decant("O-LAGOON")
	c.dig(1)
	c.finish()
}

// leftOvernight drives home with a full tank, the facility being shut by then.
func leftOvernight(c *crew) {
	c.toSite("J-102")
	c.dig(2)
	c.standby(events.AwaitingClient, "second pit not marked out", 170, 180)
	c.dig(1)
	c.decant("O-SEWER")
}

// tippedNextMorning tips what was left overnight before it digs again.
func tippedNextMorning(c *crew) {
	c.job = "J-102"
	c.haul("F-FENNICK")
	c.toSite("J-102")
	c.dig(4)
	c.finish()
}

// docketOff gets a docket 14 % above the account.
func docketOff(c *crew) {
	c.toSite("J-101")
	c.dig(4)
	c.docket = docketPlan{permille: 1140}
	c.haul("F-BRINE")
}

// docketLate gets its docket ten days later.
func docketLate(c *crew) {
	c.toSite("J-104")
	c.dig(3)
	c.docket = docketPlan{days: 10}
	c.finish()
}

// docketNever gets none.
func docketNever(c *crew) {
	c.toSite("J-102")
	c.dig(3)
	c.docket = docketPlan{never: true}
	c.finish()
}

// twoFacilities tips a part here and the rest there.
func twoFacilities(c *crew) {
	c.toSite("J-103")
	c.dig(4)
	c.decant("O-LAGOON")
	c.restIfDue()
	c.haulPart("F-GORSE", tipping{ppm: 600_000})
	c.haul("F-FENNICK")
}

// permitExpired tips at the soil recovery four days after its permit ran out.
func permitExpired(c *crew) {
	c.toSite("J-102")
	c.dig(4)
	c.way.facility = "F-FENNICK"
	c.finish()
}

// rinsedTank flushes the suction line into the tank, water that no load brought.
func rinsedTank(c *crew) {
	c.toSite("J-104")
	c.dig(2)
	c.rinse(120_000)
	c.dig(1)
	c.finish()
}

// decantToDitch lets water into a ditch for which nobody has a consent.
func decantToDitch(c *crew) {
	c.toSite("J-101")
	c.dig(3)
	c.decantPart("O-DITCH", 70)
	c.dig(2)
	c.finish()
}

// refusedTooWet is turned away at the landfill's gate and goes to the treatment.
func refusedTooWet(c *crew) {
	c.toSite("J-103")
	c.way.outfall = "" // the lagoon is over its consent and shut
	c.dig(3)
	c.refusedAt("F-GORSE", events.RefusedTooWet, "liquid came through the paint filter")
	c.restIfDue()
	c.haul("F-BRINE")
}

// partReturned gets a part of its tip back, for plastic was found in it, and takes
// that to the landfill.
func partReturned(c *crew) {
	c.toSite("J-102")
	c.dig(3)
	c.decant("O-SEWER")
	c.restIfDue()
	c.haulPart("F-FENNICK", tipping{back: 60_000})
	c.restIfDue()
	c.haul("F-GORSE")
}

// wetAtLandfill tips undrained slurry at a landfill, untested.
func wetAtLandfill(c *crew) {
	c.toSite("J-103")
	c.way.outfall = "" // the lagoon is shut for the day
	c.dig(3)
	c.haulPart("F-GORSE", tipping{noTest: true})
}

// hazardousMixed takes a tar-bound layer and clean sub-base into one tank.
func hazardousMixed(c *crew) {
	c.toSite("J-106")
	c.dig(2)
	c.leaveSite()
	c.restIfDue()
	c.toSite("J-103")
	c.way.outfall = ""
	c.dig(1)
	c.leaveSite()
	c.restIfDue()
	c.job = ""
	c.haul("F-BRINE")
}

// hazardousAlone does the same work as it should be done.
func hazardousAlone(c *crew) {
	c.toSite("J-106")
	c.dig(4)
	c.restIfDue()
	c.haul("F-BRINE")
	c.emit(events.FromCrew, events.CareRecorded{Task: events.TankWashed, Note: "after hazardous load, wash water left at the facility"})
}
