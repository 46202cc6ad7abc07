package demo_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/axles"
	"spoilbook/reports/care"
	"spoilbook/reports/manifest"
	"spoilbook/reports/stops"
	"spoilbook/reports/tank"
	"spoilbook/reports/timesplit"
	"spoilbook/reports/water"
	"spoilbook/services/demo"
)

func account(j *reports.Journal, truck events.TruckID) *tank.Account {
	return tank.Fold(j, truck, tank.Options{OmitMovements: true})
}

func period(t *testing.T, first, last string) reports.Request {
	t.Helper()
	p, err := reports.Days(first, last, demo.Zone())
	if err != nil {
		t.Fatal(err)
	}
	return reports.Request{Period: p}
}

// found lists findings as "day truck code", assumed densities left out: many
// ordinary loads rest on one.
func found(fs []reports.Finding) []string {
	list := []string{}
	for _, f := range fs {
		if f.Code != reports.AssumedDensity {
			list = append(list, fmt.Sprintf("%s %s %s", day(f.At), f.Truck, f.Code))
		}
	}
	slices.Sort(list)
	return slices.Compact(list)
}

func manifestOf(t *testing.T, batches []demo.Batch, first, last string) *manifest.Report {
	t.Helper()
	return manifest.Compute(journal(batches), period(t, first, last), manifest.Options{})
}

// TestOnlyTheStoriesAreFound runs reports over the whole month: what they find is
// what the stories tell, and ordinary days are clean.
func TestOnlyTheStoriesAreFound(t *testing.T) {
	m := build(t)
	manifests := found(manifestOf(t, m.Batches, "2026-10-01", "2026-10-31").Findings)
	times := found(timesplit.Compute(journal(m.Batches), period(t, "2026-10-01", "2026-10-31"), timesplit.Options{}).Findings)
	waters := found(water.Compute(journal(m.Batches), period(t, "2026-10-01", "2026-10-31"), water.Options{}).Findings)
	wantManifests := []string{
		"2026-10-09 TM-01 docket-differs",
		"2026-10-09 TM-01 docket-over-ten-percent",
		"2026-10-13 TM-02 no-docket",
		"2026-10-13 TM-02 record-incomplete",
		"2026-10-20 TM-02 permit-expired",
		"2026-10-21 TM-01 record-incomplete",
		"2026-10-22 TM-03 spoil-refused",
		"2026-10-27 TM-02 spoil-returned",
		"2026-10-27 TM-03 wet-load-at-landfill",
		"2026-10-28 TM-02 hazardous-mixed",
	}
	if !slices.Equal(manifests, wantManifests) {
		t.Errorf("manifest found\n%s\nwant\n%s", strings.Join(manifests, "\n"), strings.Join(wantManifests, "\n"))
	}
	wantTimes := []string{
		"2026-10-15 TM-03 restart-without-reset",
		"2026-10-15 TM-03 stop-without-cause",
		"2026-10-30 TM-02 work-without-rest",
	}
	if !slices.Equal(times, wantTimes) {
		t.Errorf("time split found\n%s\nwant\n%s", strings.Join(times, "\n"), strings.Join(wantTimes, "\n"))
	}
	wantWaters := []string{
		"2026-10-21 TM-01 no-consent",
		"2026-10-22  cap-exceeded",
		"2026-10-23  consent-exceeded",
		"2026-10-23 TM-02 backflow-missing",
	}
	if !slices.Equal(waters, wantWaters) {
		t.Errorf("water found\n%s\nwant\n%s", strings.Join(waters, "\n"), strings.Join(wantWaters, "\n"))
	}
	careAndStopsFound(t, m)
	for _, truck := range trucks(m) {
		if a := account(journal(m.Batches), truck); a.Debris.MassG() != 0 || a.FreshML < 0 {
			t.Errorf("%s ends with %d g of spoil and %d mL of fresh water", truck, a.Debris.MassG(), a.FreshML)
		}
	}
}

