package tank_test

import (
	"slices"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// docketDay tips massG by the account, with a tolerance of 3 %, and receives a docket
// of netG weighed with a tare of 15 t on a 20 kg scale.
func docketDay(massG, netG int64) *yard {
	y := newYard()
	y.at("J-1", slurryOf(clay, massG))
	ref := y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	tare := int64(15_000_000)
	gross := tare + netG
	y.office(events.DocketReceived{Tip: ref, Facility: pit, Number: "D-1", WeighedAt: y.now, GrossG: &gross, TareG: &tare, NetG: netG, ScaleIntervalG: 20_000})
	return y
}

// ISO 13528 (from memory), arithmetic recomputed independently: two weighings at 40 kg
// are 65.3 kg; 8960 kg against 9180 kg with 3 % is 0.777 and passes.
func TestDocketWithinTolerance(t *testing.T) {
	a := docketDay(9_180_000, 8_960_000).fold(tank.Options{})
	d := a.Tips[0].Docket
	if d == nil || !d.Counts {
		t.Fatal("the docket does not count")
	}
	near(t, "tolerance of the docket", d.ToleranceG, 65_300, 50)
	near(t, "tolerance of the account", a.Tips[0].ToleranceG, 275_400, 0)
	near(t, "En", d.EnMilli, 777, 1)
	wantCodes(t, a, map[reports.Code]int{})
}

// 8960 kg against 9300 kg with 3 % is 1.187 and is flagged (recomputed independently).
func TestDocketBeyondTolerance(t *testing.T) {
	a := docketDay(9_300_000, 8_960_000).fold(tank.Options{})
	near(t, "En", a.Tips[0].Docket.EnMilli, 1_187, 1)
	wantCodes(t, a, map[reports.Code]int{reports.DocketDiffers: 1})
	u := a.Balance(tank.Unaccounted)
	near(t, "unaccounted", u.SolidsG+u.WaterG, 340_000, 0)
	near(t, "solids of it", u.SolidsG*1_000_000/340_000, a.Tips[0].SolidsG*1_000_000/a.Tips[0].MassG(), 3)
	near(t, "settled", first(a.Tips[0].SettledMassG()), 8_960_000, 0)
	near(t, "account", a.Tips[0].MassG(), 9_300_000, 0)
	conserved(t, a)
}

func first(v int64, _ events.Basis) int64 { return v }

// 40 CFR 264.72(b): strictly more than 10 % by weight. Of 10 000 kg, 11 000 and 9000
// are not, 11 001 and 8999 are.
func TestTenPercentRule(t *testing.T) {
	for netG, want := range map[int64]bool{11_000_000: false, 9_000_000: false, 11_001_000: true, 8_999_000: true} {
		a := docketDay(10_000_000, netG).fold(tank.Options{})
		if got := codes(a)[reports.DocketOverTenPercent] == 1; got != want {
			t.Errorf("%d g against 10 t is over 10 %%: %v; want %v", netG, got, want)
		}
	}
}

func TestDocketsThatDoNotCount(t *testing.T) {
	y := docketDay(9_000_000, 9_000_000)
	tip := y.recs[len(y.recs)-2].Ref()
	docket := y.recs[len(y.recs)-1].Body.(events.DocketReceived)
	docket.NetG, docket.GrossG, docket.TareG = 8_900_000, nil, nil

	docket.Number = "D-2"
	y.office(docket) // a second one for the tip
	docket.Number, docket.Facility = "D-3", "F-OTHER"
	y.office(docket)
	docket.Number, docket.Facility, docket.Tip = "D-4", pit, events.Ref{Source: events.TruckSource("TM-02"), ID: "e-1"}
	y.office(docket)
	docket.Number, docket.Tip = "D-5", y.recs[len(y.recs)-6].Ref() // a load
	y.office(docket)
	a := y.fold(tank.Options{})
	wantCodes(t, a, map[reports.Code]int{reports.DocketRepeated: 1, reports.DocketUnmatched: 3})
	if got := a.Tips[0]; got.Docket.Number != "D-1" || len(got.Repeated) != 1 || got.Repeated[0].Number != "D-2" {
		t.Errorf("the tip %v has dockets %+v and %+v", tip, got.Docket, got.Repeated)
	}
	if len(a.Dockets) != 5 || a.Dockets[0].Tip != 0 || a.Dockets[2].Tip != -1 {
		t.Errorf("dockets are %+v", a.Dockets)
	}
	near(t, "unaccounted", a.Balance(tank.Unaccounted).SolidsG, 0, 0)
}

// A tip that was corrected keeps its docket, whether the docket refers to the tip or
// to the correction, and cites both.
func TestDocketOfCorrectedTip(t *testing.T) {
	for _, toCorrection := range []bool{false, true} {
		y := newYard()
		y.at("J-1", slurryOf(clay, 9_000_000))
		ref := y.at("", events.SpoilTipped{Facility: "F-WRONG", Whole: true})
		to := ref
		correction := y.office(events.EntryCorrected{Refers: ref, Reason: "other gate", Author: "A",
			Replacement: events.Replacement{Body: events.SpoilTipped{Facility: pit, Whole: true}}})
		if toCorrection {
			to = correction
		}
		y.office(events.DocketReceived{Tip: to, Facility: pit, Number: "D-1", WeighedAt: y.now, NetG: 9_010_000})
		a := y.fold(tank.Options{})
		wantCodes(t, a, map[reports.Code]int{})
		if a.Tips[0].Docket == nil {
			t.Fatalf("no docket; referring to the correction: %v", toCorrection)
		}
		near(t, "docket", a.Balance(tank.FacilityAccount(pit)).SolidsG+a.Balance(tank.FacilityAccount(pit)).WaterG, 9_010_000, 0)
		n := uint64(len(y.recs))
		if got := a.Tips[0].Entry.Positions; !slices.Equal(got, []uint64{n - 2, n - 1}) {
			t.Errorf("the tip cites %v; want %d and %d", got, n-2, n-1)
		}
	}
}
