package manifest

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
	"spoilbook/reports/tank"
)

// trueSteps holds every step's arithmetic to its result.
func trueSteps(t rapid.TB, e reports.Explanation) {
	t.Helper()
	if len(e.Steps) == 0 || e.Says == "" || len(e.Cites) == 0 {
		t.Errorf("%s is hardly explained: %+v", e.Key, e)
	}
	for _, s := range e.Steps {
		if err := arithmetic.Check(s.Arithmetic, s.Result); err != nil {
			t.Errorf("%s, %s: %v", e.Key, s.What, err)
		}
	}
	for _, r := range e.Rules {
		if r.Rule == "" || r.Source == "" {
			t.Errorf("%s applies %+v", e.Key, r)
		}
	}
}

// resultOf returns the result of the only step whose name has all of some words.
func resultOf(t testing.TB, e reports.Explanation, words ...string) string {
	t.Helper()
	found := []string{}
	for _, s := range e.Steps {
		if !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(s.What, w) }) {
			found = append(found, s.Result)
		}
	}
	if len(found) != 1 {
		t.Fatalf("steps with %q are %q of %+v", words, found, e.Steps)
	}
	return found[0]
}

func explained(t testing.TB, r *Report, key string) reports.Explanation {
	t.Helper()
	e, ok := r.Explain("Consignments", key)
	if !ok {
		t.Fatalf("%s is not explained", key)
	}
	trueSteps(t, e)
	return e
}

// scenario is the tank scenario from first principles (recomputed independently;
// conservation confirmed by hledger): 2 m3 in the bank at 1900 kg/m3 and 15 % moisture
// with 3 m3 of jetting water, 1.5 m3 decanted, half of it tipped.
func scenario() *story {
	moisture := int64(150_000)
	s := newStory().truck("TM-01", "05 08:00", "J-101", events.LoadCollected{Start: at("05 07:30"), End: at("05 08:00"), Material: "M-CLAY", JettingWater: l(3000),
		Bank: &events.BankSoil{Volume: *l(2000), BulkDensityGPerM3: 1_900_000, MoisturePPM: &moisture}}).
		decant("05 08:30", "J-101", 1500, "O-1").tipAs("05 10:00", events.SpoilTipped{Facility: "F-LAND", PortionPPM: 500_000})
	return s.docket("06 09:00", s.last(), "F-LAND", 2_600_000)
}

func TestExplainTheScenario(t *testing.T) {
	s := scenario()
	e := explained(t, s.compute(t, Options{}), "TM-01-20261005-1")
	for words, want := range map[string]string{
		"soil as it was dug": "3,800.000 kg", "solids: mass of soil": "3,304.348 kg", "water: mass of soil": "3,495.652 kg",
		"decant of 2026-10-05 08:30, water let out": "1,500.000 kg", "left of the load of 2026-10-05 08:00 after decant of 2026-10-05 08:30: water": "1,995.652 kg",
		"mass in the tank × portion": "2,650.000 kg", "solids of what was tipped": "1,652.174 kg", "mass: solids and water": "2,650.000 kg",
		"density: mass over volume": "1,634.503 kg/m³", "less the account": "-50.000 kg", "in percent": "-1.8868 %", "gross weighing": "40.000 kg", "tare weighing": "40.000 kg",
		"the docket is good to": "65.320 kg",
	} {
		if got := resultOf(t, e, words); got != want {
			t.Errorf("%s is %s, want %s", words, got, want)
		}
	}
	sources, registers := []string{}, []string{}
	for _, r := range e.Rules {
		sources = append(sources, r.Source)
	}
	for _, want := range []string{"Das, Principles", "40 CFR 264.72(b)", "UK SI 1995/1907", "JCGM 100", "40 CFR 258.28(a)", "List of Wastes", "common practice"} {
		if !slices.ContainsFunc(sources, func(s string) bool { return strings.Contains(s, want) }) {
			t.Errorf("no rule names %s: %q", want, sources)
		}
	}
	for _, u := range e.Register {
		registers = append(registers, string(u.Register)+" "+u.Key)
	}
	for _, want := range []string{"facility F-LAND", "job J-101", "material M-CLAY", "outfall O-1", "truck TM-01"} {
		if !slices.Contains(registers, want) {
			t.Errorf("the register uses lack %s: %q", want, registers)
		}
	}
	for i := len(s.recs) - 3; i <= len(s.recs); i++ {
		if !slices.Contains(e.Cites, uint64(i)) {
			t.Errorf("the explanation does not cite %d: %v", i, e.Cites)
		}
	}
}