// careAndStopsFound holds the reports on care, stops and axles to the stories.
func careAndStopsFound(t *testing.T, m demo.Month) {
	t.Helper()
	j, q := journal(m.Batches), period(t, "2026-10-01", "2026-10-31")
	for _, c := range []struct {
		report   string
		findings []reports.Finding
		want     []string
	}{
		{"care", care.Compute(j, q, care.Options{}).Findings, []string{
			"2026-10-06 TM-02 filter-blocking",
			"2026-10-13 TM-03 oil-hot",
			"2026-10-19 TM-01 care-missed",
			"2026-10-21 TM-02 filter-damaged",
		}},
		{"stops", stops.Compute(j, q).Findings, []string{
			"2026-10-15 TM-03 restart-without-reset",
			"2026-10-15 TM-03 stop-without-cause",
		}},
		{"axles", axles.Compute(j, q, axles.Options{}).Findings, nil},
	} {
		if got := found(c.findings); !slices.Equal(got, c.want) {
			t.Errorf("%s found\n%s\nwant\n%s", c.report, strings.Join(got, "\n"), strings.Join(c.want, "\n"))
		}
	}
}

func trucks(m demo.Month) []events.TruckID { return journal(m.Batches).Trucks() }

// TestEarlierPositionsShowMore: what was late or wrong is found before it was
// put right.
func TestEarlierPositionsShowMore(t *testing.T) {
	m := build(t)
	for _, c := range []struct{ before, first, last, want string }{
		{"Yard office, Tue 6 Oct", "2026-10-05", "2026-10-05", "2026-10-05 TM-01 impossible-density"},
		{"Thu 8 Oct", "2026-10-01", "2026-10-07", "TM-02 load-not-tipped"},
		{"Yard office, Mon 19 Oct", "2026-10-09", "2026-10-09", "2026-10-09 TM-03 no-docket"},
		{"no signal", "2026-10-12", "2026-10-16", "2026-10-15 TM-02 docket-unmatched"},
	} {
		before := m.Batches[:batchOf(t, m, c.before)]
		if fs := found(manifestOf(t, before, c.first, c.last).Findings); !strings.Contains(strings.Join(fs, "\n"), c.want) {
			t.Errorf("before %q the manifest finds %q, want %q among them", c.before, fs, c.want)
		}
	}
}

// TestStoriesHappen holds the events behind the figures that stories speak of.
func TestStoriesHappen(t *testing.T) {
	m := build(t)
	consignments := manifestOf(t, m.Batches, "2026-10-01", "2026-10-31").Consignments
	jobsOf, tipsOn := map[string]map[events.JobID]bool{}, map[string]int{}
	for _, c := range consignments {
		jobsOf[c.Number] = map[events.JobID]bool{}
		tipsOn[c.Day+" "+string(c.Truck)]++
		for _, p := range c.Parts {
			jobsOf[c.Number][p.Job] = true
		}
	}
	shared := 0
	for number, jobs := range jobsOf {
		if len(jobs) > 1 {
			shared++
			if len(jobs) != 2 {
				t.Errorf("%s is shared by %v", number, jobs)
			}
		}
	}
	if shared != 2 || len(jobsOf["TG01-0003"]) != 2 {
		t.Errorf("%d consignments are shared by jobs, want TG01-0003 and the mixed one", shared)
	}
	for key, want := range map[string]int{"2026-10-06 TM-03": 1, "2026-10-07 TM-02": 0, "2026-10-08 TM-02": 2, "2026-10-12 TM-03": 2} {
		if tipsOn[key] != want {
			t.Errorf("%s has %d tips, want %d", key, tipsOn[key], want)
		}
	}
	for _, r := range timesplit.Compute(journal(m.Batches), period(t, "2026-10-06", "2026-10-06"), timesplit.Options{}).Replays {
		if r.Truck == "TM-03" && r.SavedTrips() < 1 {
			t.Errorf("decanting saved %d trips of TM-03 on 6 October, want at least 1", r.SavedTrips())
		}
	}
}

