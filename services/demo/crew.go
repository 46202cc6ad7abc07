package demo

import (
	"fmt"
	"math/rand/v2"
	"time"

	"spoilbook/events"
	"spoilbook/reports/register"
)

// crew works a truck through its days and writes down what the truck and its
// people would. Times only move forward.
type crew struct {
	book   *register.Book
	truck  events.TruckID
	unit   events.Truck
	rng    *rand.Rand
	clock  time.Time
	rested time.Time // end of the last rest, or start of the shift
	driver events.OperatorID
	job    events.JobID
	onSite bool
	way    practice

	tank    tank
	freshML int64
	assumed bool // something in the tank is known by its volume alone

	seq      uint64
	notes    int // consignment notes written
	log      []events.Event
	tips     []tip
	marks    map[string]events.Event // entries that the office will speak of
	docket   docketPlan              // for the next tip
	unready  bool                    // care at the end of the day is forgotten
	tireless bool                    // no rest is taken
}

// emit writes an event that happened now.
func (c *crew) emit(origin events.Origin, body events.Body) *events.Event {
	c.seq++
	c.log = append(c.log, events.Event{
		ID: fmt.Sprintf("%s-%06d", c.truck, c.seq), Source: events.TruckSource(c.truck), Seq: c.seq,
		Occurred: c.now(), Truck: c.truck, Operator: c.driver, Job: c.job, Origin: origin, Body: body,
	})
	return &c.log[len(c.log)-1]
}

func (c *crew) now() events.Time { return events.TimeOf(c.clock) }

// between returns a whole number from min to max.
func (c *crew) between(min, max int64) int64 { return min + c.rng.Int64N(max-min+1) }

// chance is true in percent of cases.
func (c *crew) chance(percent int64) bool { return c.rng.Int64N(100) < percent }

// pass lets min to max minutes go by, to the millisecond.
func (c *crew) pass(min, max int64) {
	ms := time.Duration(min*60_000+c.rng.Int64N((max-min)*60_000+1)) * time.Millisecond
	c.clock = c.clock.Add(ms)
}

// span lets min to max minutes go by and returns the interval.
func (c *crew) span(min, max int64) (start, end events.Time) {
	start = c.now()
	c.pass(min, max)
	return start, c.now()
}

// start begins a shift at a local time: checks, gauges, and water from the yard
// when the tank is low.
func (c *crew) start(at time.Time, driver, mate events.OperatorID) {
	c.clock, c.rested, c.driver, c.job = at, at, driver, ""
	c.pass(0, 3)
	c.emit(events.FromCrew, events.ShiftStarted{Crew: []events.OperatorID{mate}})
	c.pass(6, 9)
	c.emit(events.FromCrew, events.PrestartChecked{Items: prestartItems()})
	c.morningCare()
	c.pass(1, 2)
	c.gaugeFresh()
	c.gaugeDebris()
	if c.freshML < c.unit.FreshCapacityL*700 {
		c.refill("W-YARD")
	}
	c.way = c.practice()
}

func prestartItems() []events.CheckItem {
	names := []string{"tyres, lights and mirrors", "emergency stops: left, right, rear", "tank door seals and locks",
		"hoses and couplings", "jet gun and trigger release", "hydraulic oil level", "warning beacons and signs", "spill kit"}
	items := make([]events.CheckItem, len(names))
	for i, n := range names {
		items[i] = events.CheckItem{Item: n, OK: true}
	}
	return items
}

// toSite drives to a job's site and sets up.
func (c *crew) toSite(job events.JobID) {
	c.pass(16, 32)
	c.job, c.onSite = job, true
	c.way = c.practice()
	e := c.emit(events.FromCrew, events.SiteArrived{})
	e.Place = placeOf(job)
	c.pass(8, 15)
}

// leaveSite packs up and leaves; the job stays the truck's job until the next.
func (c *crew) leaveSite() {
	c.pass(5, 11)
	c.emit(events.FromCrew, events.SiteLeft{})
	c.onSite = false
}

// home returns to the yard and ends the shift.
func (c *crew) home() {
	if c.onSite {
		c.leaveSite()
	}
	c.job = ""
	c.pass(18, 30)
	if !c.unready {
		c.emit(events.FromCrew, events.CareRecorded{Task: events.VacuumPumpFlushed, DurationMS: 2000, Note: "diesel"})
	}
	c.unready = false
	c.pass(3, 6)
	c.emit(events.FromCrew, events.ShiftEnded{})
}

// rest takes a break of min to max minutes.
func (c *crew) rest(min, max int64) {
	c.emit(events.FromCrew, events.RestStarted{})
	c.pass(min, max)
	c.emit(events.FromCrew, events.RestEnded{})
	c.rested = c.clock
}

// restIfDue rests before a stretch of work grows long.
func (c *crew) restIfDue() {
	if !c.tireless && c.clock.Sub(c.rested) >= 3*time.Hour+40*time.Minute {
		c.rest(45, 50)
	}
}

// standby waits for min to max minutes.
func (c *crew) standby(cause events.StandbyCause, note string, min, max int64) {
	c.emit(events.FromCrew, events.StandbyStarted{Cause: cause, Note: note})
	c.pass(min, max)
	c.emit(events.FromCrew, events.StandbyEnded{})
	c.pass(1, 3)
}

// mark keeps the last event for the office under a name.
func (c *crew) mark(name string) { c.marks[name] = c.log[len(c.log)-1] }
