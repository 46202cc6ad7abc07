package billable

import (
	"fmt"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
)

// at computes the report as it was at a ledger position.
func (l *ledger) billAt(t *testing.T, position int, first, last string) *Report {
	t.Helper()
	early := *l
	early.recs = l.recs[:position]
	return early.bill(t, first, last)
}

// changes writes an adjustment as "changed What 60.00 -> 90.00 30.00 [17]" lines.
func changes(a *Adjustment) string {
	b := &strings.Builder{}
	for i := range a.Changes {
		c := &a.Changes[i]
		fmt.Fprintf(b, "%s %s %s -> %s %s %v\n", c.Effect, c.Line().What, plain(amountOf(c.Old)), plain(amountOf(c.New)), plain(c.DifferenceCents()), c.Causes)
	}
	return b.String()
}

// morning is an hour of travel, two of loading with an hour on site between, and a tip.
func morning() *ledger {
	l := newLedger()
	l.agree(events.RateCard{Rates: []events.ActivityRate{{Activity: events.Travel, HourlyRate: "30"}, {Activity: events.OnSite, HourlyRate: "60"}, {Activity: events.Loading, HourlyRate: "120"}},
		Spoil: events.SpoilRate{Per: "tonne", Rate: "10"}})
	l.say("06:00 shift.started\n07:00 site.arrived J-1")
	l.load("07:00", "08:00", "J-1", 4_000_000)
	l.load("09:00", "10:00", "J-1", 2_000_000)
	l.put("10:20", "", events.SpoilTipped{Start: l.at("10:00"), End: l.at("10:20"), Facility: "F-1", Whole: true})
	l.say("11:00 site.left J-1\n11:00 shift.ended")
	return l
}

func (l *ledger) office(clock string, body events.Body) events.Ref {
	return l.record(events.Event{Source: events.OfficeSource("yard"), Occurred: l.at(clock), Truck: l.truck, Body: body})
}

func TestAnInvoiceIsAdjusted(t *testing.T) {
	const first, last = "2026-10-05", "2026-10-05"
	for _, c := range []struct {
		name, want string
		net, tax   int64
		happens    func(l *ledger)
	}{
		{"nothing happened", "", 0, 0, func(*ledger) {}},
		// Events 4 to 10 are the day; what comes after is 11.
		{"the leaving was half an hour later", `
			changed on-site 100.00 -> 130.00 30.00 [11]`, 3000, 690, func(l *ledger) {
			l.office("15:00", events.EntryCorrected{Refers: l.recs[8].Ref(), Reason: "read wrongly", Author: "A", Replacement: events.Replacement{Occurred: l.at("11:30"), Body: events.SiteLeft{}}})
			l.office("15:00", events.EntryCorrected{Refers: l.recs[9].Ref(), Reason: "read wrongly", Author: "A", Replacement: events.Replacement{Occurred: l.at("11:30"), Body: events.ShiftEnded{}}})
		}},
		// The load of 09:00 is on-site time instead, and its 2 t are not in the tip.
		{"a load was voided", `
			changed loading 240.00 -> 120.00 (-120.00) [11]
			changed on-site 100.00 -> 160.00 60.00 [11]
			changed spoil tipped at F-1, by the tank's account 60.00 -> 40.00 (-20.00) [11]`, -8000, -1840, func(l *ledger) {
			l.office("15:00", events.EntryVoided{Refers: l.recs[6].Ref(), Reason: "entered twice", Author: "A"})
		}},
		{"the docket came", `
			changed spoil tipped at F-1, by docket D-1 60.00 -> 55.00 (-5.00) [11]`, -500, -115, func(l *ledger) {
			l.office("15:00", events.DocketReceived{Tip: l.recs[7].Ref(), Facility: "F-1", Number: "D-1", WeighedAt: l.at("10:05"), NetG: 5_500_000})
		}},
		{"a stop on the carrier's side came late", `
			changed on-site 100.00 -> 80.00 (-20.00) [11 12]`, -2000, -460, func(l *ledger) {
			l.put("08:20", "", events.EmergencyStopPressed{Station: events.StationRear, Cause: "hose burst", Attribution: events.ByCarrier})
			l.put("08:40", "", events.PlantRestarted{})
		}},
		// At 21 % nothing else changes: the tax of 430.00 is 90.30 and was 98.90.
		{"the tax was put right", `
			changed travel 30.00 -> 30.00 0.00 [11]
			changed loading 240.00 -> 240.00 0.00 [11]
			changed on-site 100.00 -> 100.00 0.00 [11]
			changed spoil tipped at F-1, by the tank's account 60.00 -> 60.00 0.00 [11]`, 0, -860, func(l *ledger) {
			l.revise(early, "VAT", events.Tax{Name: "VAT", RatePercent: "21"})
		}},
		{"the card was revised for the time before", `
			removed travel 30.00 -> 0.00 (-30.00) [11]
			added travel 0.00 -> 45.00 45.00 [11]
			removed loading 240.00 -> 0.00 (-240.00) [11]
			removed on-site 100.00 -> 0.00 (-100.00) [11]
			removed spoil tipped at F-1, by the tank's account 60.00 -> 0.00 (-60.00) [11]
			added call-out 0.00 -> 50.00 50.00 [11]`, -33500, -7705, func(l *ledger) {
			l.revise(early, "RC-1", events.RateCard{Name: "Card", Currency: "EUR", Tax: "VAT", Fees: []events.Fee{{Name: "call-out", Amount: "50", Per: "visit"}},
				Rates: []events.ActivityRate{{Activity: events.Travel, HourlyRate: "45"}}})
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := morning()
			issued := l.billAt(t, 10, first, last)
			was := text(issued)
			c.happens(l)
			a := Adjust("INV-1", issued, l.bill(t, first, last))
			wantText(t, changes(&a), c.want)
			due := a.Due()
			if len(due) != 1 || due[0].NetCents != c.net || due[0].TaxCents != c.tax {
				t.Errorf("due %+v, want net %d and tax %d", due, c.net, c.tax)
			}
			if text(l.billAt(t, 10, first, last)) != was {
				t.Error("the issued invoice has changed")
			}
		})
	}
}

