package timesplit

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// Stop is an emergency stop: presses that belong together, what was reset, and the
// restart, each an entry of its own. Entries belong to the journal and are not to be
// changed.
type Stop struct {
	Presses  []*reports.Entry // at least one
	Resets   []*reports.Entry // those before a further press, too, which made them void
	Reset    *reports.Entry   // the last one since the last press; nil when there is none
	Restart  *reports.Entry   // nil when no restart is recorded
	From, To events.Time      // the first press; the restart, or the end of the shift
	Cause    string           // the first that was stated
	Side     events.Attribution
	Findings []reports.Finding
	Cites    []uint64
}

// Stops returns the emergency stops of a truck in the order in which they began, and
// the resets and restarts that belong to none. They are joined as a time split joins
// them: see the package comment.
func Stops(j *reports.Journal, truck events.TruckID) (stops []Stop, stray []*reports.Entry) {
	d := &division{truck: truck, entries: j.Entries(truck)}
	d.findSpans()
	d.assign()
	d.findStops()
	of := map[int]bool{}
	at := func(list []int) []*reports.Entry {
		entries := make([]*reports.Entry, len(list))
		for n, i := range list {
			entries[n], of[i] = &d.entries[i], true
		}
		return entries
	}
	for i := range d.runs {
		run := &d.runs[i]
		s := Stop{Presses: at(run.presses), Resets: at(run.resets), From: run.from, To: run.to, Findings: run.findings, Cites: d.runCites(run)}
		if run.reset >= 0 {
			s.Reset = &d.entries[run.reset]
		}
		if run.restart >= 0 {
			s.Restart = at([]int{run.restart})[0]
		}
		for _, e := range s.Resets {
			s.Cites = append(s.Cites, e.Positions...)
		}
		s.Cites = reports.Union(s.Cites)
		s.Cause, s.Side = d.causeOf(run)
		stops = append(stops, s)
	}
	for i := range d.entries {
		if k := d.entries[i].Kind(); (k == events.KindEmergencyStopReset || k == events.KindPlantRestarted) && !of[i] {
			stray = append(stray, &d.entries[i])
		}
	}
	return stops, stray
}

// stopRun is an emergency stop from its first press to the restart.
type stopRun struct {
	presses  []int
	resets   []int
	reset    int // the last reset since the last press, -1 for none
	restart  int // -1 for none
	from     events.Time
	to       events.Time
	findings []reports.Finding
}

// findStops joins presses, resets and restarts into runs.
func (d *division) findStops() {
	var open *stopRun
	// A stop that was never restarted ends with the shift it began in, and presses
	// of a later shift are another stop.
	end := func() {
		rest := d.cutRun(open)
		d.finishStop(open)
		open = rest
	}
	ended := func(t events.Time) {
		for open != nil && d.workedSince(open, t) {
			end()
		}
	}
	for i := range d.entries {
		e := &d.entries[i]
		switch e.Body.(type) {
		case events.EmergencyStopPressed:
			ended(e.Occurred)
			if open == nil {
				open = &stopRun{restart: -1, from: e.Occurred}
			}
			open.presses, open.reset = append(open.presses, i), -1
		case events.EmergencyStopReset:
			ended(e.Occurred)
			if open == nil {
				d.unused(i, "resets no emergency stop")
				continue
			}
			open.reset, open.resets = i, append(open.resets, i)
		case events.PlantRestarted:
			ended(e.Occurred)
			if open == nil {
				d.unused(i, "restarts after no emergency stop")
				continue
			}
			open.restart = i
			d.finishStop(open)
			open = nil
		}
	}
	for open != nil {
		end()
	}
}

// cutRun leaves in run what happened before the end of the shift that it began in
// and returns the rest from its first press on, or nil when there is no press.
func (d *division) cutRun(run *stopRun) *stopRun {
	end := d.shiftEnd(run)
	n := slices.IndexFunc(run.presses, func(i int) bool { return end.Before(d.entries[i].Occurred) })
	if n < 0 {
		return nil
	}
	first := run.presses[n]
	rest := &stopRun{presses: run.presses[n:], reset: -1, restart: -1, from: d.entries[first].Occurred}
	run.presses = run.presses[:n:n]
	if run.reset > first {
		rest.reset = run.reset
	}
	k := slices.IndexFunc(run.resets, func(i int) bool { return i > first })
	if k >= 0 {
		run.resets, rest.resets = run.resets[:k:k], run.resets[k:]
	}
	run.reset = -1
	if m := len(run.resets); m > 0 && run.resets[m-1] > run.presses[n-1] {
		run.reset = run.resets[m-1]
	}
	return rest
}

