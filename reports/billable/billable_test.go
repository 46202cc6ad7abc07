package billable

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

func evening() []events.Band {
	return []events.Band{{Name: "evening", Days: []string{"mon", "tue", "wed", "thu", "fri"}, From: "18:00", To: "22:00", Multiplier: "1.5"}}
}

func TestTheWorkedExample(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{Rates: []events.ActivityRate{{Activity: events.Loading, HourlyRate: "180.00"}}, Bands: evening(),
		Rounding: events.Rounding{IncrementMinutes: 15, Mode: "up", Per: "line"}})
	l.say("17:00 shift.started\n17:00 site.arrived J-1")
	l.load("17:20", "18:50", "J-1", 1_600_000)
	l.say("19:00 site.left J-1\n19:30 shift.ended")
	r := l.bill(t, "2026-10-05", "2026-10-05")
	wantText(t, text(r), `
		10-05 loading ordinary 0:40 0:45 180x1 135.00
		10-05 loading evening 0:50 1:00 180x1.5 270.00`)
	wantText(t, refused(r), `
		on-site 0:20 on-site is not on the rate card
		on-site 0:10 on-site is not on the rate card
		travel 0:30 travel is not on the rate card`)
	if v := r.Invoices[0]; len(r.Invoices) != 1 || v.NetCents != 40500 || v.TaxCents != 9315 || v.GrossCents() != 49815 {
		t.Errorf("invoice %+v", r.Invoices)
	}
	if n := found(r, reports.NotBillable); n != 2 {
		t.Errorf("%d findings of time not billed, want one for each reason", n)
	}
}

// onSite is a visit of some minutes from 08:00, billed at 60.00 an hour, so that
// a minute is a unit of money.
func onSite(t *testing.T, minutes int, card events.RateCard) *Report {
	t.Helper()
	card.Rates = []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}, {Activity: events.Loading, HourlyRate: "120"}}
	l := newLedger()
	l.agree(card)
	left := events.Time{UnixMS: l.at("08:00").UnixMS + int64(minutes)*60_000, OffsetMinutes: 60}.String()
	l.say("08:00 shift.started\n08:00 site.arrived J-1\n" + left + " site.left J-1\n" + left + " shift.ended")
	return l.bill(t, "2026-10-05", "2026-10-05")
}

func TestRounding(t *testing.T) {
	// Quarter hours to the nearest: 29 CFR 785.48(b). Half hours with one hour
	// minimum, 20 minutes to 1.0 h: Montana DOT rule.
	for _, c := range []struct {
		minutes   int
		increment int64
		mode      string
		minimum   int64
		want      int64 // minutes charged
	}{
		{7, 15, "nearest", 0, 0}, {8, 15, "nearest", 0, 15}, {22, 15, "nearest", 0, 15}, {23, 15, "nearest", 0, 30},
		{20, 30, "up", 60, 60}, {61, 30, "up", 60, 90}, {90, 30, "up", 60, 90},
		{1, 6, "up", 0, 6}, {6, 6, "up", 0, 6}, {2, 5, "nearest", 0, 0}, {3, 5, "nearest", 0, 5}, {37, 15, "none", 0, 37},
	} {
		for _, per := range []string{"line", "visit", "day"} {
			card := events.RateCard{Rounding: events.Rounding{IncrementMinutes: c.increment, Mode: c.mode, Per: per}}
			for _, least := range []string{"visit", "day"} {
				if c.minimum > 0 {
					card.Minimum = events.Minimum{Minutes: c.minimum, Per: least}
				}
				if r := onSite(t, c.minutes, card); chargedMS(r) != c.want*60_000 {
					t.Errorf("%d min to %d %s by %s, minimum %d by %s: charged %s, want %d min\n%s", c.minutes, c.increment, c.mode, per,
						c.minimum, least, clock(chargedMS(r)), c.want, text(r))
				}
			}
		}
	}
}

func chargedMS(r *Report) int64 {
	sum := int64(0)
	for i := range r.Lines {
		sum += r.Lines[i].ChargedMS
	}
	return sum
}

func TestRoundingOfAVisitIsALine(t *testing.T) {
	r := onSite(t, 52, events.RateCard{Rounding: events.Rounding{IncrementMinutes: 15, Mode: "nearest", Per: "visit"}})
	wantText(t, text(r), `
		10-05 on-site ordinary 0:52 0:52 60x1 52.00
		10-05 rounding of the visit to 15 min, nearest ordinary 0:00 -0:07 60x1 -7.00`)
	r = onSite(t, 20, events.RateCard{Minimum: events.Minimum{Minutes: 60, Per: "day"}})
	wantText(t, text(r), `
		10-05 on-site ordinary 0:20 0:20 60x1 20.00
		10-05 minimum of 60 min a day ordinary 0:00 0:40 120x1 80.00`)
}

