package water_test

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
	"spoilbook/reports/water"
)

// trueSteps holds every step's arithmetic to its result.
func trueSteps(t rapid.TB, e reports.Explanation) {
	t.Helper()
	for _, s := range e.Steps {
		if err := arithmetic.Check(s.Arithmetic, s.Result); err != nil {
			t.Errorf("%s %s, %s: %v", e.Table, e.Key, s.What, err)
		}
	}
	if len(e.Steps) == 0 || e.Says == "" || len(e.Rules) == 0 {
		t.Errorf("%s %s is hardly explained: %+v", e.Table, e.Key, e)
	}
}

func explained(t testing.TB, r *water.Report, table, key string) reports.Explanation {
	t.Helper()
	e, ok := r.Explain(table, key)
	if !ok {
		t.Fatalf("%s of %s is not explained", key, table)
	}
	trueSteps(t, e)
	return e
}

// stepOf returns the arithmetic and the result of the only step with some words.
func stepOf(t testing.TB, e reports.Explanation, words string) string {
	t.Helper()
	found := []string{}
	for _, s := range e.Steps {
		if strings.Contains(s.What, words) {
			found = append(found, s.Arithmetic+" = "+s.Result)
		}
	}
	if len(found) != 1 {
		t.Fatalf("steps with %q are %q of %+v", words, found, e.Steps)
	}
	return found[0]
}

// Every line that has a key is explained once, truly, and cites what the line cites.
func TestExplanationsAreTrue(t *testing.T) {
	q := week(t, reports.Filter{})
	rapid.Check(t, func(rt *rapid.T) {
		q.Filter = reports.Filter{Truck: rapid.SampledFrom([]events.TruckID{"", one}).Draw(rt, "filter truck"),
			Job: rapid.SampledFrom([]events.JobID{"", "J-1"}).Draw(rt, "filter job")}
		r := days(rt).compute(q)
		keyed := map[string]int{}
		for _, table := range r.Document().Tables {
			seen := map[string]bool{}
			for row := range table.Rows {
				if row.Key == "" {
					continue
				}
				keyed[table.Name]++
				e, ok := r.Explain(table.Name, row.Key)
				if !ok || seen[row.Key] {
					rt.Fatalf("%s, %s: explained %v, seen before %v", table.Name, row.Key, ok, seen[row.Key])
				}
				seen[row.Key] = true
				trueSteps(rt, e)
				for _, p := range row.Cites {
					if !slices.Contains(e.Cites, p) {
						rt.Errorf("%s, %s: the explanation does not cite %d of its line", table.Name, row.Key, p)
					}
				}
			}
		}
		if keyed["Water by day"] != len(r.Days) || keyed["Draws"] != len(r.Draws) || keyed["Sources by day"] != len(r.Sources) {
			rt.Errorf("lines with keys are %v", keyed)
		}
	})
}

// The example of the package: 3000 L by each of two trucks against a cap of 5000.
func TestExplainACap(t *testing.T) {
	w := newTown()
	w.refill(one, "", bore, 3_000_000)
	w.refill(two, "", bore, 3_000_000)
	r := w.compute(week(t, reports.Filter{}))
	e := explained(t, r, "Sources by day", "W-BORE/2026-10-05")
	if got := stepOf(t, e, "drawn by all"); got != "3000 + 3000 = 6,000.000 L" {
		t.Error(got)
	}
	if got := stepOf(t, e, "less the limit"); got != "6000 − 5000 = 1,000.000 L" {
		t.Error(got)
	}
	if len(e.Register) != 1 || !strings.Contains(e.Register[0].Reads, "daily cap 5,000 L") || !slices.Contains(e.Cites, e.Register[0].Position) {
		t.Errorf("the register reads %+v", e.Register)
	}
	zero := explained(t, r, "Sources by day", "W-BORE/2026-10-06")
	if got := stepOf(t, zero, "drawn by all"); got != "0 = 0.000 L" {
		t.Error(got)
	}
	for _, none := range [][2]string{{"Sources by day", "W-BORE/2026-10-12"}, {"Uses", "2026-10-05"}, {"Water by day", ""}} {
		if e, ok := r.Explain(none[0], none[1]); ok {
			t.Errorf("%v is explained: %+v", none, e)
		}
	}
}

