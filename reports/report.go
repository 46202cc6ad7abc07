// Package reports holds what every report shares: the period and the ledger
// position it speaks of, the [Journal] of effective entries it is computed from,
// the [Finding]s it makes, and the table model ([Document]) it is shown in.
//
// A report is a pure function of the recorded events up to a position: the same
// events give the same report for ever. Each report's own package offers
//
//	Compute(j *reports.Journal, q reports.Request) Report
//
// and its Report can be shown with Document(). For example, the manifest of
// October 2026 in Tarnmoor covers the half-open period from
// 2026-10-01T00:00+01:00 to 2026-11-01T00:00+00:00; a clock change lies inside.
package reports

import (
	"fmt"
	"time"

	"spoilbook/events"
)

// Period is the half-open time from From to To; local days are those of Zone.
type Period struct {
	From, To events.Time
	Zone     *time.Location
}

// Days returns the period from the start of the first local day to the end of
// the last, given as "2026-10-01" in zone.
func Days(first, last string, zone *time.Location) (Period, error) {
	from, err := time.Parse(time.DateOnly, first)
	if err != nil {
		return Period{}, fmt.Errorf("period: first day %q is not a date such as 2026-10-01", first)
	}
	to, err := time.Parse(time.DateOnly, last)
	if err != nil {
		return Period{}, fmt.Errorf("period: last day %q is not a date such as 2026-10-31", last)
	}
	if to.Before(from) {
		return Period{}, fmt.Errorf("period: last day %s is before first day %s", last, first)
	}
	// Not 24 hours after the last day began: a local day can be 23 or 25 hours long.
	y, m, d := to.Date()
	return Period{From: events.TimeOf(StartOfDay(from.Year(), from.Month(), from.Day(), zone)),
		To: events.TimeOf(StartOfDay(y, m, d+1, zone)), Zone: zone}, nil
}

// StartOfDay returns the first instant of a local day, which may be numbered as
// time.Date allows ("October 32"). Where a clock change skips midnight the day
// begins later, and where midnight comes twice it begins at the first.
func StartOfDay(year int, month time.Month, day int, zone *time.Location) time.Time {
	date := time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
	// No zone is a day away from UTC, so the day has not begun here.
	t := time.Date(year, month, day-2, 12, 0, 0, 0, time.UTC).In(zone)
	for {
		_, offset := t.Zone()
		_, change := t.ZoneBounds()
		midnight := time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Add(-time.Duration(offset) * time.Second).In(zone)
		if change.IsZero() || midnight.Before(change) {
			return midnight
		}
		if t = change; t.Format(time.DateOnly) >= date {
			return t
		}
	}
}

// Contains reports whether t lies in the period.
func (p Period) Contains(t events.Time) bool { return !t.Before(p.From) && t.Before(p.To) }

// Local returns t in the period's zone.
func (p Period) Local(t events.Time) time.Time { return time.UnixMilli(t.UnixMS).In(p.Zone) }

// Day returns the local date of t, "2026-10-05".
func (p Period) Day(t events.Time) string { return p.Local(t).Format(time.DateOnly) }

// EachDay returns the local dates that the period touches, in order.
func (p Period) EachDay() []string {
	days := []string{}
	if !p.From.Before(p.To) {
		return days
	}
	y, m, d := p.Local(p.From).Date()
	for i := 0; ; i++ {
		day := StartOfDay(y, m, d+i, p.Zone)
		if day.UnixMilli() >= p.To.UnixMS {
			return days
		}
		if date := day.Format(time.DateOnly); len(days) == 0 || days[len(days)-1] != date { // a date can be skipped
			days = append(days, date)
		}
	}
}

// Filter narrows a report; an empty field asks for all.
type Filter struct {
	Truck  events.TruckID
	Job    events.JobID
	Client events.ClientID
}

// Request is what is asked of a report.
type Request struct {
	Period Period
	Filter Filter
}

// WantsJob reports whether lines of job id at time t belong in the report,
// looking its client up in the journal's register.
func (q Request) WantsJob(j *Journal, id events.JobID, t events.Time) bool {
	if q.Filter.Job != "" && id != q.Filter.Job {
		return false
	}
	if q.Filter.Client == "" {
		return true
	}
	job, ok := j.Book.Job(id, t)
	return ok && job.Client == q.Filter.Client
}

// Trucks returns the trucks of the journal that the request asks for, sorted.
func (q Request) Trucks(j *Journal) []events.TruckID {
	if q.Filter.Truck == "" {
		return j.Trucks()
	}
	return []events.TruckID{q.Filter.Truck}
}
