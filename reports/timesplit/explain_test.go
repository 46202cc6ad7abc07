package timesplit

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
	"spoilbook/reports/workrest"
)

func TestExplainASlice(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:40 site.arrived J-101\n07:20 standby.started")
	l.load("07:00", "07:30", "J-101")
	l.say("08:00 standby.ended\n08:00 site.left J-101\n08:30 facility.arrived")
	l.tip("08:40", "08:50")
	l.say("09:10 facility.left\n10:00 shift.ended")
	r := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{})
	e, ok := r.Explain("Slices", "TM-01/2026-10-05T06:00:00.000Z")
	if !ok {
		t.Fatal("the load's slice has no explanation")
	}
	if want := "From 2026-10-05 07:00 to 2026-10-05 07:30, 0 h 30 min, the time of TM-01 is loading, for job J-101."; e.Says != want {
		t.Errorf("it says %q", e.Says)
	}
	got := []string{}
	for _, s := range e.Steps {
		got = append(got, fmt.Sprintf("%s: %s = %s", s.What, s.Arithmetic, s.Result))
	}
	wantRows(t, got,
		"loading, claimed from 2026-10-05 07:00 to 2026-10-05 07:30; here counted: 90 − 60 = 30 min",
		"standby (awaiting-client), claimed from 2026-10-05 07:20 to 2026-10-05 08:00; here not counted: loading comes before standby: 90 − 80 = 10 min",
		"on-site, claimed from 2026-10-05 06:40 to 2026-10-05 08:00; here not counted: loading comes before where the truck was: 90 − 60 = 30 min",
		"length of the slice, in min from the shift's start at 2026-10-05 06:00: 90 − 60 = 30 min")
	if !slices.Equal(e.Cites, []uint64{1, 2, 3, 4, 5, 6, 10}) {
		t.Errorf("it cites %v", e.Cites)
	}
	e, ok = r.Explain("Shifts", "TM-01/2026-10-05T05:00:00.000Z")
	last := len(e.Steps) - 1
	if !ok || e.Steps[0].Result != "240 min" || e.Steps[last].Arithmetic != "40 + 20 + 30 + 120 + 30" || e.Steps[last].Result != "240 min" {
		t.Errorf("the shift: %+v", e.Steps)
	}
	if _, ok := r.Explain("Slices", "TM-01/2026-10-05T06:00:00.001Z"); ok {
		t.Error("a line that there is not was explained")
	}
	if _, ok := r.Explain("Days", "TM-01/2026-10-05T06:00:00.000Z"); ok {
		t.Error("a table without explanations explained a line")
	}
}

// explained checks that every line with a key of the tables named can be explained,
// with arithmetic that is true and sums to the line's length.
func explained(r *Report) error {
	for _, table := range r.Document().Tables {
		length := slices.IndexFunc(table.Columns, func(c reports.Column) bool { return c.Key == "length_h" })
		seen := map[string]bool{}
		for row := range table.Rows {
			if row.Key == "" {
				continue
			}
			e, ok := r.Explain(table.Name, row.Key)
			if !ok || seen[row.Key] || e.Key != row.Key || e.Table != table.Name || len(e.Rules) == 0 {
				return fmt.Errorf("%s: line %q is not explained or not the only one", table.Name, row.Key)
			}
			seen[row.Key] = true
			for _, s := range e.Steps {
				if err := arithmetic.Check(s.Arithmetic, s.Result); err != nil {
					return fmt.Errorf("%s of %s: %s: %w", table.Name, row.Key, s.What, err)
				}
			}
			last := e.Steps[len(e.Steps)-1].Result
			whole := table.Name == "Shifts" || table.Name == "Slices"
			if u := arithmetic.RulerFor(row.Cells[max(0, length)].Int); whole && last != u.Result(row.Cells[length].Int) && !strings.HasSuffix(last, " s") {
				return fmt.Errorf("%s: line %q is %s long, its explanation comes to %s", table.Name, row.Key, u.Result(row.Cells[length].Int), last)
			}
			for _, p := range row.Cites {
				if !slices.Contains(e.Cites, p) {
					return fmt.Errorf("%s: line %q rests on %d, its explanation does not", table.Name, row.Key, p)
				}
			}
		}
	}
	return nil
}

func TestEveryLineIsExplained(t *testing.T) {
	zone := mustZone(t, "Europe/Dublin")
	rapid.Check(t, func(rt *rapid.T) {
		p, err := reports.Days("2026-10-25", rapid.SampledFrom([]string{"2026-10-25", "2026-10-26"}).Draw(rt, "last"), zone)
		if err != nil {
			rt.Fatal(err)
		}
		if err := explained(Compute(drawLedger(rt).journal(), reports.Request{Period: p}, Options{})); err != nil {
			rt.Fatal(err)
		}
	})
}

func TestExplainWorkAndRest(t *testing.T) {
	l := newLedger(t)
	twoTrucks(l)
	r := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{})
	e, ok := r.Explain("Work and rest", "OP-1/continuous-work")
	got := []string{}
	for _, s := range e.Steps {
		got = append(got, s.What+": "+s.Arithmetic+" = "+s.Result)
	}
	if !ok {
		t.Fatal("it is not explained")
	}
	// By hand: to the site, on site, the rest of 20 min, on site, home; between the
	// trucks; to the site, on site, home.
	wantRows(t, got,
		"2026-10-05, in min: driving, work, rest too short to count, work, driving, rest too short to count, driving, work, driving: 30 + 150 + 20 + 40 + 20 + 20 + 20 + 40 + 20 = 360 min",
		"measured: 360 = 360 min",
		"margin: the limit less what was measured: 330 − 360 = -30 min")
	if !slices.Equal(e.Cites, []uint64{1, 6, 7, 10}) {
		t.Errorf("it cites %v", e.Cites)
	}
	us, _ := workrest.Named("us-395")
	r = Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{Rest: us})
	if e, ok = r.Explain("Work and rest", "OP-1/window"); !ok || e.Steps[0].Result != "360 min" || e.Steps[1].Result != "480 min" {
		t.Errorf("the window: %+v", e.Steps)
	}
}

func TestExplainTheReplay(t *testing.T) {
	l := newLedger(t)
	l.register(60)
	busyDay(l)
	r := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{})
	e, ok := r.Explain("If dumps took longer", "TM-01/125")
	if !ok {
		t.Fatal("it is not explained")
	}
	got := []string{}
	for _, s := range e.Steps {
		got = append(got, s.Arithmetic+" = "+s.Result)
	}
	// 2 + 2 + 2 m3 are 1 m3 too much for 5 m3; the loads' whole grams make a millilitre.
	wantRows(t, got[1:], "4000000 = 4000000 mL", "1 + 0 + 0 + 1 = 2 trips", "2 − 2 = 0 trips", "round(5400000 × 125 ÷ 100) = 6750000 ms", "(0) × 6750 − 2400 = -2400 s")
	if err := explained(r); err != nil {
		t.Error(err)
	}
}
