package demo

import (
	"time"

	"spoilbook/events"
)

// visit is an ordinary stay at a job: how many loads are hoped for.
type visit struct {
	job   events.JobID
	loads int
}

// shift is one crew's day with its truck.
type shift struct {
	date         string
	at           string // local start
	truck        events.TruckID
	driver, mate events.OperatorID
	visits       []visit
	ugly         ugly // what departs from an ordinary day
}

// trucks lists the fleet in the order in which its batches are published.
func trucks() []events.TruckID { return []events.TruckID{"TM-01", "TM-02", "TM-03"} }

// shifts lists the month's shifts by date and truck.
func shifts() []shift {
	list := []shift{}
	special := uglyDays()
	for day := time.Date(2026, 10, 1, 0, 0, 0, 0, time.UTC); day.Month() == time.October; day = day.AddDate(0, 0, 1) {
		for _, truck := range trucks() {
			s := ordinary(day, truck)
			for _, u := range special {
				if u.date == s.date && u.truck == truck {
					s.ugly = u
				}
			}
			if s.ugly.at != "" {
				s.at = s.ugly.at
			}
			if len(s.visits) > 0 || s.ugly.script != nil {
				list = append(list, s)
			}
		}
	}
	return list
}

// ordinary is the roster: who drives, from when, to which jobs.
func ordinary(day time.Time, truck events.TruckID) shift {
	s := shift{date: day.Format(time.DateOnly), truck: truck}
	switch truck {
	case "TM-01":
		s.at, s.driver, s.mate = "06:30", "OP-1", "OP-2"
	case "TM-02":
		s.at, s.driver, s.mate = "07:00", "OP-3", "OP-4"
	default:
		s.at, s.driver, s.mate = "07:30", "OP-5", "OP-6"
	}
	if day.Day()%9 == 4 { // the mate drives now and then
		s.driver, s.mate = s.mate, s.driver
	}
	if !holiday(s.date) {
		s.visits = usual(truck, day)
	}
	return s
}

func holiday(date string) bool { return date == "2026-10-26" }

// usual is a truck's week.
func usual(truck events.TruckID, day time.Time) []visit {
	weekday := day.Weekday()
	if weekday == time.Saturday {
		return saturday(truck, day.Day())
	}
	week := map[events.TruckID]map[time.Weekday][]visit{
		"TM-01": {
			time.Monday: {{"J-101", 6}}, time.Tuesday: {{"J-101", 5}}, time.Wednesday: {{"J-103", 5}},
			time.Thursday: {{"J-101", 3}, {"J-103", 3}}, time.Friday: {{"J-101", 6}},
		},
		"TM-02": {
			time.Monday: {{"J-102", 6}}, time.Tuesday: {{"J-102", 3}, {"J-104", 2}}, time.Wednesday: {{"J-102", 6}},
			time.Thursday: {{"J-102", 5}}, time.Friday: {{"J-102", 6}},
		},
		"TM-03": {
			time.Monday: {{"J-103", 6}}, time.Tuesday: {{"J-104", 5}}, time.Wednesday: {{"J-101", 6}},
			time.Thursday: {{"J-103", 5}}, time.Friday: {{"J-104", 2}, {"J-103", 3}},
		},
	}
	return week[truck][weekday]
}

// saturday is who works on which Saturday.
func saturday(truck events.TruckID, day int) []visit {
	switch {
	case truck == "TM-01" && (day == 3 || day == 17):
		return []visit{{"J-101", 4}}
	case truck == "TM-03" && (day == 10 || day == 31):
		return []visit{{"J-103", 4}}
	}
	return nil
}

// work goes through the shift, from the yard back to the yard.
func (c *crew) work(s shift, zone *time.Location) {
	c.start(local(s.date, s.at, zone), s.driver, s.mate)
	if s.ugly.script != nil {
		s.ugly.script(c)
	} else {
		c.visit(s.visits)
	}
	c.home()
}

// visit goes to each job in turn and empties the tank between them.
func (c *crew) visit(list []visit) {
	for i, v := range list {
		c.toSite(v.job)
		if c.chance(30) {
			c.ordinaryStandby()
		}
		for n := 0; n < v.loads && c.clock.Hour() < 15; n++ {
			c.restIfDue()
			l := c.nextLoad()
			if c.clock.Hour() >= 12 && !c.fits(l, 0) && !c.fits(l, c.drainable()) {
				break // too late for a second trip
			}
			c.put(l)
		}
		c.finish()
		if i < len(list)-1 {
			c.restIfDue()
		}
	}
}

// finish drains what can be drained and hauls the tank away.
func (c *crew) finish() {
	if len(c.tank.parcels) == 0 {
		return
	}
	if c.way.outfall != "" && c.tank.freeML() >= 700_000 {
		c.decant(c.way.outfall)
	}
	c.restIfDue()
	c.haul(c.way.facility)
}

func (c *crew) ordinaryStandby() {
	causes := []struct {
		cause events.StandbyCause
		note  string
	}{
		{events.AwaitingClient, "site foreman marking out"},
		{events.AwaitingAccess, "gate locked"},
		{events.AwaitingTraffic, "cones and signs not yet out"},
		{events.AwaitingUtilities, "cable route being scanned"},
		{events.Weather, "hail"},
		{events.OwnCrew, "hose coupling fetched"},
	}
	pick := causes[c.rng.IntN(len(causes))]
	c.standby(pick.cause, pick.note, 8, 18)
}
