package axles

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
)

// explained checks that every line is explained under a key of its own, with arithmetic
// that is true and with all events that the line cites.
func explained(r *Report) (lines int, err error) {
	for _, table := range r.Document().Tables {
		seen := map[string]bool{}
		for row := range table.Rows {
			e, ok := r.Explain(table.Name, row.Key)
			if !ok || seen[row.Key] || e.Key != row.Key || e.Table != table.Name || e.Says == "" || len(e.Rules) == 0 || len(e.Steps) == 0 {
				return lines, fmt.Errorf("%s: line %q is not explained or not the only one", table.Name, row.Key)
			}
			seen[row.Key] = true
			lines++
			for _, s := range e.Steps {
				if err := arithmetic.Check(s.Arithmetic, s.Result); err != nil {
					return lines, fmt.Errorf("%s of %s: %s: %w", table.Name, row.Key, s.What, err)
				}
			}
			for _, p := range row.Cites {
				if !slices.Contains(e.Cites, p) {
					return lines, fmt.Errorf("%s: line %q rests on %d, its explanation does not", table.Name, row.Key, p)
				}
			}
		}
	}
	return lines, nil
}

// tandem is the truck with its rear pair as two axles that are not equally heavy.
func tandem() events.Truck {
	doc := truck()
	doc.Axles = []events.Axle{{Name: "steer", FromFrontMM: 0, TareKg: 6_800, PermittedKg: 8_500},
		{Name: "drive 1", FromFrontMM: 4_600, TareKg: 4_301, PermittedKg: 9_000}, {Name: "drive 2", FromFrontMM: 5_801, TareKg: 3_899, PermittedKg: 9_000}}
	return doc
}

func TestEveryLineIsExplained(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := drawLedger(r)
		for i := range l.recs {
			if rev, ok := l.recs[i].Body.(events.RegisterRevised); ok && rev.Key == "TM-01" && rapid.Bool().Draw(r, "tandem") {
				rev.Document = tandem()
				l.recs[i].Body = rev
			}
		}
		o := Options{Rule: rapid.SampledFrom([]Rule{Permitted, USBridge}).Draw(r, "rule"), GroupMM: rapid.SampledFrom([]int64{0, 1_000, 9_000}).Draw(r, "group")}
		if _, err := explained(l.report(r, reports.Filter{}, o)); err != nil {
			r.Fatal(err)
		}
	})
}

func steps(e reports.Explanation) []string {
	list := []string{}
	for _, s := range e.Steps {
		list = append(list, s.Arithmetic+" = "+s.Result)
	}
	return list
}

