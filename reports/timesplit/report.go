package timesplit

import (
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// DefaultCycleMS is the full dump assumed where none was seen and the register
// states none: an hour and a half.
const DefaultCycleMS = 90 * 60 * 1000

// Options selects how a time split is made. The zero value is the usual one.
type Options struct {
	// Rest is the rule that long work without rest is warned about by; the zero
	// value is NZWorkTime.
	Rest RestRule
	// Tank selects the rules by which the tank is kept for litres cleared.
	Tank tank.Options
}

// Report is the time split of a period. Shifts are clipped to the period and,
// where a job or a client was asked for, hold only its slices.
type Report struct {
	Request  reports.Request
	Position uint64
	Narrowed bool // a job or a client was asked for
	Rest     RestRule
	Shifts   []Shift
	Outside  []Outside
	Efforts  []Effort
	Parts    []DumpParts
	Replays  []Replay // none when narrowed: the tank is shared
	Findings []reports.Finding
}

// Compute makes the time split of the shifts of which any part lies in the
// period asked for.
func Compute(j *reports.Journal, q reports.Request, o Options) *Report {
	if o.Rest.LongestWorkMS <= 0 {
		o.Rest = NZWorkTime()
	}
	o.Tank.OmitMovements = true
	r := &Report{Request: q, Position: j.Position, Rest: o.Rest,
		Narrowed: q.Filter.Job != "" || q.Filter.Client != ""}
	for _, id := range q.Trucks(j) {
		r.truck(j, id, o)
	}
	reports.SortFindings(r.Findings)
	return r
}

func (r *Report) truck(j *reports.Journal, id events.TruckID, o Options) {
	d := divide(j.Entries(id), id)
	mine := []Shift{}
	reach := r.Request.Period
	for _, whole := range d.shifts {
		s, ok := whole.Clip(r.Request.Period)
		if !ok {
			continue
		}
		reach.From, reach.To = earlier(reach.From, whole.From), later(reach.To, whole.To)
		d.findings = append(d.findings, o.Rest.check(&whole)...)
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

// RestRule says after how much work a rest is due. A report warns by it; keeping
// or breaking the rules that bind a crew is for people to judge.
type RestRule struct {
	Name          string
	LongestWorkMS int64 // work longer than this without a rest is warned about
	ShortestMS    int64 // a shorter rest does not count and is work
}

// NZWorkTime is the rest that New Zealand's work time rule asks for within a
// shift: 30 minutes after five and a half hours (NZ Transport Agency).
func NZWorkTime() RestRule {
	return RestRule{Name: "NZTA work time: 30 min rest after 5 h 30 min of work", LongestWorkMS: 330 * 60_000, ShortestMS: 30 * 60_000}
}

// check warns about each stretch of work in a shift that is longer than the rule
// allows. Everything but rest is work, standby and stops included.
func (rule RestRule) check(s *Shift) []reports.Finding {
	found := []reports.Finding{}
	from := s.From
	stretch := func(to events.Time) {
		if work := to.UnixMS - from.UnixMS; work > rule.LongestWorkMS {
			found = append(found, reports.NewFinding(reports.WorkWithoutRest, s.Truck, from, s.Positions,
				"%s of work from %s without a rest of %s (%s); no certification", hoursMinutes(work), moment(from),
				hoursMinutes(rule.ShortestMS), rule.Name))
		}
	}
	for i := 0; i < len(s.Slices); i++ {
		if s.Slices[i].Activity != events.Rest {
			continue
		}
		start := s.Slices[i].From
		for i+1 < len(s.Slices) && s.Slices[i+1].Activity == events.Rest {
			i++
		}
		if end := s.Slices[i].To; end.UnixMS-start.UnixMS >= rule.ShortestMS {
			stretch(start)
			from = end
		}
	}
	stretch(s.To)
	return found
}
