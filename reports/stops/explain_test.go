package stops_test

import (
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/explaintest"
	"spoilbook/reports/stops"
)

func steps(e reports.Explanation) string {
	list := []string{}
	for _, s := range e.Steps {
		list = append(list, s.What+": "+s.Arithmetic+" = "+s.Result)
	}
	return strings.Join(list, "\n")
}

// The stop of the package comment: 25 minutes to the reset and 3 more to the restart.
func TestExplainAStop(t *testing.T) {
	recs := record(nil, "TM-01", 0, "", events.ShiftStarted{})
	recs = record(recs, "TM-01", 242, "J-1", pressed)
	recs = record(recs, "TM-01", 267, "J-1", inspected)
	recs = record(recs, "TM-01", 270, "J-1", events.PlantRestarted{})
	recs = record(recs, "TM-01", 280, "J-1", inspected)
	r := stops.Compute(journalOf(recs), request(t))
	explaintest.EveryLine(t, r)
	e, ok := r.Explain("Stops", "/truck/TM-01#TM-01-000002")
	const want = `first press to the reset that counts, in min since 2026-10-05 00:00: 627 − 602 = 25 min
reset to restart, in min since 2026-10-05 00:00: 630 − 627 = 3 min
downtime: to the reset, and from it to the restart: 25 + 3 = 28 min`
	if got := steps(e); !ok || got != want {
		t.Errorf("steps\n%s\nwant\n%s", got, want)
	}
	if e.Says != "The emergency stop of TM-01 was pressed 2026-10-05 10:02 at rear, hose burst, and the plant stood 0 h 28 min." || !slices.Equal(e.Cites, []uint64{2, 3, 4}) {
		t.Errorf("it says %q and cites %v", e.Says, e.Cites)
	}
	if !slices.ContainsFunc(e.Rules, func(r reports.Rulebook) bool { return strings.Contains(r.Source, "2006/42/EC") }) {
		t.Errorf("rules %+v", e.Rules)
	}
	// The reset after the restart belongs to no stop, and says so.
	if e, ok := r.Explain("Presses and resets", "/truck/TM-01#TM-01-000005"); !ok || !strings.HasSuffix(e.Says, "It belongs to no stop on record.") || len(e.Steps) != 0 {
		t.Errorf("the reset alone: %+v", e)
	}
	if f := r.Document().Glance[3]; f.Label != "Resets and restarts of no stop" || f.Text != "1" {
		t.Errorf("at a glance %+v", f)
	}
	for _, c := range [][2]string{{"Stops", "none"}, {"none", "TM-01"}, {"Trucks", "TM-02"}, {"Sides", "client"}, {"Stations", "left"}, {"Presses and resets", ""}} {
		if _, ok := r.Explain(c[0], c[1]); ok {
			t.Errorf("line %v was explained", c)
		}
	}
}

// A stop that nobody restarted has no downtime, and its explanation reckons none.
func TestExplainAStopWithoutAnEnd(t *testing.T) {
	recs := record(nil, "TM-01", 0, "", events.ShiftStarted{})
	recs = record(recs, "TM-01", 10, "J-1", events.EmergencyStopPressed{Station: events.StationCab})
	recs = record(recs, "TM-01", 300, "", events.ShiftEnded{})
	r := stops.Compute(journalOf(recs), request(t))
	explaintest.EveryLine(t, r)
	e, _ := r.Explain("Stops", "/truck/TM-01#TM-01-000002")
	if !strings.Contains(e.Says, "nobody wrote down why; no restart is on record") || !strings.HasSuffix(e.Says, "Not on record: cause, reset, restart.") || len(e.Steps) != 0 {
		t.Errorf("it says %q with %d steps", e.Says, len(e.Steps))
	}
}
