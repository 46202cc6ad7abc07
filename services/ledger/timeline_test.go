package ledger_test

import (
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/txtar"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
	"spoilbook/reports/timeline"
	"spoilbook/reports/timesplit"
	"spoilbook/reports/yard"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// journalOf reads all that a ledger holds.
func journalOf(t *testing.T, book *ledger.Ledger) *reports.Journal {
	t.Helper()
	head, err := book.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	j, err := book.Journal(t.Context(), "", head.Position)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// agrees holds a day that was drawn out to the time split report of that day and to folds of what had occurred by each change of level; it
// returns how many slices and levels it looked at.
func agrees(t *testing.T, j *reports.Journal, r *timeline.Report) (slicesSeen, levels int) {
	t.Helper()
	for i := range r.Trucks {
		truck := &r.Trucks[i]
		split := timesplit.Compute(j, reports.Request{Period: r.Period, Filter: reports.Filter{Truck: truck.Truck}}, timesplit.Options{})
		var want []timesplit.Slice
		for k := range split.Shifts {
			want = append(want, split.Shifts[k].Slices...)
		}
		var got []timesplit.Slice
		for k := range truck.Slices {
			got = append(got, truck.Slices[k].Slice)
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s, %s: drawn\n%+v\nreported\n%+v", r.Period.Day(r.Period.From), truck.Truck, got, want)
		}
		slicesSeen += len(got)
		for k := range truck.Levels {
			l := truck.LevelAt(truck.Levels[k].At)
			if truck.Levels[k].Position == 0 {
				l.At.UnixMS-- // what was held as the day began
			}
			a := tank.Fold(j.Until(l.At), truck.Truck, tank.Options{OmitMovements: true})
			if a.Debris.VolumeML() != l.DebrisML || a.DebrisToleranceML != l.DebrisToleranceML || a.FreshML != l.FreshML {
				t.Errorf("%s at %s: drawn %+v; the account holds %d ± %d and %d", truck.Truck, l.At, l, a.Debris.VolumeML(), a.DebrisToleranceML, a.FreshML)
			}
			levels++
		}
		for _, f := range split.Findings {
			if !slices.ContainsFunc(truck.Findings, func(x yard.Found) bool { return x.Code == f.Code && x.At == f.At }) && r.Period.Contains(f.At) && f.Code != reports.WorkWithoutRest {
				t.Errorf("%s: the finding %s at %s of the time split is not in the day", truck.Truck, f.Code, f.At)
			}
		}
	}
	return slicesSeen, levels
}

func TestDaysOfTheMonthAgreeWithTheReports(t *testing.T) {
	book := monthBook(t)
	j := journalOf(t, book)
	allSlices, allLevels := 0, 0
	for date := time.Date(2026, 9, 30, 0, 0, 0, 0, time.UTC); date.Month() != time.November || date.Day() < 3; date = date.AddDate(0, 0, 1) {
		v, err := book.Day(t.Context(), ledger.DayQuery{Day: date.Format(time.DateOnly), Zone: demo.ZoneName})
		if err != nil {
			t.Fatal(err)
		}
		if v.Position != j.Position || len(v.Busy)+len(v.Idle) != 3 || len(v.Trucks) != len(v.Busy) {
			t.Errorf("%s: position %d, busy %v, idle %v, %d drawn", date.Format(time.DateOnly), v.Position, v.Busy, v.Idle, len(v.Trucks))
		}
		s, l := agrees(t, j, v.Report)
		allSlices, allLevels = allSlices+s, allLevels+l
	}
	if allSlices < 1500 || allLevels < 1000 {
		t.Errorf("%d slices and %d levels were looked at", allSlices, allLevels)
	}
}

// The same for the golden days, the ugly ones too.
func TestGoldenDaysAgreeWithTheReports(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(daysFolder, "*.txtar"))
	if err != nil || len(files) < 30 {
		t.Fatalf("%d days in %s: %v", len(files), daysFolder, err)
	}
	trucks := 0
	for _, file := range files {
		archive, err := txtar.ParseFile(file)
		if err != nil {
			t.Fatal(err)
		}
		d, err := readDay(archive, os.DirFS(daysFolder))
		if err != nil {
			t.Fatal(err)
		}
		book := d.ledger(t, d.sent())
		j := journalOf(t, book)
		period, err := reports.Days(d.first, d.last, d.zone)
		if err != nil {
			t.Fatal(err)
		}
		for _, date := range period.EachDay() {
			v, err := book.Day(t.Context(), ledger.DayQuery{Day: date, Zone: d.zone.String()})
			if err != nil {
				t.Fatal(err)
			}
			agrees(t, j, v.Report)
			trucks += len(v.Trucks)
		}
	}
	if trucks < 60 {
		t.Errorf("%d days of trucks were looked at", trucks)
	}
}

func TestDayIsAskedFor(t *testing.T) {
	book := monthBook(t)
	now := time.Date(2026, 10, 5, 10, 0, 0, 0, time.UTC)
	day := func(q ledger.DayQuery) *ledger.DayView {
		t.Helper()
		q.Zone, q.Now = demo.ZoneName, now
		v, err := book.Day(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	today := day(ledger.DayQuery{})
	if got := today.Period.Day(today.Period.From); got != "2026-10-05" || len(today.Trucks) != 3 {
		t.Errorf("today is %s with %d trucks", got, len(today.Trucks))
	}
	second := day(ledger.DayQuery{Skip: 1, Most: 1})
	if len(second.Trucks) != 1 || second.Trucks[0].Truck != "TM-02" || len(second.Busy) != 3 || !reflect.DeepEqual(second.Trucks[0].Levels, today.Trucks[1].Levels) {
		t.Errorf("the second of them: %+v", second.Trucks)
	}
	one := day(ledger.DayQuery{Trucks: []events.TruckID{"TM-02"}})
	if len(one.Trucks) != 1 || fmt.Sprintf("%+v", one.Trucks[0].Slices) != fmt.Sprintf("%+v", today.Trucks[1].Slices) {
		t.Errorf("one alone: %+v", one.Trucks)
	}
	if idle := day(ledger.DayQuery{Day: "2025-01-01", Trucks: []events.TruckID{"TM-02"}}); len(idle.Trucks) != 1 || len(idle.Trucks[0].Slices) != 0 {
		t.Errorf("a day with nothing: %+v", idle.Trucks)
	}
	for _, q := range []ledger.DayQuery{{Day: "2026-02-30", Zone: demo.ZoneName}, {Day: "2026-10-05", Zone: "Nowhere/Else"}} {
		if _, err := book.Day(t.Context(), q); ledger.CodeOf(err) != ledger.BadRequest {
			t.Errorf("%+v: %v", q, err)
		}
	}
	if _, err := book.Day(t.Context(), ledger.DayQuery{Day: "2026-10-05", Zone: demo.ZoneName, Trucks: []events.TruckID{"TM-77"}}); ledger.CodeOf(err) != ledger.NotFound {
		t.Errorf("a truck that there is not: %v", err)
	}
}

// What the yard counts as open after each golden day stands in the report that it names, for the days that it names.
func TestOpenFindingsStandInTheirReport(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(daysFolder, "*.txtar"))
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]int{}
	for _, file := range files {
		archive, err := txtar.ParseFile(file)
		if err != nil {
			t.Fatal(err)
		}
		d, err := readDay(archive, os.DirFS(daysFolder))
		if err != nil {
			t.Fatal(err)
		}
		book := d.ledger(t, d.sent())
		r, err := book.Yard(t.Context(), "", time.Date(2027, 6, 1, 0, 0, 0, 0, time.UTC))
		if err != nil {
			t.Fatal(err)
		}
		for _, truck := range r.Trucks {
			counted := 0
			for _, in := range truck.OpenIn {
				counted += in.Count
				seen[in.Report] += in.Count
				if shown := openShown(t, book, d.zone, truck.Truck, in); shown < in.Count {
					t.Errorf("%s, %s: the yard counts %d open in %s from %s to %s, which shows %d", filepath.Base(file), truck.Truck, in.Count, in.Report, in.First, in.Last, shown)
				}
			}
			if counted != truck.Open {
				t.Errorf("%s: %d open, by reports %d", truck.Truck, truck.Open, counted)
			}
		}
	}
	if seen["manifest"] < 5 {
		t.Errorf("open in all golden days: %v", seen)
	}
}

// openShown returns how many serious findings that nobody has answered a report shows.
func openShown(t *testing.T, book *ledger.Ledger, zone *time.Location, truck events.TruckID, in yard.OpenIn) int {
	t.Helper()
	day := func(at events.Time) string { return at.Std().In(zone).Format(time.DateOnly) }
	period, err := book.PeriodOf(day(in.First), day(in.Last), zone.String())
	if err != nil {
		t.Fatal(err)
	}
	report, err := book.Report(t.Context(), ledger.ReportQuery{Name: in.Report, Period: period, Filter: reports.Filter{Truck: truck}})
	if err != nil {
		t.Fatal(err)
	}
	open := 0
	for _, f := range report.Document.Findings {
		if f.Severity == reports.Serious && len(f.Answers) == 0 {
			open++
		}
	}
	return open
}