// TestAnAdjustmentIsTheDifference issues at any position of a drawn ledger: applied to
// the issued lines the changes give the lines of now, the totals are the difference of
// the invoices, and every change has causes, all of them recorded after the issue.
func TestAnAdjustmentIsTheDifference(t *testing.T) {
	zone, err := zones("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	from, to := events.MustTime("2026-10-24T00:00:00.000+01:00"), events.MustTime("2026-10-29T00:00:00.000+00:00")
	rapid.Check(t, func(r *rapid.T) {
		l := drawLedger(r)
		l.recs = rapid.Permutation(l.recs).Draw(r, "arrival")
		for i := range l.recs {
			l.recs[i].Position = uint64(i + 1)
		}
		part := *l
		part.recs = l.recs[:rapid.IntRange(0, len(l.recs)).Draw(r, "issued at")]
		issued, now := compute(part.journal(), from, to, zone), compute(l.journal(), from, to, zone)
		a := Adjust("INV-1", issued, now)
		lines, net := map[string]int64{}, map[string]int64{}
		for i := range issued.Lines {
			lines[issued.Lines[i].Key+issued.Lines[i].Currency] += issued.Lines[i].AmountCents
		}
		for i := range a.Changes {
			c := &a.Changes[i]
			lines[c.Line().Key+c.Line().Currency] += c.DifferenceCents()
			net[c.Line().Currency] += c.DifferenceCents()
			if len(c.Causes) == 0 {
				r.Fatalf("%s %s has no cause", c.Effect, c.Line().Key)
			}
			for _, p := range c.Causes {
				if p <= issued.Position || p > now.Position {
					r.Fatalf("%s is caused by %d, which was there at %d", c.Line().Key, p, issued.Position)
				}
			}
		}
		for i := range now.Lines {
			lines[now.Lines[i].Key+now.Lines[i].Currency] -= now.Lines[i].AmountCents
		}
		for key, left := range lines {
			if left != 0 {
				r.Fatalf("line %s is off by %d", key, left)
			}
		}
		gross := map[string]int64{}
		for i := range now.Invoices {
			gross[now.Invoices[i].Currency] += now.Invoices[i].GrossCents()
		}
		for i := range issued.Invoices {
			gross[issued.Invoices[i].Currency] -= issued.Invoices[i].GrossCents()
		}
		for _, d := range a.Due() {
			if d.NetCents != net[d.Currency] || d.GrossCents() != gross[d.Currency] || d.NewGrossCents-d.OldGrossCents != gross[d.Currency] {
				r.Fatalf("due %+v, the lines changed by %d and the invoices by %d", d, net[d.Currency], gross[d.Currency])
			}
		}
		for _, table := range a.Document().Tables {
			if len(table.Name) > 25 {
				r.Fatalf("table name %q is too long", table.Name)
			}
		}
	})
}
