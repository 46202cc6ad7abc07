// Package stops is the register of emergency stops: when and where each was
// pressed, why, who reset it and whether anybody looked at the plant first, when the
// plant ran again, and how long it stood.
//
// Press, reset and restart are three different events. The control must stay engaged
// when it was used, and disengaging it must not restart the machinery but only permit
// restarting (Machinery Directive 2006/42/EC, annex I, 1.2.4.3; ISO 13850 asks the
// same, from memory, with high confidence). So a stop pressed at 10:02, reset at 10:27
// after an inspection and restarted at 10:30 is
//
//	pressed 10:02   reset 10:27, inspected   restarted 10:30   down 28 min
//
// and not 25. Presses of a stop that is still in force join it, and a reset before a
// further press is void; where a stop begins and ends is decided as the time split
// decides it. A stop without a restart on record has no downtime: nobody knows when
// it ended. The register is a record, not a safety function.
package stops

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/timesplit"
)

// Report is the register of the stops that began in a period, by time and truck.
type Report struct {
	Request  reports.Request
	Position uint64 // the last ledger position covered
	Narrowed bool   // a job or a client was asked for
	Stops    []Stop
	Events   []Event
	Findings []reports.Finding

	journal *reports.Journal
}

// Stop is one emergency stop.
type Stop struct {
	timesplit.Stop
	Truck    events.TruckID
	Job      events.JobID      // of the first press
	Operator events.OperatorID // of the first press
	Stations []events.StopStation
}

// DowntimeMS returns the time from the first press to the restart; ok is false when
// no restart is recorded.
func (s *Stop) DowntimeMS() (ms int64, ok bool) {
	if s.Restart == nil {
		return 0, false
	}
	return s.Restart.Occurred.UnixMS - s.From.UnixMS, true
}

// ToResetMS returns the time from the first press to the reset that counts; ok is
// false when none is recorded.
func (s *Stop) ToResetMS() (ms int64, ok bool) {
	if s.Reset == nil {
		return 0, false
	}
	return s.Reset.Occurred.UnixMS - s.From.UnixMS, true
}

// Inspected reports whether the reset that counts says that somebody looked at the
// plant first.
func (s *Stop) Inspected() bool {
	if s.Reset == nil {
		return false
	}
	b, ok := s.Reset.Body.(events.EmergencyStopReset)
	return ok && b.Inspected
}

// Event is one press, reset or restart. Stop is an index into Report.Stops, -1 for a
// reset or a restart that belongs to none.
type Event struct {
	Entry *reports.Entry // of the journal; not to be changed
	Stop  int
}

// Compute makes the register of the stops whose first press occurred in the period.
func Compute(j *reports.Journal, q reports.Request) *Report {
	r := &Report{Request: q, Position: j.Position, Narrowed: q.Filter.Job != "" || q.Filter.Client != "", journal: j}
	strays := []*reports.Entry{}
	for _, truck := range q.Trucks(j) {
		list, stray := timesplit.Stops(j, truck)
		for i := range list {
			first := list[i].Presses[0]
			if !q.Period.Contains(list[i].From) || !q.WantsJob(j, first.Job, list[i].From) {
				continue
			}
			r.Stops = append(r.Stops, Stop{Stop: list[i], Truck: truck, Job: first.Job, Operator: first.Operator, Stations: stationsOf(&list[i])})
		}
		for _, e := range stray {
			if q.Period.Contains(e.Occurred) && q.WantsJob(j, e.Job, e.Occurred) {
				strays = append(strays, e)
			}
		}
	}
	slices.SortStableFunc(r.Stops, func(a, b Stop) int {
		return cmp.Or(cmp.Compare(a.From.UnixMS, b.From.UnixMS), cmp.Compare(a.Truck, b.Truck))
	})
	r.list(strays)
	reports.SortFindings(r.Findings)
	return r
}

// list fills in the events in the order they occurred, and the findings.
func (r *Report) list(strays []*reports.Entry) {
	for i := range r.Stops {
		s := &r.Stops[i]
		for _, e := range slices.Concat(s.Presses, s.Resets) {
			r.Events = append(r.Events, Event{e, i})
		}
		if s.Restart != nil {
			r.Events = append(r.Events, Event{s.Restart, i})
		}
		r.Findings = append(r.Findings, s.Findings...)
	}
	for _, e := range strays {
		r.Events = append(r.Events, Event{e, -1})
	}
	slices.SortFunc(r.Events, func(a, b Event) int {
		x, y := a.Entry, b.Entry
		return cmp.Or(cmp.Compare(x.Occurred.UnixMS, y.Occurred.UnixMS), cmp.Compare(x.Truck, y.Truck),
			cmp.Compare(x.Source, y.Source), cmp.Compare(x.Seq, y.Seq), cmp.Compare(x.ID, y.ID))
	})
}

// stationsOf returns where a stop was pressed, each station once, in the order of the
// first press there.
func stationsOf(s *timesplit.Stop) []events.StopStation {
	list := []events.StopStation{}
	for _, e := range s.Presses {
		if b, ok := e.Body.(events.EmergencyStopPressed); ok && !slices.Contains(list, b.Station) {
			list = append(list, b.Station)
		}
	}
	return list
}
