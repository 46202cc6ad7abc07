package yard

import (
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Trucks lists the trucks that have entries or are in the register at the moment, in order of their names; with some named, those of them.
func Trucks(j *reports.Journal, only []events.TruckID, at events.Time) []events.TruckID {
	list := slices.Clone(j.Trucks())
	for _, key := range j.Book.Keys(events.TruckRegister) {
		if _, ok := j.Book.Truck(events.TruckID(key), at); ok {
			list = append(list, events.TruckID(key))
		}
	}
	slices.Sort(list)
	list = slices.Compact(list)
	if len(only) > 0 {
		list = slices.DeleteFunc(list, func(id events.TruckID) bool { return !slices.Contains(only, id) })
	}
	return list
}

// state is what is carried from entry to entry of one truck.
type state struct {
	Standing
	shiftAt, standbyAt, restAt, stopAt *reports.Entry // that began and did not end
	reset                              *reports.Entry // of stopAt
	busy                               *reports.Entry // an entry whose time holds the moment
}

// standing says how one truck stands, by its entries and, for what its tanks hold, by those until the moment.
func standing(j, until *reports.Journal, id events.TruckID, at events.Time, o Options) Standing {
	s := &state{Standing: Standing{Truck: id, Where: OffShift}}
	if t, ok := j.Book.Truck(id, at); ok {
		s.Name, s.Plate = t.Name, t.Registration
		s.Debris.CapacityML, s.Fresh.CapacityML = t.DebrisCapacityL*1000, t.FreshCapacityL*1000
	}
	entries := j.Entries(id)
	for i := range entries {
		e := &entries[i]
		if start, end := e.Interval(); !at.Before(start) && at.Before(end) {
			s.busy = e // said when it was over, so that only a look back sees it
		}
		if at.Before(e.Occurred) {
			continue
		}
		s.LastHeard, s.Position = e.Occurred, e.Positions[0]
		s.take(e)
	}
	s.decide(at)
	s.names(j, at)
	s.tanks(until, o)
	s.next(at, o)
	return s.Standing
}

// take follows one entry.
func (s *state) take(e *reports.Entry) {
	switch b := e.Body.(type) {
	case events.ShiftStarted:
		s.shiftAt, s.standbyAt, s.restAt = e, nil, nil
		s.Driver, s.Crew = e.Operator, b.Crew
		if s.Where == OffShift {
			s.move(OnTheRoad, e)
		}
	case events.ShiftEnded:
		s.shiftAt, s.standbyAt, s.restAt, s.stopAt, s.reset = nil, nil, nil, nil, nil
		s.move(OffShift, e)
		s.Driver, s.Crew = "", nil
	case events.SiteArrived:
		s.move(AtSite, e)
		s.Job = e.Job
	case events.SiteLeft, events.FacilityLeft:
		s.move(OnTheRoad, e)
	case events.FacilityArrived:
		s.move(AtFacility, e)
		s.Facility = b.Facility
	case events.LoadCollected:
		if s.Where != AtSite || s.Job != e.Job {
			s.move(AtSite, e)
			s.Job = e.Job
		}
	case events.StandbyStarted:
		s.standbyAt, s.Cause = e, b.Cause
	case events.StandbyEnded:
		s.standbyAt = nil
	case events.RestStarted:
		s.restAt = e
	case events.RestEnded:
		s.restAt = nil
	case events.EmergencyStopPressed:
		if s.stopAt == nil {
			s.stopAt = e
		}
		s.reset = nil
	case events.EmergencyStopReset:
		s.reset = e
	case events.PlantRestarted:
		s.stopAt, s.reset = nil, nil
	}
}

// move notes where the truck went.
func (s *state) move(to Where, e *reports.Entry) {
	s.Where, s.WhereSince, s.Job, s.Facility = to, e.Occurred, "", ""
}

// names looks up what people call those aboard and the place.
func (s *state) names(j *reports.Journal, at events.Time) {
	aboard := s.Crew
	if s.Driver != "" {
		aboard = append([]events.OperatorID{s.Driver}, s.Crew...)
	}
	for _, id := range aboard {
		name := string(id)
		if o, ok := j.Book.Operator(id, at); ok {
			name = o.Name
		}
		s.Aboard = append(s.Aboard, name)
	}
	switch s.Where {
	case AtSite:
		s.Place = string(s.Job)
		if job, ok := j.Book.Job(s.Job, at); ok {
			s.Place += ", " + job.Name
		}
	case AtFacility:
		s.Place = string(s.Facility)
		if f, ok := j.Book.Facility(s.Facility, at); ok {
			s.Place = f.Name
		}
	}
}

// decide says what the truck is doing, by the same order in which a time split decides.
func (s *state) decide(at events.Time) {
	if s.shiftAt == nil {
		if s.Where != OffShift { // entries outside of any shift: the record says where, and that is all
			s.Doing = events.Unexplained
			s.DoingSince = s.WhereSince
		}
		return
	}
	s.ShiftSince = s.shiftAt.Occurred
	s.Doing, s.DoingSince = events.Travel, s.WhereSince
	switch s.Where {
	case AtSite:
		s.Doing = events.OnSite
	case AtFacility:
		s.Doing = events.FullDump
	}
	since := func(a events.Activity, e *reports.Entry) {
		if e == nil {
			return
		}
		start, _ := e.Interval()
		s.Doing, s.DoingSince = a, start
	}
	since(events.Standby, s.standbyAt)
	since(events.Rest, s.restAt)
	if s.busy != nil {
		if a, ok := activityOf(s.busy.Body); ok {
			since(a, s.busy)
		}
	}
	since(events.Stopped, s.stopAt)
	if s.Doing != events.Standby {
		s.Cause = ""
	}
}

func activityOf(b events.Body) (events.Activity, bool) {
	switch b.(type) {
	case events.LoadCollected:
		return events.Loading, true
	case events.WaterDecanted:
		return events.Decanting, true
	case events.SpoilTipped:
		return events.FullDump, true
	case events.WaterRefilled:
		return events.Refilling, true
	}
	return "", false
}

// tanks folds what the tanks hold at the moment.
func (s *state) tanks(until *reports.Journal, o Options) {
	a := tank.Fold(until, s.Truck, o.Tank)
	s.Debris.VolumeML, s.Debris.MassG, s.Debris.FreeWaterML = a.Debris.VolumeML(), a.Debris.MassG(), a.Debris.FreeWaterML()
	s.Debris.ToleranceML = a.DebrisToleranceML
	s.Fresh.VolumeML, s.Fresh.MassG = a.FreshML, a.FreshML
	s.open(until, FindingsOf(until, a, nil))
}

// next lists what has to happen, most urgent first.
func (s *state) next(at events.Time, o Options) {
	s.nextStop()
	s.nextTank(o)
	s.nextTime(at, o)
	if s.Debris.CapacityML == 0 {
		s.add(PutRegisterRight, Later, reports.Say("the register does not say what this truck's debris tank holds: enter its capacity"))
	}
	order := map[Urgency]int{AtOnce: 0, Soon: 1, Later: 2}
	slices.SortStableFunc(s.Next, func(x, y Next) int { return order[x.Urgency] - order[y.Urgency] })
}

func (s *state) add(w What, u Urgency, says reports.Said, cites ...uint64) {
	s.Next = append(s.Next, Next{What: w, Urgency: u, Says: says, Text: says.String(), Cites: cites})
}

func (s *state) nextStop() {
	switch {
	case s.stopAt == nil:
	case s.reset == nil:
		s.add(RestartAfterStop, AtOnce, reports.Say("an emergency stop is pressed and not reset on record: find the cause, look at the plant, then reset and restart as the maker's manual says"), s.stopAt.Positions[0])
	default:
		s.add(RestartAfterStop, Soon, reports.Say("the emergency stop is reset; no restart is on record"), s.stopAt.Positions[0], s.reset.Positions[0])
	}
}

func (s *state) nextTank(o Options) {
	full := s.Debris.FullPermille()
	room, known := s.Debris.RoomML()
	switch {
	case known && room < 0:
		s.add(EmptyTank, AtOnce, reports.Say("by the account the debris tank holds %s more than it can: gauge it, and look for an entry that is missing or wrong", reports.OfSpoil(-room)))
	case known && full >= o.FullPermille && s.Debris.FreeWaterML >= o.DecantLeastML:
		s.add(DecantFirst, Soon, reports.Say("the debris tank is %d %% full: up to %s stands clear above the bed and can be decanted where that is allowed; otherwise tip", percent(full), reports.OfSpoil(s.Debris.FreeWaterML)))
	case known && full >= o.FullPermille:
		s.add(EmptyTank, Soon, reports.Say("the debris tank is %d %% full: tip before the next load", percent(full)))
	case s.Where == OffShift && s.Debris.VolumeML > 0:
		s.add(EmptyTank, Later, reports.Say("%s stand in the debris tank after the shift", reports.OfSpoil(s.Debris.VolumeML)))
	}
	if s.Fresh.CapacityML > 0 && s.Where != OffShift && s.Fresh.FullPermille() < o.LowPermille {
		s.add(RefillWater, Soon, reports.Say("fresh water for %d %% of the tank is left: refill", percent(s.Fresh.FullPermille())))
	}
}

func (s *state) nextTime(at events.Time, o Options) {
	if s.shiftAt == nil {
		return
	}
	passed := func(e events.Time) time.Duration { return time.Duration(at.UnixMS-e.UnixMS) * time.Millisecond }
	if passed(s.ShiftSince) >= o.LongShift {
		s.add(EndShift, Soon, reports.Say("the shift is on for %s: end it, or enter its end", span(passed(s.ShiftSince))), s.shiftAt.Positions[0])
	}
	if s.standbyAt != nil && passed(s.standbyAt.Occurred) >= o.LongStandby {
		s.add(EndStandby, Later, reports.Say("on standby for %s (%s): still so?", span(passed(s.standbyAt.Occurred)), reports.Word(s.standbyAt.Body.(events.StandbyStarted).Cause)), s.standbyAt.Positions[0])
	}
	if passed(s.LastHeard) >= o.SilentFor {
		s.add(ReportIn, Soon, reports.Say("nothing was heard for %s: is the truck's link down, or was an entry forgotten?", span(passed(s.LastHeard))), s.Position)
	}
}

func percent(permille int64) int64 { return (permille + 5) / 10 }

func span(d time.Duration) reports.Span { return reports.Span(d.Milliseconds()) }
