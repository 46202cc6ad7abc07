package demo

import "spoilbook/events"

// filterChange is the day of the month on which TM-02 got a new final filter;
// until then it blocks a little more each day.
const filterChange = 21

// morningCare records the daily checks with their gauges.
func (c *crew) morningCare() {
	c.pass(1, 3)
	c.emit(events.FromCrew, events.CareRecorded{Task: events.StrainerChecked})
	c.pass(1, 3)
	before := c.between(22, 25)
	after := before + c.filterLossKPa()
	check := events.CareRecorded{Task: events.FinalFilterCheck, BeforeFilterKPa: &before, AfterFilterKPa: &after}
	if c.truck == "TM-02" && c.clock.Day() == filterChange {
		check.FilterDamaged, check.Note = true, "torn at the seam; not refitted, new filter fitted"
	}
	c.emit(events.FromCrew, check)
	c.pass(0, 1)
	oil := c.between(14, 24)
	c.emit(events.FromCrew, events.CareRecorded{Task: events.OilChecked, OilDegC: &oil})
}

// filterLossKPa is what the final filter costs: its gauges disagree by that.
func (c *crew) filterLossKPa() int64 {
	if day := int64(c.clock.Day()); c.truck == "TM-02" && day <= filterChange {
		return 1 + day/2
	}
	return c.between(0, 2)
}