// Every method of knowing a load, turbid decants, a wash-out, tips of two jobs by mass
// and by volume, a return, a docket: all of it adds up to the printed digit.
func TestExplainEveryRelation(t *testing.T) {
	wet, turbid, density := int64(600_000), int64(40_000), int64(1_050_000)
	s := newStory().load("05 06:00", "J-101", "M-CLAY", 2400, 3600)
	add := func(minute string, b events.Body) { s.truck("TM-01", "05 06:"+minute, "J-102", b) }
	at6 := func(minute string) events.Time { return at("05 06:" + minute) }
	add("10", events.LoadCollected{Start: at6("05"), End: at6("10"), Material: "M-SAND", SlurryVolume: &events.Volume{VolumeML: 1_234_567, Basis: events.Measured, ToleranceML: 30_000}})
	add("20", events.LoadCollected{Start: at6("15"), End: at6("20"), Material: "M-SAND", SlurryMass: &events.Mass{MassG: 1_000_001, Basis: events.Measured, ToleranceG: 20_000}})
	add("30", events.LoadCollected{Start: at6("25"), End: at6("30"), Material: "M-CLAY", JettingWater: l(300), Bank: &events.BankSoil{Volume: *l(500), BulkDensityGPerM3: 2_000_000, MoisturePPM: &wet}})
	add("40", events.WaterUsed{Start: at6("35"), End: at6("40"), Purpose: events.ForWashing, Volume: *l(111), IntoDebrisTank: true})
	add("50", events.WaterDecanted{Start: at6("45"), End: at6("50"), Volume: *l(333), Outfall: "O-1", DensityGPerM3: &density})
	add("55", events.WaterDecanted{Start: at6("52"), End: at6("55"), Volume: *l(77), Outfall: "O-1", SuspendedSolidsMGPerL: &turbid})
	s.tipAs("05 07:30", events.SpoilTipped{Facility: "F-LAND", Volume: l(1001)}).tipAs("05 08:00", events.SpoilTipped{Facility: "F-WET", Mass: kg(2001)})
	tip := s.last()
	s.returned("05 08:30", events.SpoilReturned{Tip: tip, Facility: "F-WET", Mass: kg(500)}).tip("05 09:00", "F-LAND")
	s.docket("06 09:00", s.last(), "F-LAND", 5_000_000)
	for _, fifo := range []bool{false, true} {
		r := s.compute(t, Options{Tank: tank.Options{FirstInFirstOut: fifo}})
		if len(r.Consignments) != 3 {
			t.Fatalf("%d consignments", len(r.Consignments))
		}
		for i := range r.Consignments {
			explained(t, r, r.Consignments[i].Key)
		}
	}
}

// Whatever happened, and whoever asks: every step of every consignment is true, its
// figures are the line's, and it cites what the line cites.
func TestExplanationsAreTrue(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		o := Options{}
		o.Tank.FirstInFirstOut = rapid.Bool().Draw(rt, "first in, first out")
		q := drawRequest(rt)
		q.Filter.Job = rapid.SampledFrom([]events.JobID{"", "J-101"}).Draw(rt, "filter")
		r := Compute(drawStory(rt).journal(rt), q, o)
		keys, i := map[string]bool{}, 0
		for row := range r.keyed(r.consignmentTable()).Rows {
			e, ok := r.Explain("Consignments", row.Key)
			if !ok || keys[row.Key] {
				rt.Errorf("line %q: explained %v, seen before %v", row.Key, ok, keys[row.Key])
			}
			keys[row.Key] = true
			trueSteps(rt, e)
			for _, p := range row.Cites {
				if !slices.Contains(e.Cites, p) {
					rt.Errorf("%s: the explanation does not cite %d of its line", row.Key, p)
				}
			}
			c := &r.Consignments[i]
			i++
			for what, g := range map[string]int64{"solids tipped, share by share": c.Amount.SolidsG, "water tipped, share by share": c.Amount.WaterG} {
				want := inKg(g)
				if !slices.ContainsFunc(e.Steps, func(s reports.Step) bool { return strings.HasPrefix(s.What, what) && s.Result == want }) {
					rt.Errorf("%s: %s is not %s", c.Key, what, want)
				}
			}
		}
	})
}

// What belongs to others is a sum without names.
func TestExplanationUnderAFilter(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2400, 3600).load("05 09:00", "J-102", "M-OIL", 1600, 2000).tip("05 11:00", "F-WET")
	q := october(t)
	q.Filter.Job = "J-101"
	r := Compute(s.journal(t), q, Options{})
	text := fmt.Sprint(explained(t, r, "TM-01-20261005-1"))
	for _, secret := range []string{"J-102", "M-OIL", "Quillbeck", "Mast Road", "09:00"} {
		if strings.Contains(text, secret) {
			t.Errorf("the explanation for J-101 names %s: %s", secret, text)
		}
	}
	if _, ok := r.Explain("Consignments", "TM-01-20261005-9"); ok {
		t.Error("a consignment that is not there is explained")
	}
	if _, ok := r.Explain("By job", "TM-01-20261005-1"); ok {
		t.Error("a line of another table is explained")
	}
}

// Two tips with one paper number are told apart by our own.
func TestKeysOfRepeatedNumbers(t *testing.T) {
	s := newStory()
	for _, day := range []string{"05", "06"} {
		s.load(day+" 08:00", "J-101", "M-CLAY", 2000, 2800).tipAs(day+" 09:00", events.SpoilTipped{Facility: "F-WET", Whole: true, Consignment: "N-7"})
	}
	r := s.compute(t, Options{})
	for _, key := range []string{"TM-01-20261005-1", "TM-01-20261006-1"} {
		if e := explained(t, r, key); !strings.Contains(e.Says, "N-7") {
			t.Errorf("%s says %q", key, e.Says)
		}
	}
}
