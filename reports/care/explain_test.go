package care

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/explaintest"
)

func TestEveryLineIsExplained(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := drawLedger(r)
		if rapid.Bool().Draw(r, "a truck beside it") {
			for _, rec := range l.recs {
				rec.Truck, rec.Source, rec.Position = "TM-02", "/truck/TM-02", uint64(len(l.recs)+1)
				l.recs = append(l.recs, rec)
			}
		}
		explaintest.EveryLine(r, l.report(r, Options{AltitudeM: rapid.Int64Range(0, 3_000).Draw(r, "altitude")}))
	})
}

func steps(e reports.Explanation) string {
	list := []string{}
	for _, s := range e.Steps {
		list = append(list, s.What+": "+s.Arithmetic+" = "+s.Result)
	}
	return strings.Join(list, "\n")
}

// A flush that is due by 15:00 and done past midnight is late by ten hours.
func TestExplainATask(t *testing.T) {
	r := told(t, "06:30 start\n06:38 check\n08:00 load\n11:00 tip\n15:00 end\n1 01:00 vacuum-pump-flushed\n1 01:05 vacuum-pump-flushed").report(t, Options{})
	explaintest.EveryLine(t, r)
	e, ok := r.Explain("Care due", "2026-10-05/TM-01/vacuum-pump-flushed")
	const want = `time there was: due by less due from, in min since 2026-10-05 00:00: 900 − 480 = 420 min
done less due by; above zero it is late, in min since 2026-10-05 00:00: 1500 − 900 = 600 min`
	if got := steps(e); !ok || got != want {
		t.Errorf("steps\n%s\nwant\n%s", got, want)
	}
	if !strings.Contains(e.Says, "due from 2026-10-05 08:00 and by 2026-10-05 15:00") || !strings.HasSuffix(e.Says, "is of 2026-10-06 01:00: late.") || !slices.Equal(e.Cites, []uint64{3, 6}) {
		t.Errorf("it says %q and cites %v", e.Says, e.Cites)
	}
	e, ok = r.Explain("Care due", "2026-10-05/TM-01/separator-emptied/2026-10-05T10:00:00.000Z")
	if !ok || !strings.HasSuffix(e.Says, "No record of it was found from 2026-10-05 11:00 without an end: missed.") {
		t.Errorf("the separator: %q", e.Says)
	}
	e, ok = r.Explain("Trucks and tasks", "TM-01/vacuum-pump-flushed")
	if !ok || !strings.Contains(e.Says, "1 task due, of them 0 done in time, 1 late") || len(e.Steps) != 6 || e.Steps[5].Arithmetic != "0 + 1 + 0 + 0" {
		t.Errorf("the sum: %+v", e)
	}
	for _, c := range [][2]string{{"Care due", "none"}, {"none", "TM-01"}, {"Days", "2026-10-05"}, {"Rules", "x"}, {"Trucks and tasks", "TM-01/"}, {"Pre-start faults", ""}, {"Care records", ""}} {
		if _, ok := r.Explain(c[0], c[1]); ok {
			t.Errorf("line %v was explained", c)
		}
	}
}

// By hand: 24 and 28 kPa are 4 apart, a kilopascal more than gauges may differ, and of
// 28 that is more than 5 %: 400 - 140.
func TestExplainReadings(t *testing.T) {
	hot := gauges(24, 28)
	hot.OilDegC = of(81)
	r, _ := readings(t, Options{}, hot, events.CareRecorded{Task: events.VacuumPumpFlushed, DurationMS: 9_500})
	explaintest.EveryLine(t, r)
	e, _ := r.Explain("Care records", r.Records[0].key)
	for _, want := range []string{": 28 − (24) = 4 kPa\n", ": 28 − (24) − 3 = 1 kPa\n", ": (28 − (24)) × 100 − 5 × (28) = 260\n", ": 81 − 80 = 1 °C\n", ": 28 − 104.365 = -76.365 kPa\n"} {
		if !strings.Contains(steps(e), want) {
			t.Errorf("no step %q in\n%s", want, steps(e))
		}
	}
	if !strings.Contains(e.Says, "oil hot; gauges disagree") {
		t.Errorf("it says %q", e.Says)
	}
	e, _ = r.Explain("Care records", r.Records[1].key)
	if !strings.HasSuffix(steps(e), "below zero it is odd: 5 − 9.5 = -4.5 s") {
		t.Errorf("steps\n%s", steps(e))
	}
}

// An item found not in order is worked with and found in order the next morning.
func TestExplainAFault(t *testing.T) {
	r := told(t, "06:30 start\n06:38 fault\n08:00 load\n15:00 end\n1 06:38 check").report(t, Options{})
	explaintest.EveryLine(t, r)
	e, ok := r.Explain("Pre-start faults", r.Items[0].key())
	if !ok || !strings.Contains(e.Says, `found "Lights " not in order (left one out).`) || !strings.Contains(steps(e), "470 − 398 = 72 min") || !strings.Contains(steps(e), "1838 − 398 = 1440 min") {
		t.Errorf("it says %q; steps\n%s", e.Says, steps(e))
	}
}

// A finding of another day than its own says which day.
func TestTimesOfAnotherDayNameIt(t *testing.T) {
	r := told(t, "06:30 start\n06:38 check\n07:00 damaged\n15:00 end\n1 06:30 start\n1 06:38 check\n1 08:00 pump\n1 15:00 end").report(t, Options{})
	n := slices.IndexFunc(r.Findings, func(f reports.Finding) bool { return f.Code == reports.FilterDamaged })
	if n < 0 || !strings.Contains(r.Findings[n].What, "damaged at 07:00, and the vacuum pump ran (pump.engaged at 2026-10-06 08:00)") {
		t.Errorf("found %v", r.Findings)
	}
}