// The truck of the package comment, 9000 kg aboard after two loads: the front is
// 203.846 kg over (statics, recomputed independently), and 963.637 kg must go.
func TestExplainAnOverload(t *testing.T) {
	l := newLedger(truck())
	l.load(60, 4_000, 5_000)
	l.load(120, 3_000, 4_000)
	l.put(180, "J-1", events.SiteLeft{})
	l.put(210, "J-1", events.FacilityArrived{Facility: "F-1"})
	r := l.report(t, reports.Filter{}, Options{})
	e, ok := r.Explain("Journeys", "/truck/TM-01#E-000005")
	if !ok {
		t.Fatal("the journey is not explained")
	}
	want := []string{
		"5000 + 4000 = 9,000.000 kg", "0 = 0.000 kg", "7000 × 100 ÷ 8000 = 87.5 %", "0 × 100 ÷ 2000 = 0.0 %",
		"15000 + 9000 + 0 = 24,000.000 kg", "rounddown(25000 − 24000) = 1,000 kg", "5.2 − (0) = 5.2 m",
		"8200 + (9000 × (4.1) + 0 × (2.6)) ÷ 5.2 = 15,296.154 kg", "6800 + (9000 × (1.1) + 0 × (2.6)) ÷ 5.2 = 8,703.846 kg",
		"rounddown(8500 − (6800 + (9000 × (1.1) + 0 × (2.6)) ÷ 5.2)) = -204 kg", "rounddown(16000 − (8200 + (9000 × (4.1) + 0 × (2.6)) ÷ 5.2)) = 703 kg",
	}
	if got := steps(e); !slices.Equal(got, want) {
		t.Errorf("steps\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	if !strings.Contains(e.Says, "; the front axle 8,704 kg of 8,500 kg permitted, 204 kg too much; ") || !slices.Equal(e.Cites, []uint64{1, 3, 4, 5, 6}) {
		t.Errorf("it says %q and cites %v", e.Says, e.Cites)
	}
	if len(e.Register) != 1 || e.Register[0].Position != 1 || !strings.Contains(e.Register[0].Reads, "rear pair at 5.2 m, tare 8200 kg, permitted 16000 kg") {
		t.Errorf("register %+v", e.Register)
	}
	e, _ = r.Explain("Room after loads", "/truck/TM-01#E-000004")
	want = []string{
		"rounddown(((8500 − 6800) × 5.2 − (9000 × (1.1) + 0 × (2.6))) ÷ (1.1)) = -964 kg", "rounddown(((16000 − 8200) × 5.2 − (9000 × (4.1) + 0 × (2.6))) ÷ (4.1)) = 892 kg",
		"rounddown(25000 − 24000) = 1,000 kg", "rounddown((8000 − 7000) × 1500 ÷ 1000) = 1,500 kg", "min(-964, 892, 1000, 1500) = -964 kg",
	}
	if got := steps(e); !slices.Equal(got[len(got)-5:], want) || !strings.Contains(e.Says, "For the road 964 kg must go; the front governs.") {
		t.Errorf("it says %q; steps\n%s", e.Says, strings.Join(got, "\n"))
	}
	if *r.Loads[1].Room.FrontG != -963_637 {
		t.Errorf("%d g must go, which is not enough or too much", *r.Loads[1].Room.FrontG)
	}
	for _, c := range [][2]string{{"Journeys", "none"}, {"Bridge formula", "/truck/TM-01#E-000005"}, {"none", "TM-01"}, {"Trucks", "TM-02"}} {
		if _, ok := r.Explain(c[0], c[1]); ok {
			t.Errorf("line %v was explained", c)
		}
	}
}

// Three axles over 5.801 m, 19 ft: a tie of the formula, 50,250, goes down to 50,000 lb.
func TestExplainTheBridgeFormula(t *testing.T) {
	l := newLedger(tandem())
	l.load(60, 7_000, 9_000)
	l.put(180, "J-1", events.SiteLeft{})
	r := l.report(t, reports.Filter{}, Options{Rule: USBridge})
	e, ok := r.Explain("Bridge formula", "/truck/TM-01#E-000004")
	if !ok {
		t.Fatal("it is not explained")
	}
	got := strings.Join(steps(e), "\n")
	for _, want := range []string{"round(5801 ÷ 304.8) = 19 ft", "min(80000, 500 × roundup(19 × 3 ÷ (3 − 1) + 12 × 3 + 36 − 0.5)) = 50,000 lb",
		"rounddown(50000 × 0.45359237 − 24000) = -1,321 kg"} {
		if !strings.Contains(got, want) {
			t.Errorf("no step %q in\n%s", want, got)
		}
	}
	if !strings.HasSuffix(e.Says, "the bridge formula allows 50,000 lb: 1,321 kg too much.") {
		t.Errorf("it says %q", e.Says)
	}
}

// A tank that was filled very often since it was empty begins with what it held.
func TestManyFills(t *testing.T) {
	l := newLedger(truck())
	for i := range 40 {
		l.load(20+20*i, 100, 150)
	}
	l.put(900, "J-1", events.SiteLeft{})
	r := l.report(t, reports.Filter{}, Options{})
	lines, err := explained(r)
	if err != nil || lines != 40+1+1+1 {
		t.Fatalf("%d lines are explained, %v", lines, err)
	}
	e, _ := r.Explain("Journeys", "/truck/TM-01#E-000043")
	if s := e.Steps[0]; !strings.HasPrefix(s.Arithmetic, "2400 + 150 + 150") || s.Result != "6,000.000 kg" || !strings.Contains(s.What, "what it held before") {
		t.Errorf("%s: %s = %s", s.What, s.Arithmetic, s.Result)
	}
}
