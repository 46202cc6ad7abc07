package billable

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

// steps writes an explanation's steps as "what: arithmetic = result" lines.
func steps(e reports.Explanation) string {
	b := &strings.Builder{}
	for _, s := range e.Steps {
		fmt.Fprintf(b, "%s: %s = %s\n", s.What, s.Arithmetic, s.Result)
	}
	return b.String()
}

// only returns the explanation of the report's one line of a kind.
func only(t *testing.T, r *Report, kind Kind) reports.Explanation {
	t.Helper()
	n := slices.IndexFunc(r.Lines, func(l Line) bool { return l.Kind == kind })
	if n < 0 {
		t.Fatalf("no line for %s: %v", kind, r.Lines)
	}
	e, ok := r.Explain("Invoice lines", r.Lines[n].Key)
	if !ok || e.Key != r.Lines[n].Key {
		t.Fatalf("line %s is not explained", r.Lines[n].Key)
	}
	return e
}

func TestExplainTheWorkedExample(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{TaxPer: "line", Rates: []events.ActivityRate{{Activity: events.Loading, HourlyRate: "180.00"}},
		Bands:    []events.Band{{Name: "evening", Days: []string{"mon"}, From: "18:00", To: "22:00", Multiplier: "1.5"}},
		Rounding: events.Rounding{IncrementMinutes: 15, Mode: "up", Per: "line"}})
	l.say("17:00 shift.started\n17:00 site.arrived J-1")
	l.load("17:20", "18:50", "J-1", 4_000_000)
	l.say("19:00 site.left J-1\n19:00 shift.ended")
	r := l.bill(t, "2026-10-05", "2026-10-05")
	e, ok := r.Explain("Invoice lines", r.Lines[1].Key)
	if !ok || e.Says != "Job J-1, 2026-10-05, TM-01: loading, 0:50 h charged as 1:00 h: 270.00 EUR." {
		t.Errorf("it says %q", e.Says)
	}
	wantText(t, steps(e), `
		loading from 2026-10-05 18:00 to 2026-10-05 18:50, in min: 50 = 50 min
		time billed: 50 = 50 min
		time charged: roundup(50 ÷ 15) × 15 = 60 min
		amount: hours × rate × multiplier: 60 ÷ 60 × 180 × 1.5 = 270.00 EUR
		tax: 270.00 × 23 ÷ 100 = 62.10 EUR`)
	reads := []string{}
	for _, u := range e.Register {
		reads = append(reads, fmt.Sprintf("%s %s: %s", u.Register, u.Key, u.Reads))
	}
	want := []string{"job J-1: client C-1, rate card RC-1, time zone Europe/Dublin",
		"rate-card RC-1: Card, EUR: loading 180 EUR an hour; band evening: mon, 18:00 to 22:00, times 1.5; rounding to 15 min, up, per line", "tax VAT: VAT, 23 %"}
	if !slices.Equal(reads, want) {
		t.Errorf("the register reads\n%s", strings.Join(reads, "\n"))
	}
	// The tax, the card and the job, then the load.
	if !slices.Equal(e.Cites, []uint64{1, 2, 3, 6}) {
		t.Errorf("it cites %v", e.Cites)
	}
	if _, ok := r.Explain("Invoice lines", "none"); ok {
		t.Error("a line that there is not was explained")
	}
}

func TestExplainRoundingAndMinimum(t *testing.T) {
	r := onSite(t, 52, events.RateCard{Rounding: events.Rounding{IncrementMinutes: 15, Mode: "nearest", Per: "visit"}})
	wantText(t, steps(only(t, r, ForRounding)), `
		time of the visit, in min (on-site, ordinary): 52 = 52 min
		rounded, less what it was: round(52 ÷ 15) × 15 − 52 = -7 min
		amount: hours × rate × multiplier: (-7) ÷ 60 × 60 × 1 = -7.00 EUR`)
	r = onSite(t, 20, events.RateCard{Minimum: events.Minimum{Minutes: 60, Per: "day"}})
	wantText(t, steps(only(t, r, ForMinimum)), `
		time of the day, in min (on-site, ordinary): 20 = 20 min
		shortfall: max(0, 60 − 20) = 40 min
		amount: hours × rate × multiplier: 40 ÷ 60 × 120 × 1 = 80.00 EUR`)
}