// longestWorkMS is the longest that an entry's interval may be, so that work which
// began before a time is said to have occurred no later than this after it.
const longestWorkMS = 24 * 60 * 60 * 1000

// workedSince reports whether, in a shift after the one the stop began in and
// before time t, the plant worked: then the restart was not recorded.
func (d *division) workedSince(run *stopRun, t events.Time) bool {
	since := d.shiftEnd(run)
	if !since.Before(t) {
		return false
	}
	for i := run.presses[0] + 1; i < len(d.entries); i++ {
		e := &d.entries[i]
		if e.Occurred.UnixMS-t.UnixMS > longestWorkMS {
			return false
		}
		from, to := e.Interval()
		switch e.Kind() {
		case events.KindLoadCollected, events.KindWaterDecanted, events.KindSpoilTipped:
			if from.Before(t) && !from.Before(since) && from.Before(to) {
				return true
			}
		}
	}
	return false
}

// shiftEnd returns the end of the shift that the stop began in, or when it began
// when that was in none.
func (d *division) shiftEnd(run *stopRun) events.Time {
	if k := d.shiftAt(run.presses[0], run.from); k >= 0 {
		return d.spans[k].to
	}
	return run.from
}

// finishStop records the run and what is missing in it.
func (d *division) finishStop(run *stopRun) {
	known := len(d.findings)
	for _, i := range run.presses {
		e := &d.entries[i]
		if b, ok := e.Body.(events.EmergencyStopPressed); ok && b.Cause == "" {
			d.find(reports.StopWithoutCause, e.Job, e.Occurred, e.Positions, "the emergency stop pressed %s (%s) has no cause", moment(e.Occurred), b.Station)
		}
	}
	first := &d.entries[run.presses[0]]
	switch {
	case run.restart < 0:
		run.to = d.shiftEnd(run)
		if run.reset < 0 {
			d.find(reports.StopNotReset, first.Job, run.from, d.runCites(run), "the emergency stop pressed %s was never reset", moment(run.from))
		}
	default:
		restart := &d.entries[run.restart]
		run.to = restart.Occurred
		if run.reset < 0 {
			d.find(reports.RestartWithoutReset, first.Job, run.to, d.runCites(run),
				"the plant was restarted %s after the emergency stop pressed %s, and no reset is recorded since the last press", moment(run.to), moment(run.from))
		}
	}
	run.findings = slices.Clone(d.findings[known:])
	d.runs = append(d.runs, *run)
}

func (d *division) runCites(run *stopRun) []uint64 {
	cites := []uint64{}
	for _, i := range run.presses {
		cites = append(cites, d.entries[i].Positions...)
	}
	for _, i := range []int{run.reset, run.restart} {
		if i >= 0 {
			cites = append(cites, d.entries[i].Positions...)
		}
	}
	return cites
}

// stopClaims returns the stops that reach into shift k.
func (d *division) stopClaims(k int) []claim {
	list := []claim{}
	sp := &d.spans[k]
	for i := range d.runs {
		run := &d.runs[i]
		if !run.from.Before(sp.to) || !sp.from.Before(run.to) {
			continue
		}
		c := claim{activity: events.Stopped, rank: stoppedRank, from: run.from, to: run.to, job: d.entries[run.presses[0]].Job,
			visit: -1, dump: -1, cites: d.runCites(run), entry: -1}
		c.cause, c.side = d.causeOf(run)
		list = append(list, c)
	}
	return list
}

// causeOf returns the first cause stated in a run, and the side it lies on:
// unknown unless every press says the same.
func (d *division) causeOf(run *stopRun) (cause string, side events.Attribution) {
	sides := []events.Attribution{}
	for _, i := range run.presses {
		if b, ok := d.entries[i].Body.(events.EmergencyStopPressed); ok {
			cause = cmp.Or(cause, b.Cause)
			sides = append(sides, cmp.Or(b.Attribution, events.ByUnknown))
		}
	}
	if slices.Sort(sides); len(sides) == 0 || sides[0] != sides[len(sides)-1] {
		return cause, events.ByUnknown
	}
	return cause, sides[0]
}
