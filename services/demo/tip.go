package demo

import (
	"fmt"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// tip is a tip that the office expects a docket for.
type tip struct {
	ref      events.Ref
	truck    events.TruckID
	job      events.JobID
	facility events.FacilityID
	at       events.Time // start
	massG    int64       // by the record
	freshML  int64       // aboard when weighed
	assumed  bool
	plan     docketPlan
}

// docketPlan says what is unusual about a docket. The zero plan is a docket that
// comes on the next working day and agrees.
type docketPlan struct {
	never    bool
	days     int   // after the tip; 0 for the next working day
	permille int64 // of the mass by the record; 0 for about all of it
}

// tipping says how a tip departs from the whole tank with a passed test.
type tipping struct {
	ppm    int64 // part of the contents; 0 for the whole tank
	noTest bool  // no free-liquids test where the facility is a landfill
	back   int64 // part of what was tipped that the facility gives back, in ppm
}

// decant drains most of the free water to an outfall, once it has settled.
func (c *crew) decant(outfall events.OutfallID) {
	c.decantPart(outfall, c.between(80, 86))
}

func (c *crew) decantPart(outfall events.OutfallID, percentOfFree int64) {
	ml := c.tank.freeML() * percentOfFree / 100 / 10_000 * 10_000
	c.pass(8, 14) // settling
	minutes := ml / 260_000
	start, end := c.span(minutes+1, minutes+4)
	d := events.WaterDecanted{Start: start, End: end, Outfall: outfall,
		Volume: events.Volume{VolumeML: ml, Basis: events.Measured, ToleranceML: 60_000, Instrument: "level gauge"}}
	ntu := c.turbidityMilliNTU()
	ss, ph := ntu*8/5/1000, c.between(690, 820)
	d.SuspendedSolidsMGPerL, d.PHHundredths = &ss, &ph
	if outfall != "O-SEWER" {
		d.TurbidityMilliNTU = &ntu
	}
	c.emit(events.FromCrew, d)
	c.tank.drain(ml)
	c.pass(2, 4)
}

// turbidityMilliNTU is what the meter shows: heavy rain from 19 to 23 October
// made everything run turbid.
func (c *crew) turbidityMilliNTU() int64 {
	if day := c.clock.Day(); day >= 19 && day <= 23 {
		return c.between(520, 780) * 100
	}
	return c.between(220, 430) * 100
}

// haul leaves the site, tips the whole tank at a facility and washes out.
func (c *crew) haul(f events.FacilityID) { c.haulPart(f, tipping{}) }

func (c *crew) haulPart(f events.FacilityID, how tipping) {
	if c.onSite {
		c.leaveSite()
	}
	c.pass(18, 32)
	c.emit(events.FromCrew, events.FacilityArrived{Facility: f})
	c.pass(4, 16)
	if c.chance(60) {
		c.gaugeDebris()
		c.pass(1, 2)
	}
	brought := slices.Clone(c.tank.parcels)
	c.tipAt(f, how)
	if how.back != 0 {
		c.takeBack(f, brought, how.back)
	}
	c.pass(1, 3)
	c.emit(events.FromCrew, events.CareRecorded{Task: events.SeparatorEmptied})
	c.use(events.ForWashing, c.between(8, 16)*10_000, 4)
	if f == "F-BRINE" && c.truck != "TM-01" && c.freshML < c.unit.FreshCapacityL*500 {
		c.refill("W-RECYCLED")
	}
	c.pass(1, 4)
	c.emit(events.FromCrew, events.FacilityLeft{Facility: f})
}

func (c *crew) tipAt(f events.FacilityID, how tipping) {
	facility, _ := c.book.Facility(f, c.now())
	c.notes++
	t := events.SpoilTipped{Facility: f, Consignment: fmt.Sprintf("TG%s-%04d", string(c.truck[3:]), c.notes)}
	ppm := int64(1_000_000)
	if how.ppm != 0 {
		ppm, t.PortionPPM = how.ppm, how.ppm
	} else {
		t.Whole = true
	}
	if facility.Class == events.LandfillClass && !how.noTest {
		t.FreeLiquidsTest = &events.FreeLiquidsTest{Method: "EPA Method 9095B, paint filter", Passed: true}
	}
	t.Start, t.End = c.span(9, 14)
	e := c.emit(events.FromCrew, t)
	c.tips = append(c.tips, tip{ref: e.Ref(), truck: c.truck, job: c.job, facility: f, at: t.Start,
		massG: c.tank.take(ppm), freshML: c.freshML, assumed: c.assumed, plan: c.docket})
	c.docket = docketPlan{}
	if how.ppm == 0 {
		c.assumed = false
	}
}

// takeBack sucks up again a part of the tip just made, in which the facility found
// what it may not take.
func (c *crew) takeBack(f events.FacilityID, brought []parcel, ppm int64) {
	c.pass(5, 9)
	c.emit(events.FromController, events.PumpEngaged{Pump: events.VacuumPump})
	start, end := c.span(9, 13)
	c.emit(events.FromController, events.PumpDisengaged{Pump: events.VacuumPump})
	c.emit(events.FromCrew, events.SpoilReturned{Start: start, End: end, Tip: c.tips[len(c.tips)-1].ref, Facility: f,
		Reason: events.RefusedContents, PortionPPM: ppm, Note: "lengths of plastic duct and cable in it"})
	for _, p := range brought {
		p.solidsG, p.waterG = reports.MulDiv(p.solidsG, ppm, 1_000_000), reports.MulDiv(p.waterG, ppm, 1_000_000)
		c.tank.add(p)
	}
}

// refusedAt drives to a facility that refuses the load at its gate.
func (c *crew) refusedAt(f events.FacilityID, reason events.RefusalReason, note string) {
	if c.onSite {
		c.leaveSite()
	}
	c.pass(18, 32)
	c.emit(events.FromCrew, events.FacilityArrived{Facility: f})
	c.pass(6, 14)
	c.emit(events.FromCrew, events.SpoilRefused{Facility: f, Reason: reason, Note: note})
	c.pass(2, 4)
	c.emit(events.FromCrew, events.FacilityLeft{Facility: f})
}
