package billable

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

// sharedTip is 3600 kg of J-1 and 2000 kg of J-2 in the tank, all of it tipped,
// with a docket of netG when that is not 0.
func sharedTip(netG int64, card events.RateCard, fee events.Decimal) *ledger {
	l := newLedger()
	l.agree(card)
	l.revise(early, "J-2", job("C-2", "RC-1"))
	l.revise(early, "F-1", events.Facility{Name: "F", Address: "A", Class: events.SoilRecoveryClass, GateFeePerTonne: fee, Currency: "EUR", TimeZone: "Europe/Dublin"})
	l.say("06:00 shift.started\n06:00 site.arrived J-1")
	l.load("06:00", "07:00", "J-1", 3_600_000)
	l.say("07:00 site.left J-1\n07:30 site.arrived J-2")
	l.load("07:30", "08:00", "J-2", 2_000_000)
	l.put("08:10", "J-2", events.WaterUsed{Start: l.at("08:05"), End: l.at("08:10"), Purpose: events.ForWashing, Volume: events.Volume{VolumeML: 250_000, Basis: events.Measured}})
	l.say("08:30 site.left J-2\n09:00 facility.arrived")
	tip := l.put("09:20", "", events.SpoilTipped{Start: l.at("09:10"), End: l.at("09:20"), Facility: "F-1", Whole: true})
	l.say("09:30 facility.left\n10:00 shift.ended")
	if netG > 0 {
		l.record(events.Event{Source: events.OfficeSource("yard"), Occurred: l.at("15:00"), Truck: "TM-01",
			Body: events.DocketReceived{Tip: tip, Facility: "F-1", Number: "D-9", WeighedAt: l.at("09:05"), NetG: netG}})
	}
	return l
}

func TestSpoilByTheTonne(t *testing.T) {
	card := events.RateCard{Spoil: events.SpoilRate{Per: "tonne", Rate: "25.50"}}
	wantText(t, text(sharedTip(0, card, "").bill(t, "2026-10-05", "2026-10-05")), `
		10-05 J-1 spoil tipped at F-1, by the tank's account 3.6 t 25.5x1 91.80
		10-05 J-2 spoil tipped at F-1, by the tank's account 2 t 25.5x1 51.00`)
	// The docket's 5.5 t are shared 3600 to 2000 by largest remainder.
	wantText(t, text(sharedTip(5_500_000, card, "").bill(t, "2026-10-05", "2026-10-05")), `
		10-05 J-1 spoil tipped at F-1, by docket D-9 3.535714 t 25.5x1 90.16
		10-05 J-2 spoil tipped at F-1, by docket D-9 1.964286 t 25.5x1 50.09`)
}

func TestSpoilByTheCubicMetre(t *testing.T) {
	card := events.RateCard{Spoil: events.SpoilRate{Per: "m3", Rate: "40"}}
	wantText(t, text(sharedTip(5_500_000, card, "").bill(t, "2026-10-05", "2026-10-05")), `
		10-05 J-1 spoil tipped at F-1, by the tank's account 2.25 m³ 40x1 90.00
		10-05 J-2 spoil tipped at F-1, by the tank's account 1.25 m³ 40x1 50.00`)
}

func TestGateFees(t *testing.T) {
	card := events.RateCard{GateFees: events.GateFeeRule{PassOn: true, MarkupPercent: "7.5"}}
	wantText(t, text(sharedTip(5_500_000, card, "18.00").bill(t, "2026-10-05", "2026-10-05")), `
		10-05 J-1 gate fee of F-1, docket D-9 3.535714 t 18x1.075 68.42
		10-05 J-2 gate fee of F-1, docket D-9 1.964286 t 18x1.075 38.01`)
	for name, l := range map[string]*ledger{"no docket": sharedTip(0, card, "18.00"), "no fee": sharedTip(5_500_000, card, "")} {
		r := l.bill(t, "2026-10-05", "2026-10-05")
		if len(r.Lines) != 0 || found(r, reports.GateFeeUnknown) != 2 {
			t.Errorf("%s: lines %s, findings %v", name, text(r), r.Findings)
		}
	}
	card.Currency = "GBP"
	if r := sharedTip(5_500_000, card, "18.00").bill(t, "2026-10-05", "2026-10-05"); len(r.Lines) != 0 || found(r, reports.GateFeeUnknown) != 2 {
		t.Errorf("a fee in euro on a card in pounds: %s", text(r))
	}
}

func TestWaterAndFees(t *testing.T) {
	card := events.RateCard{WaterPerKL: "4.20", Fees: []events.Fee{{Name: "call-out", Amount: "50", Per: "visit"},
		{Name: "tip handling", Amount: "28", Per: "tip"}, {Name: "road levy", Amount: "12", Per: "day"}}}
	r := sharedTip(0, card, "").bill(t, "2026-10-05", "2026-10-05")
	wantText(t, text(r), `
		10-05 J-1 fresh water used 0.9 kL 4.2x1 3.78
		10-05 J-1 tip handling 0.642857 each 28x1 18.00
		10-05 J-1 road levy 1 each 12x1 12.00
		10-05 J-1 call-out 1 each 50x1 50.00
		10-05 J-2 fresh water used 0.75 kL 4.2x1 3.15
		10-05 J-2 tip handling 0.357143 each 28x1 10.00
		10-05 J-2 road levy 1 each 12x1 12.00
		10-05 J-2 call-out 1 each 50x1 50.00`)
	for i := range r.Lines {
		if l := &r.Lines[i]; l.Kind == ForWater && l.Job == "J-2" && len(l.Positions) != 2 {
			t.Errorf("the water of J-2 lists %v, want the load and the washing", l.Positions)
		}
	}
}