func TestExplainFreeStandbyAndCappedTravel(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{FreeStandbyMinutes: 30, TravelCapMinutes: 20, Rates: []events.ActivityRate{{Activity: events.Standby, HourlyRate: "60"}, {Activity: events.Travel, HourlyRate: "60"}}})
	l.say("07:30 shift.started\n08:00 site.arrived J-1\n08:10 standby.started - awaiting-client\n09:00 standby.ended\n10:00 site.left J-1\n10:00 shift.ended")
	for i := range l.recs {
		if l.recs[i].Job == "-" {
			l.recs[i].Job = ""
		}
	}
	r := l.bill(t, "2026-10-05", "2026-10-05")
	explained := map[events.Activity]string{}
	for i := range r.Lines {
		e, _ := r.Explain("Invoice lines", r.Lines[i].Key)
		explained[r.Lines[i].Activity] = steps(e)
	}
	wantText(t, explained[events.Standby], `
		standby of the visit that is free, of all that the card bills, in min: min(30, 50) = 30 min
		standby: awaiting-client from 2026-10-05 08:40 to 2026-10-05 09:00, in min: 20 = 20 min
		time billed: 20 = 20 min
		amount: hours × rate × multiplier: 20 ÷ 60 × 60 × 1 = 20.00 EUR`)
	wantText(t, explained[events.Travel], `
		travel of the visit that is paid, in min: min(20, 30) = 20 min
		travel from 2026-10-05 07:30 to 2026-10-05 07:50, in min: 20 = 20 min
		time billed: 20 = 20 min
		amount: hours × rate × multiplier: 20 ÷ 60 × 60 × 1 = 20.00 EUR`)
	e, ok := r.Explain("Not billed", r.NotBilled[0].key())
	if !ok || e.Says != "0:10 h of travel for J-1 are not billed: travel beyond the cap of the visit." {
		t.Errorf("time not billed: %+v", e)
	}
}

// explained checks that every line with a key can be explained, with arithmetic that
// is true and ends with the line's amount.
func explained(r *Report) error {
	for _, table := range r.Document().Tables {
		amount := slices.IndexFunc(table.Columns, func(c reports.Column) bool { return c.Key == "amount" })
		for row := range table.Rows {
			if row.Key == "" {
				continue
			}
			e, ok := r.Explain(table.Name, row.Key)
			if !ok || e.Table != table.Name || e.Key != row.Key || len(e.Rules) == 0 || e.Says == "" {
				return fmt.Errorf("%s: line %q is not explained: %+v", table.Name, row.Key, e)
			}
			found := amount < 0
			for _, s := range e.Steps {
				if err := arithmetic.Check(s.Arithmetic, s.Result); err != nil {
					return fmt.Errorf("%s of %q: %s: %w", table.Name, row.Key, s.What, err)
				}
				found = found || strings.HasPrefix(s.What, "amount") && strings.HasPrefix(s.Result, reports.Decimal(row.Cells[amount].Int, 2, 2)+" ")
			}
			if !found {
				return fmt.Errorf("%s: the steps of line %q do not end with its amount: %+v", table.Name, row.Key, e.Steps)
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
	zone, err := zones("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	from, to := events.MustTime("2026-10-24T00:00:00.000+01:00"), events.MustTime("2026-10-29T00:00:00.000+00:00")
	rapid.Check(t, func(rt *rapid.T) {
		r := compute(drawLedger(rt).journal(), from, to, zone)
		if err := explained(r); err != nil {
			rt.Fatal(err)
		}
	})
}

func TestExplainATip(t *testing.T) {
	card := events.RateCard{Spoil: events.SpoilRate{Per: "tonne", Rate: "25.50"}, GateFees: events.GateFeeRule{PassOn: true, MarkupPercent: "7.5"},
		WaterPerKL: "4.00", Fees: []events.Fee{{Name: "weighing", Amount: "9.99", Per: "tip"}, {Name: "call-out", Amount: "40", Per: "visit"}}}
	r := sharedTip(5_500_000, card, "18.00").bill(t, "2026-10-05", "2026-10-05")
	// 5,500,000 g x 3,600,000 / 5,600,000 is 3,535,714.29 g: nothing is left over for J-1.
	wantText(t, steps(only(t, r, ForGateFee)), `
		grams of the job in the tip, by the tank's account: 3600000 = 3,600,000 g
		grams of all jobs in the tip: 3600000 + 2000000 = 5,600,000 g
		grams of the job by docket D-9, with its part of the grams left over: rounddown(5500000 × 3600000 ÷ 5600000) + 0 = 3,535,714 g
		quantity: 3535714 ÷ 1000000 = 3.535714 t
		multiplier of the mark-up: (100 + 7.5) ÷ 100 = 1.075
		amount: quantity × rate × multiplier: 3535714 ÷ 1000000 × 18 × 1.075 = 68.42 EUR`)
	wantText(t, steps(only(t, r, ForWater)), `
		load.collected at 2026-10-05 07:00, in mL: 900000 = 900,000 mL
		water of the day: 900000 = 900,000 mL
		amount: thousands of litres × rate × multiplier: 900000 ÷ 1000000 × 4 × 1 = 3.60 EUR`)
	if err := explained(r); err != nil {
		t.Error(err)
	}
	// J-2's 2,000,000 g leave 0.71 of a gram, the largest remainder.
	n := slices.IndexFunc(r.Lines, func(l Line) bool { return l.Kind == ForSpoil && l.Job == "J-2" })
	if e := r.explainLine(&r.Lines[n]); e.Steps[2].Arithmetic != "rounddown(5500000 × 2000000 ÷ 5600000) + 1" {
		t.Errorf("the gram left over: %s", e.Steps[2].Arithmetic)
	}
	e, ok := r.Explain("Invoice totals", r.Invoices[0].key())
	if last := e.Steps[len(e.Steps)-1]; !ok || last.Arithmetic != plain(r.Invoices[0].NetCents)+" + "+plain(r.Invoices[0].TaxCents) {
		t.Errorf("the invoice: %+v", e.Steps)
	}
}
