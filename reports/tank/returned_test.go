package tank_test

import (
	"fmt"
	"slices"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

const yardPit = events.FacilityID("F-OTHER")

// mixedTip is 3600 kg of J-1 and 2000 kg of J-2, of which 1400 kg are tipped: 900 and
// 500 kg (recomputed independently). It returns the tip's reference.
func mixedTip(y *yard) events.Ref {
	y.at("J-1", slurry(clay, 2_400_000, 3_600_000))
	y.at("J-2", slurry(clay, 1_600_000, 2_000_000))
	return y.at("", events.SpoilTipped{Facility: pit, Mass: measuredG(1_400_000)})
}

func back(tip events.Ref) events.SpoilReturned {
	return events.SpoilReturned{Facility: pit, Tip: tip, Reason: events.RefusedContents}
}

// A refusal moves nothing and tells where the load went in the end.
func TestRefusal(t *testing.T) {
	y := newYard()
	y.revise(string(yardPit), events.Facility{Name: "Other", Address: "Tarnmoor", Class: events.SoilRecoveryClass, TimeZone: "Europe/Dublin"})
	y.at("J-1", slurryOf(clay, 3_000_000))
	y.at("", events.SpoilRefused{Facility: pit, Reason: events.RefusedTooWet})
	y.at("", events.SpoilRefused{Facility: pit, Reason: events.RefusedCode})
	y.at("", events.SpoilTipped{Facility: yardPit, Whole: true})
	y.at("", events.SpoilRefused{Facility: "F-WHAT", Reason: events.RefusedClosed})
	a := y.fold(tank.Options{})
	wantCodes(t, a, map[reports.Code]int{reports.SpoilRefused: 3, reports.UnknownReference: 1})
	if len(a.Refusals) != 3 || len(a.Movements) != 2 {
		t.Fatalf("%d refusals and %d movements; want 3 and 2", len(a.Refusals), len(a.Movements))
	}
	for i, want := range []int{0, 0, -1} {
		if r := a.Refusals[i]; r.NextTip != want {
			t.Errorf("refusal %d went to tip %d; want %d", i, r.NextTip, want)
		}
	}
	near(t, "held at the gate", a.Refusals[0].Held.MassG(), 3_000_000, 0)
	near(t, "at the facility that refused", a.Balance(tank.FacilityAccount(pit)).WaterG, 0, 0)
	conserved(t, a)
}

// Of 1400 kg tipped, 900 of J-1 and 500 of J-2, 700 kg come back: 450 and 250.
func TestReturnIsProRata(t *testing.T) {
	for name, how := range map[string]func(*events.SpoilReturned){
		"by mass":    func(r *events.SpoilReturned) { r.Mass = measuredG(700_000) },
		"by portion": func(r *events.SpoilReturned) { r.PortionPPM = 500_000 },
		"by volume":  func(r *events.SpoilReturned) { r.Volume = measuredML(500_000) }, // of 1000 L
	} {
		y := newYard()
		b := back(mixedTip(y))
		how(&b)
		y.at("", b)
		a := y.fold(tank.Options{})
		wantCodes(t, a, map[reports.Code]int{reports.SpoilReturned: 1})
		r := a.Returns[0]
		if r.Tip != 0 || len(r.Shares) != 2 || len(a.Tips[0].Returns) != 1 {
			t.Fatalf("%s: the return is %+v", name, r)
		}
		near(t, name+": J-1", r.Shares[0].MassG(), 450_000, 1)
		near(t, name+": J-2", r.Shares[1].MassG(), 250_000, 1)
		near(t, name+": volume", r.VolumeML, 500_000, 1)
		near(t, name+": in the tank", a.Debris.MassG(), 4_900_000, 1)
		near(t, name+": at the facility", massOf(a.Balance(tank.FacilityAccount(pit))), 700_000, 1)
		near(t, name+": unaccounted", massOf(a.Balance(tank.Unaccounted)), 0, 0)
		if s := r.Shares[0]; s.Position != a.Loads[0].Entry.Positions[0] || !slices.Contains(s.Cites, r.Entry.Positions[0]) {
			t.Errorf("%s: the share of the first load is at %d and cites %v", name, s.Position, s.Cites)
		}
		conserved(t, a)
	}
}

func massOf(b tank.Balance) int64 { return b.SolidsG + b.WaterG }

// Whole is all that is still there: after a half, the other half.
func TestReturnInTwoParts(t *testing.T) {
	y := newYard()
	tip := mixedTip(y)
	half, rest := back(tip), back(tip)
	half.PortionPPM, rest.Whole = 500_000, true
	y.at("", half)
	y.at("", rest)
	y.at("", rest)
	a := y.fold(tank.Options{})
	near(t, "the rest", a.Returns[1].MassG(), 700_000, 1)
	near(t, "nothing is left of it", a.Returns[2].MassG(), 0, 0)
	near(t, "in the tank", a.Debris.MassG(), 5_600_000, 0)
	near(t, "returned of the tip", a.Tips[0].Returned.MassG(), 1_400_000, 0)
	near(t, "at the facility", massOf(a.Balance(tank.FacilityAccount(pit))), 0, 0)
	conserved(t, a)
}

// More than was tipped comes from unaccounted and is nobody's.
func TestReturnBeyondTheTip(t *testing.T) {
	y := newYard()
	b := back(mixedTip(y))
	b.Mass = measuredG(1_500_000)
	y.at("J-1", b)
	a := y.fold(tank.Options{})
	wantCodes(t, a, map[reports.Code]int{reports.SpoilReturned: 1, reports.ReturnedOverTipped: 1})
	r := a.Returns[0]
	near(t, "returned", r.MassG(), 1_500_000, 0)
	near(t, "not tipped", r.UntippedSolidsG+r.UntippedWaterG, 100_000, 0)
	near(t, "solids of it, mixed like the tip", r.UntippedSolidsG*1000/100_000, a.Tips[0].SolidsG*1000/a.Tips[0].MassG(), 1)
	near(t, "unaccounted", massOf(a.Balance(tank.Unaccounted)), -100_000, 0)
	if last := a.Debris[len(a.Debris)-1]; last.Job != "" || last.Material != "" || last.SolidsG+last.WaterG != 100_000 {
		t.Errorf("nobody's parcel is %+v", last)
	}
	conserved(t, a)
}

// A return that names no tip of this truck, one at another facility, or one after it:
// what is stated came from somewhere, and a whole or a portion of nothing is nothing.
func TestReturnsThatMatchNoTip(t *testing.T) {
	for name, change := range map[string]func(*events.SpoilReturned){
		"another truck's":  func(r *events.SpoilReturned) { r.Tip = events.Ref{Source: events.TruckSource("TM-02"), ID: "e-1"} },
		"another facility": func(r *events.SpoilReturned) { r.Facility = yardPit },
	} {
		for _, how := range []string{"mass", "whole"} {
			y := newYard()
			y.revise(string(yardPit), events.Facility{Name: "Other", Address: "Tarnmoor", Class: events.SoilRecoveryClass, TimeZone: "Europe/Dublin"})
			b := back(mixedTip(y))
			want := int64(0)
			if change(&b); how == "mass" {
				b.Mass, want = measuredG(300_000), 300_000
			} else {
				b.Whole = true
			}
			y.at("", b)
			a := y.fold(tank.Options{})
			wantCodes(t, a, map[reports.Code]int{reports.ReturnUnmatched: 1})
			near(t, name+": unaccounted", massOf(a.Balance(tank.Unaccounted)), -want, 0)
			near(t, name+": returned of the tip", a.Tips[0].Returned.MassG(), 0, 0)
			if r := a.Returns[0]; r.Tip != -1 || r.MassG() != want || r.SolidsG != 0 {
				t.Errorf("%s, %s: the return is %+v", name, how, r)
			}
			conserved(t, a)
		}
	}
	y := newYard()
	y.at("J-1", slurryOf(clay, 1_000_000))
	b := back(events.Ref{Source: events.TruckSource(truck), ID: fmt.Sprintf("e-%d", len(y.recs)+2)})
	b.Whole = true
	y.at("", b)
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	wantCodes(t, y.fold(tank.Options{}), map[reports.Code]int{reports.ReturnUnmatched: 1})
}

// What was decanted before the tip was decanted from what came back, whole tank or not.
func TestDecantsOfReturnedSpoil(t *testing.T) {
	y := newYard()
	y.at("J-1", slurry(clay, 4_000_000, 5_000_000))
	y.at("J-1", clearDecant(500_000))
	tip := y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	b := back(tip)
	b.Whole = true
	y.at("", b)
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	a := y.fold(tank.Options{})
	if got := a.Tips[1].Decants; !slices.Equal(got, []int{0}) {
		t.Errorf("the second tip's decants are %v; want the first", got)
	}
	near(t, "as certain as before", a.Tips[1].ToleranceG, a.Tips[0].ToleranceG, 1)
	near(t, "tipped again", a.Tips[1].MassG(), 4_500_000, 0)
}

// A docket is held against what was still there when it weighed. Of 9000 kg, 4000 came
// back at once and the truck weighed out 5000 kg lighter; or the docket of 9010 kg came
// first, and the facility goes by 5010 kg after the return.
func TestDocketOfReturnedTip(t *testing.T) {
	for _, weighedAfter := range []bool{true, false} {
		y := newYard()
		y.at("J-1", slurryOf(clay, 9_000_000))
		tip := y.at("", events.SpoilTipped{Facility: pit, Whole: true})
		weighed := y.now
		b := back(tip)
		b.Mass, b.Start, b.End = measuredG(4_000_000), y.now, y.now
		b.End.UnixMS += 60_000
		y.at("", b)
		netG, accountG := int64(9_010_000), int64(9_000_000)
		if weighedAfter {
			weighed, netG, accountG = y.now, 5_010_000, 5_000_000
		}
		y.office(events.DocketReceived{Tip: tip, Facility: pit, Number: "D-1", WeighedAt: weighed, NetG: netG})
		a := y.fold(tank.Options{})
		wantCodes(t, a, map[reports.Code]int{reports.SpoilReturned: 1})
		d := a.Tips[0].Docket
		near(t, "held against", d.AccountG, accountG, 0)
		near(t, "difference", d.DifferenceG, 10_000, 0)
		near(t, "at the facility", massOf(a.Balance(tank.FacilityAccount(pit))), 5_010_000, 0)
		near(t, "the facility goes by", first(a.Tips[0].SettledMassG()), 5_010_000, 0)
		conserved(t, a)
	}
}

// Without a docket the facility goes by the account less what it gave back.
func TestSettledMassOfReturnedTip(t *testing.T) {
	y := newYard()
	b := back(mixedTip(y))
	b.Mass = measuredG(400_000)
	y.at("", b)
	near(t, "settled", first(y.fold(tank.Options{}).Tips[0].SettledMassG()), 1_000_000, 0)
}

// A tip beyond what the tank held is nobody's in part, and so is its return.
func TestReturnOfTipBeyondHeld(t *testing.T) {
	y := newYard()
	y.at("J-1", slurryOf(clay, 3_000_000))
	tip := y.at("", events.SpoilTipped{Facility: pit, Mass: measuredG(4_000_000)})
	b := back(tip)
	b.PortionPPM = 500_000
	y.at("", b)
	a := y.fold(tank.Options{})
	r := a.Returns[0]
	if len(r.Shares) != 2 || r.Shares[0].Job != "J-1" || r.Shares[1].Job != "" {
		t.Fatalf("shares are %+v", r.Shares)
	}
	near(t, "of the load", r.Shares[0].MassG(), 1_500_000, 1)
	near(t, "nobody's", r.Shares[1].MassG(), 500_000, 1)
	conserved(t, a)
}

// What came back beyond the tip has solids like the tip's, also when all that was tipped
// came back with it: 1080 kg of peat slurry with particles of 1500 kg/m3, of which 240 kg
// are solids, are 1000 L, and so in proportion is what came beyond them.
func TestReturnBeyondTheTipIsOfItsDensity(t *testing.T) {
	y := newYard()
	y.revise("M-PEAT", events.Material{Description: "peat", WasteCode: "17 05 04", ParticleDensityKgPerM3: 1500, SlurryDensityKgPerM3: 1080})
	y.at("J-1", slurry("M-PEAT", 1_000_000, 1_080_000))
	b := back(y.at("", events.SpoilTipped{Facility: pit, Whole: true}))
	b.Mass = measuredG(1_620_000)
	y.at("", b)
	r := y.fold(tank.Options{}).Returns[0]
	near(t, "solids beyond", r.UntippedSolidsG, 120_000, 0)
	near(t, "volume", r.VolumeML, 1_500_000, 1)
}