// A day's kinds add up: 2000 L of mains and 500 L recycled, 20 %; and a refill that its
// meter tells otherwise (2 % is OIML R 49, class 2, upper zone), 2 % of 2020 L and 3 % of 2000 L explain 83.5 L.
func TestExplainADayAndADraw(t *testing.T) {
	w := newTown()
	w.at(one, "", events.WaterRefilled{WaterSource: mains, Volume: measuredML(2_000_000), MeterStartML: ptr(100_000), MeterEndML: ptr(2_120_000), BackflowDevice: events.AirGap})
	w.refill(one, "J-1", recycled, 500_000)
	r := w.compute(week(t, reports.Filter{}))
	e := explained(t, r, "Water by day", "2026-10-05")
	for words, want := range map[string]string{"drawn, mains standpipe": "2000 = 2,000.000 L", "drawn from all sources": "2000 + 500 = 2,500.000 L", "recycled share": "500 ÷ 2500 × 100 = 20.0000 %"} {
		if got := stepOf(t, e, words); got != want {
			t.Errorf("%s: %s, want %s", words, got, want)
		}
	}
	explained(t, r, "Water by truck and job", "2026-10-05/TM-01/J-1")
	draw := explained(t, r, "Draws", r.Draws[0].Entry.Ref().String())
	for words, want := range map[string]string{"passed the meter": "2120 − 100 = 2,020.000 L", "limit of the meter": "2020 × 20 ÷ 1000 = 40.400 L", "both explain": "2 × rss(40.4, 60) ÷ sqrt(3) = 83.524 L"} {
		if got := stepOf(t, draw, words); got != want {
			t.Errorf("%s: %s, want %s", words, got, want)
		}
	}
}

func TestExplainANozzle(t *testing.T) {
	w := newTown()
	w.refill(one, "", mains, 3_000_000)
	w.at(one, "J-1", events.LoadCollected{Material: "M-CLAY", SlurryVolume: measuredML(2_000_000), SlurryMass: &events.Mass{MassG: 2_600_000, Basis: events.Measured},
		JettingWater: within(1_000_000, 20_000), Jet: &events.JetSetting{PressureKPa: 27_579, NozzleDiameterUM: 1500, Nozzles: 2, RunningMS: 25*60_000 + 1_250}})
	e := explained(t, w.compute(week(t, reports.Filter{})), "Three ways to know", "2026-10-05/TM-01/nozzle estimate")
	if got := stepOf(t, e, "the load of"); got != "0.666432440723755 × 0.9 × 1.5 × 1.5 × sqrt(275.79) × 2 × 1501.25 ÷ 60 = 1,121.507 L" {
		t.Error(got)
	}
	if !slices.ContainsFunc(e.Rules, func(b reports.Rulebook) bool {
		return strings.Contains(b.Source, "NFPA 291") && strings.Contains(b.Rule, "positive-displacement")
	}) {
		t.Errorf("the rules are %+v", e.Rules)
	}
}

// EPA 2022 construction permit: 40 and 61 NTU average 50.5, above 50.
func TestExplainAWeek(t *testing.T) {
	w := newTown()
	for _, milli := range []int64{40_000, 61_000} {
		w.at(one, "J-1", events.WaterDecanted{Outfall: lagoon, TurbidityMilliNTU: ptr(milli)})
	}
	e := explained(t, w.compute(week(t, reports.Filter{})), "Turbidity by week", "O-LAGOON/2026-10-05")
	if got := stepOf(t, e, "mean of the week"); got != "101 ÷ 2 = 50.500 NTU" {
		t.Error(got)
	}
}