func TestRoundingBelongsToThePeriodOfItsEnd(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}},
		Rounding: events.Rounding{IncrementMinutes: 60, Mode: "up", Per: "visit"}})
	l.say("22:50 shift.started\n22:50 site.arrived J-1\n2026-10-06T00:00:00.000+01:00 site.left J-1\n2026-10-06T00:30:00.000+01:00 shift.ended")
	wantText(t, text(l.bill(t, "2026-10-05", "2026-10-05")), `
		10-05 on-site ordinary 1:10 1:10 60x1 70.00
		10-05 rounding of the visit to 60 min, up ordinary 0:00 0:50 60x1 50.00`)
	wantText(t, text(l.bill(t, "2026-10-06", "2026-10-06")), "")
}

func TestWhatIsNotBilled(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{FreeStandbyMinutes: 30, TravelCapMinutes: 45, CarrierBears: []events.StandbyCause{events.Breakdown},
		CarrierBearsStops: []events.Attribution{events.ByThirdParty},
		Rates: []events.ActivityRate{{Activity: events.Travel, HourlyRate: "60"}, {Activity: events.Standby, HourlyRate: "60"},
			{Activity: events.Stopped, HourlyRate: "60"}, {Activity: events.OnSite, HourlyRate: "60"}}})
	l.say(`06:00 shift.started
		06:30 site.arrived J-1
		07:00 standby.started - awaiting-client
		07:20 standby.started - breakdown
		07:40 standby.started - awaiting-access
		08:00 standby.ended
		09:00 stop.pressed - carrier
		09:05 stop.reset
		09:20 plant.restarted
		10:00 stop.pressed - unknown
		10:05 stop.reset
		10:10 plant.restarted
		10:20 stop.pressed - third-party
		10:25 stop.reset
		10:30 plant.restarted
		11:00 stop.pressed - client
		11:05 stop.reset
		11:15 plant.restarted
		12:00 site.left J-1
		12:30 shift.ended`)
	for i := range l.recs {
		if l.recs[i].Job == "-" {
			l.recs[i].Job = ""
		}
	}
	r := l.bill(t, "2026-10-05", "2026-10-05")
	wantText(t, refused(r), `
		standby 0:20 within the free standby of the visit
		standby 0:20 standby that the rate card leaves with the carrier (breakdown)
		standby 0:10 within the free standby of the visit
		stopped 0:20 stop on the carrier's side
		stopped 0:10 stop on an unknown side
		stopped 0:10 stop that the rate card leaves with the carrier (third-party)
		travel 0:15 travel beyond the cap of the visit`)
	wantText(t, text(r), `
		10-05 travel ordinary 0:45 0:45 60x1 45.00
		10-05 on-site ordinary 3:35 3:35 60x1 215.00
		10-05 standby: awaiting-access ordinary 0:10 0:10 60x1 10.00
		10-05 stopped: alarm ordinary 0:15 0:15 60x1 15.00`)
}

func TestTheCardInForceWhenTheVisitBegan(t *testing.T) {
	l := newLedger()
	card := events.RateCard{Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}}}
	l.agree(card)
	card.Name, card.Tax, card.Currency, card.Rates = "Card", "VAT", "EUR", []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "90"}}
	l.revise("09:00", "RC-1", card)
	l.say("08:00 shift.started\n08:00 site.arrived J-1\n09:10 rest.started\n09:40 rest.ended\n10:00 site.left J-1\n10:00 site.arrived J-1\n11:00 site.left J-1\n11:00 shift.ended")
	wantText(t, text(l.bill(t, "2026-10-05", "2026-10-05")), `
		10-05 on-site ordinary 1:30 1:30 60x1 90.00
		10-05 on-site ordinary 1:00 1:00 90x1 90.00`)
}

func TestWithoutACard(t *testing.T) {
	l := newLedger()
	l.revise(early, "J-1", job("C-1", "RC-9"))
	l.say("08:00 shift.started\n08:00 site.arrived J-1\n10:00 site.left J-1\n10:00 site.arrived J-1\n11:00 site.left J-1\n11:00 shift.ended")
	r := l.bill(t, "2026-10-05", "2026-10-05")
	if len(r.Lines) != 0 || found(r, reports.NoRateCard) != 1 || r.ShiftMS != 3*hourMS {
		t.Errorf("lines %v, findings %v", r.Lines, r.Findings)
	}
}

