package yard

import (
	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Found is a finding with the name of the report that shows it for the day on which it is.
type Found struct {
	reports.Finding
	Report string
}

// OpenIn says how many serious findings that nobody has answered a report shows for the time from the first to the last of
// them and of what they rest on.
type OpenIn struct {
	Report      string
	Count       int
	First, Last events.Time
}

// FindingsOf returns what the fold of a tank found, with its answers, then what a time split did. What concerns the fresh tank stands in the
// report water, the rest of the tank's in the manifest.
func FindingsOf(j *reports.Journal, a *tank.Account, split []reports.Finding) []Found {
	fresh := map[uint64]bool{}
	add := func(e *reports.Entry) { fresh[e.Positions[0]] = true }
	for i := range a.Refills {
		add(a.Refills[i].Entry)
	}
	for i := range a.Uses {
		add(a.Uses[i].Entry)
	}
	for i := range a.Gauges {
		if a.Gauges[i].Tank == events.FreshTank {
			add(a.Gauges[i].Entry)
		}
	}
	var list []Found
	for _, f := range j.Answer("yard", reports.Request{}, a.Findings) {
		report := "manifest"
		if len(f.Cites) > 0 && fresh[f.Cites[0]] || f.Code == reports.FreshOverdrawn || f.Code == reports.FreshOverCapacity {
			report = "water"
		}
		list = append(list, Found{f, report})
	}
	for _, f := range j.Answer("yard", reports.Request{}, split) {
		list = append(list, Found{f, "timesplit"})
	}
	return list
}

// open counts the serious ones that nobody has answered.
func (s *state) open(j *reports.Journal, list []Found) {
	for i := range list {
		f := &list[i]
		if f.Severity != reports.Serious || len(f.Answers) > 0 {
			continue
		}
		s.Open++
		k := 0
		for k < len(s.OpenIn) && s.OpenIn[k].Report != f.Report {
			k++
		}
		if k == len(s.OpenIn) {
			s.OpenIn = append(s.OpenIn, OpenIn{Report: f.Report, First: f.At, Last: f.At})
		}
		in := &s.OpenIn[k]
		in.Count++
		in.reach(f.At)
		for _, p := range f.Cites { // what a docket is found to lack stands with its tip
			if e := j.Recorded(p); e != nil && e.Truck == s.Truck {
				in.reach(e.Occurred)
			}
		}
	}
}

// reach widens the time to a moment.
func (in *OpenIn) reach(at events.Time) {
	if at.Before(in.First) {
		in.First = at
	}
	if in.Last.Before(at) {
		in.Last = at
	}
}
