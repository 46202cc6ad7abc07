package timesplit

import (
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
	"spoilbook/reports/workrest"
)

// DefaultCycleMS is the full dump assumed where none was seen and the register
// states none: an hour and a half.
const DefaultCycleMS = 90 * 60 * 1000

// Options selects how a time split is made. The zero value is the usual one.
type Options struct {
	// Rest is the set of rules by which long work is warned about; the zero value is
	// the usual set of workrest. Nothing is warned about where a job or client was
	// asked for, and with a truck only what its shifts show.
	Rest workrest.RuleSet
	// Tank selects the rules by which the tank is kept for litres cleared.
	Tank tank.Options
}

// Report is the time split of a period. Shifts are clipped to the period and,
// where a job or a client was asked for, hold only its slices.
type Report struct {
	Request  reports.Request
	Position uint64
	Narrowed bool // a job or a client was asked for
	Rest     workrest.RuleSet
	Shifts   []Shift
	Outside  []Outside
	Efforts  []Effort
	Parts    []DumpParts
	Replays  []Replay   // none when narrowed: the tank is shared
	WorkRest []WorkRest // by person and limit; none when narrowed
	Findings []reports.Finding

	journal   *reports.Journal
	divisions map[events.TruckID]*division // what the shifts were cut by
}

// Compute makes the time split of the shifts of which any part lies in the
// period asked for.
func Compute(j *reports.Journal, q reports.Request, o Options) *Report {
	if o.Rest.Name == "" {
		o.Rest, _ = workrest.Named("")
	}
	o.Tank.OmitMovements = true
	r := &Report{Request: q, Position: j.Position, Rest: o.Rest, journal: j, divisions: map[events.TruckID]*division{},
		Narrowed: q.Filter.Job != "" || q.Filter.Client != ""}
	people := roster{}
	for _, id := range q.Trucks(j) {
		r.truck(j, id, o, people)
	}
	if !r.Narrowed {
		r.workRest(people)
	}
	reports.SortFindings(r.Findings)
	return r
}

func (r *Report) truck(j *reports.Journal, id events.TruckID, o Options, people roster) {
	d := divide(j.Entries(id), id)
	r.divisions[id] = d
	mine := []Shift{}
	reach := r.Request.Period
	for _, whole := range d.shifts {
		people.add(&whole)
		s, ok := whole.Clip(r.Request.Period)
		if !ok {
			continue
		}
		reach.From, reach.To = earlier(reach.From, whole.From), later(reach.To, whole.To)
		if r.Narrowed {
			s.Slices = slices.DeleteFunc(s.Slices, func(c Slice) bool { return !r.wants(j, c.Job, c.From) })
		}
		if len(s.Slices) > 0 {
			mine = append(mine, s)
		}
	}
	r.Shifts = append(r.Shifts, mine...)
	for _, f := range d.findings {
		if f.At.UnixMS >= reach.From.UnixMS && f.At.UnixMS < reach.To.UnixMS && (f.Job == "" || r.wants(j, f.Job, f.At)) {
			r.Findings = append(r.Findings, f)
		}
	}
	for _, e := range d.outside {
		if r.Request.Period.Contains(e.From) && (!r.Narrowed || r.wants(j, e.Job, e.From)) {
			r.Outside = append(r.Outside, e)
		}
	}
	r.efforts(j, id, mine, d.shifts, o)
}

// wants reports whether time of a job is asked for; time of no job only when all
// jobs are.
func (r *Report) wants(j *reports.Journal, job events.JobID, at events.Time) bool {
	if !r.Narrowed {
		return true
	}
	return job != "" && r.Request.WantsJob(j, job, at)
}

// Hours sums the time of slices by activity.
func Hours(list []Slice) map[events.Activity]int64 {
	sum := map[events.Activity]int64{}
	for i := range list {
		sum[list[i].Activity] += list[i].LengthMS()
	}
	return sum
}