// TestNightShiftCrossesTheChange: it has work in both passes of the hour that
// comes twice, and is an hour longer than its clock times say.
func TestNightShiftCrossesTheChange(t *testing.T) {
	night := build(t)
	b := night.Batches[batchOf(t, night, "night shift")].Events
	first, last := b[0].Occurred, b[len(b)-1].Occurred
	if first.OffsetMinutes != 60 || last.OffsetMinutes != 0 {
		t.Errorf("offsets %d and %d, want 60 and 0", first.OffsetMinutes, last.OffsetMinutes)
	}
	passes := map[int16]int{}
	for _, e := range b {
		if s := e.Occurred.String(); s[:13] == "2026-10-25T01" {
			passes[e.Occurred.OffsetMinutes]++
		}
	}
	if passes[60] == 0 || passes[0] == 0 {
		t.Errorf("events in the hour that comes twice, by offset: %v, want both", passes)
	}
	elapsedH := (last.UnixMS - first.UnixMS) / 3_600_000
	if elapsedH < 8 || elapsedH > 11 {
		t.Errorf("the night is %d h long", elapsedH)
	}
}

func TestEveryUglyDayIsTold(t *testing.T) {
	stories, seen := demo.Stories(), ""
	codes := reports.Codes()
	worked := map[string]bool{}
	for _, r := range recorded(build(t).Batches) {
		if r.Kind() == events.KindShiftStarted {
			worked[day(r.Occurred)+" "+string(r.Truck)] = true
		}
	}
	for _, s := range stories {
		key := s.Day + " " + string(s.Truck)
		if key <= seen || !worked[key] {
			t.Errorf("story %q of %s comes after %s, or nobody worked then", s.Title, key, seen)
		}
		seen = key
		if s.Title == "" || s.Text == "" || len(s.Look) == 0 {
			t.Errorf("story of %s is not told", key)
		}
		for _, l := range s.Look {
			if !slices.Contains([]string{"manifest", "water", "timesplit", "billable", "care", "stops", "axles"}, l.Report) || l.What == "" {
				t.Errorf("story of %s: look %+v", key, l)
			}
			if l.Code != "" && !slices.Contains(codes, l.Code) {
				t.Errorf("story of %s: unknown code %s", key, l.Code)
			}
		}
	}
	if len(stories) < 25 {
		t.Errorf("%d stories", len(stories))
	}
}

// TestTotals shows the month in figures with -v, and holds them to its size.
func TestTotals(t *testing.T) {
	m := build(t)
	kinds := map[events.Kind]int{}
	for _, r := range recorded(m.Batches) {
		kinds[r.Kind()]++
	}
	for _, k := range events.Kinds() {
		t.Logf("%-18s %5d", k, kinds[k])
		if kinds[k] == 0 && !slices.Contains([]events.Kind{events.KindReportIssued, events.KindHoldPlaced, events.KindHoldLifted}, k) {
			t.Errorf("the month has no %s", k)
		}
	}
	r := manifestOf(t, m.Batches, "2026-10-01", "2026-10-31")
	tippedT, docketT := r.Totals.Tipped.MassG()/1_000_000, r.Totals.DocketNetG/1_000_000
	t.Logf("%d batches, %d consignments, %d t tipped by the account, %d t by dockets", len(m.Batches), r.Totals.Consignments, tippedT, docketT)
	for _, truck := range r.Receipts {
		t.Logf("%s received %d kg of %s", truck.Facility, truck.Amount.MassG()/1000, truck.Code)
	}
	if tippedT < 500 || tippedT > 1000 || docketT < tippedT*97/100 || docketT > tippedT*103/100 {
		t.Errorf("%d t tipped, %d t by dockets", tippedT, docketT)
	}
}
