package naive_test

import (
	"pgregory.net/rapid"

	"spoilbook/events"
)

var jobs = []events.JobID{"J-1", "J-2", "J-3"}

func pick[T any](s *teller, label string, of ...T) T {
	return of[evenly(s.t, label, 0, int64(len(of)-1))]
}

// tellDay tells one to three shifts of a truck and the dockets that came after.
func tellDay(t *rapid.T, begin start) *teller {
	s := &teller{t: t, start: begin, now: begin.unixMS}
	s.forgets = pick(s, "forgets", int64(2), 6, 40, 80)
	if s.chance(50) {
		s.gauge(events.FreshTank)
	}
	for range evenly(t, "shifts", 1, 3) {
		s.tellShift()
		s.now += 30*minute + evenly(t, "off", 0, 10*60)*minute
	}
	s.dockets()
	return s
}

func (s *teller) tellShift() {
	if !s.chance(min(s.forgets, 10)) {
		s.say("", events.ShiftStarted{})
	}
	s.now += minute // a shift takes some time
	if s.at != "" && s.chance(60) {
		s.work(s.at) // the visit of the shift before goes on
		s.leave()
	}
	for range evenly(s.t, "blocks", 1, 6) {
		s.wait(50 * minute)
		switch evenly(s.t, "block", 0, 9) {
		case 0, 1, 2, 3:
			job := pick(s, "job", jobs...)
			s.usually(job, events.SiteArrived{})
			s.at = job
			s.work(job)
			s.leave()
		case 4, 5, 6:
			s.facility()
		case 7:
			s.refill()
		case 8:
			s.act("")
		case 9:
			s.idle()
		}
	}
	if s.chance(15) {
		job := pick(s, "job", jobs...)
		s.usually(job, events.SiteArrived{})
		s.at = job
		s.work(job)
	}
	s.wait(40 * minute)
	if !s.chance(min(s.forgets, 20)) {
		s.say("", events.ShiftEnded{})
	}
}

func (s *teller) leave() {
	s.wait(15 * minute)
	s.usually(s.at, events.SiteLeft{})
	s.at = ""
}

// work does what is done at a site.
func (s *teller) work(job events.JobID) {
	for range evenly(s.t, "acts", 0, 8) {
		s.wait(15 * minute)
		s.act(job)
	}
}

func (s *teller) act(job events.JobID) {
	switch evenly(s.t, "act", 0, 13) {
	case 0, 1, 2, 3:
		if job != "" {
			s.load(job)
		}
	case 4, 5, 6:
		s.decant(job)
	case 7:
		s.idle()
	case 8:
		s.stop()
	case 9:
		s.gauge(pick(s, "tank", events.DebrisTank, events.FreshTank))
	case 10:
		s.use(job)
	case 11:
		s.refill()
	case 12:
		s.idle()
	case 13:
		if s.chance(30) {
			s.tip("F-PIT") // somewhere on the site
		}
	}
}

// idle begins or ends a standby or a rest, or tells of the plant, which fills no
// time.
func (s *teller) idle() {
	switch evenly(s.t, "idle", 0, 4) {
	case 0, 1:
		if s.standby {
			s.usually(s.at, events.StandbyEnded{})
		} else {
			s.say(s.at, events.StandbyStarted{Cause: pick(s, "cause", events.AwaitingClient, events.Weather)})
		}
		s.standby = !s.standby
	case 2, 3:
		if s.rest {
			s.usually("", events.RestEnded{})
		} else {
			s.say("", events.RestStarted{})
		}
		s.rest = !s.rest
	case 4:
		s.say("", events.PumpEngaged{Pump: events.VacuumPump})
	}
}

// stop presses the emergency stop; what should follow sometimes does not, and
// work goes on meanwhile in some records.
func (s *teller) stop() {
	s.say(s.at, events.EmergencyStopPressed{Station: events.StationRear, Cause: "cable seen", Attribution: events.ByClient})
	s.wait(10 * minute)
	if s.chance(20) {
		s.say(s.at, events.EmergencyStopPressed{Station: events.StationCab})
	}
	if s.chance(15) {
		s.act(s.at)
	}
	s.wait(30 * minute)
	if !s.chance(10 + s.forgets) {
		s.say(s.at, events.EmergencyStopReset{Inspected: true})
	}
	s.wait(10 * minute)
	if !s.chance(10 + s.forgets) {
		s.say(s.at, events.PlantRestarted{})
	}
}

// facility goes to a facility, tips there most times, and washes out.
func (s *teller) facility() {
	where := pick(s, "facility", events.FacilityID("F-PIT"), "F-WET")
	s.usually("", events.FacilityArrived{Facility: where})
	s.wait(20 * minute)
	if s.chance(15) {
		s.idle()
	}
	if s.chance(12) {
		s.say("", events.SpoilRefused{Facility: where, Reason: events.RefusedTooWet})
		s.wait(10 * minute)
	}
	for range pick(s, "tips", 1, 1, 1, 1, 0, 2) {
		s.tip(where)
		s.wait(10 * minute)
	}
	for range pick(s, "returns", 0, 0, 0, 1, 1, 2) {
		s.giveBack(where)
		s.wait(10 * minute)
	}
	if s.chance(15) {
		s.refill()
	}
	if s.chance(15) {
		s.use("")
	}
	s.wait(20 * minute)
	s.usually("", events.FacilityLeft{Facility: where})
}