func TestTax(t *testing.T) {
	// Three lines of 0.05 at 10 %: by line 0.005 rounds to 0.01 each, by invoice
	// 0.015 to 0.02; half to even gives 0.00 and 0.02.
	for _, c := range []struct {
		per, rounding string
		want          int64
	}{{"line", "", 3}, {"invoice", "", 2}, {"", "", 2}, {"line", "half-even", 0}, {"invoice", "half-even", 2}} {
		l := newLedger()
		l.agree(events.RateCard{TaxPer: c.per, MoneyRounding: c.rounding, Fees: []events.Fee{{Name: "call-out", Amount: "0.05", Per: "visit"}}})
		l.revise(early, "VAT", events.Tax{Name: "VAT", RatePercent: "10"})
		l.say("08:00 shift.started\n08:00 site.arrived J-1\n09:00 site.left J-1\n09:00 site.arrived J-1\n10:00 site.left J-1\n10:00 site.arrived J-1\n11:00 shift.ended")
		r := l.bill(t, "2026-10-05", "2026-10-05")
		if len(r.Lines) != 3 || len(r.Invoices) != 1 || r.Invoices[0].TaxCents != c.want || r.Invoices[0].NetCents != 15 {
			t.Errorf("tax by %q, %q: %+v", c.per, c.rounding, r.Invoices)
		}
	}
	l := newLedger()
	l.agree(events.RateCard{Fees: []events.Fee{{Name: "call-out", Amount: "5", Per: "visit"}}})
	for i := range l.recs {
		if b, ok := l.recs[i].Body.(events.RegisterRevised); ok && b.Key == "VAT" {
			b.EffectiveFrom = l.at("23:00")
			l.recs[i].Body = b
		}
	}
	l.say("08:00 shift.started\n08:00 site.arrived J-1\n09:00 site.left J-1\n09:00 shift.ended")
	r := l.bill(t, "2026-10-05", "2026-10-05")
	if found(r, reports.NoTax) != 1 || r.Invoices[0].TaxKnown || r.Invoices[0].TaxCents != 0 {
		t.Errorf("a tax not yet in force: %+v, %v", r.Invoices, r.Findings)
	}
}

func TestCurrenciesAreNotAddedUp(t *testing.T) {
	l := newLedger()
	fee := []events.Fee{{Name: "call-out", Amount: "100", Per: "visit"}}
	l.agree(events.RateCard{Fees: fee})
	l.revise(early, "RC-2", events.RateCard{Name: "B", Currency: "GBP", Tax: "VAT", Fees: fee})
	l.revise(early, "J-2", job("C-1", "RC-2"))
	l.say("08:00 shift.started\n08:00 site.arrived J-1\n09:00 site.left J-1\n09:00 site.arrived J-2\n10:00 site.left J-2\n10:00 shift.ended")
	r := l.bill(t, "2026-10-05", "2026-10-05")
	if found(r, reports.MixedCurrencies) != 1 || len(r.Invoices) != 2 {
		t.Errorf("findings %v, invoices %+v", r.Findings, r.Invoices)
	}
	for _, table := range r.Document().Tables {
		for i, c := range table.Columns {
			if (c.Key == "amount" || c.Key == "net" || c.Key == "gross") && (c.Total || !table.Totals[i].Empty) {
				t.Errorf("%s adds up %s in two currencies", table.Name, c.Key)
			}
		}
	}
}

func TestAClientSeesOnlyItsOwn(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}}})
	l.revise(early, "J-2", job("C-2", "RC-1"))
	l.say("08:00 shift.started\n08:00 site.arrived J-1\n09:00 site.left J-1\n09:30 site.arrived J-2\n10:30 site.left J-2\n10:30 shift.ended")
	q := reports.Request{Period: l.bill(t, "2026-10-05", "2026-10-05").Request.Period, Filter: reports.Filter{Client: "C-2"}}
	r := Compute(l.journal(), q, Options{Zones: zones})
	if err := sound(r); err != nil {
		t.Fatal(err)
	}
	wantText(t, text(r), "10-05 on-site ordinary 1:00 1:00 60x1 60.00")
	wantText(t, refused(r), "travel 0:30 travel is not on the rate card")
	if r.ShiftMS != hourMS*3/2 {
		t.Errorf("the client's time is %s", clock(r.ShiftMS))
	}
}
