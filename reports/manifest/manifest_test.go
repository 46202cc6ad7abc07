package manifest

import (
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

// The shares are those of the package's example: by mass 900 and 500 kg, where by
// volume they would be 840 and 560 (recomputed independently).
func TestTipIsDividedByMass(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2400, 3600).load("05 09:00", "J-102", "M-CLAY", 1600, 2000).
		tipAs("05 11:00", events.SpoilTipped{Facility: "F-WET", Mass: kg(1400)})
	r := s.compute(t, Options{})
	c := one(t, r)
	if c.Number != "TM-01-20261005-1" || !c.OwnNumber || c.Amount.MassG() != 1_400_000 {
		t.Errorf("consignment %q own %v mass %d", c.Number, c.OwnNumber, c.Amount.MassG())
	}
	if len(c.Parts) != 2 || c.Parts[0].Job != "J-101" || c.Parts[1].Job != "J-102" {
		t.Fatalf("parts %+v", c.Parts)
	}
	// Solids and water are whole grams each, so a part may be a gram off.
	for i, want := range []int64{900_000, 500_000} {
		if got := c.Parts[i].Amount.MassG(); got < want-1 || got > want+1 {
			t.Errorf("part %d is %d g, want %d within 1", i, got, want)
		}
	}
	if p := c.Parts[0]; p.ClientEntry.Name != "Harrowmere Water" || p.JobEntry.OrderNumber != "HW-3301" || p.Spoil.WasteCode != "17 05 04" {
		t.Errorf("origin %+v", p)
	}
	if c.Heel.MassG() != 4_200_000 {
		t.Errorf("heel %d g, want 4200000", c.Heel.MassG())
	}
	wantCode(t, r, reports.LoadNotTipped, 1)
}

func TestJourneyAndNumbers(t *testing.T) {
	s := newStory().truck("TM-01", "05 06:00", "", events.ShiftStarted{}).truck("TM-01", "05 07:00", "J-101", events.SiteArrived{}).
		load("05 08:00", "J-101", "M-CLAY", 2000, 2800).truck("TM-01", "05 09:00", "J-101", events.SiteLeft{}).
		truck("TM-01", "05 09:30", "", events.FacilityArrived{Facility: "F-WET"}).
		tipAs("05 10:00", events.SpoilTipped{Facility: "F-WET", PortionPPM: 500_000}).
		tipAs("05 10:20", events.SpoilTipped{Facility: "F-WET", Whole: true, Consignment: "N-42"}).
		truck("TM-01", "05 10:45", "", events.FacilityLeft{Facility: "F-WET"}).
		truck("TM-01", "05 11:00", "J-101", events.SiteArrived{}).load("05 12:00", "J-101", "M-CLAY", 1000, 1400).
		tip("05 13:00", "F-WET").load("06 09:00", "J-101", "M-CLAY", 1000, 1400).tip("06 13:00", "F-WET")
	r := s.compute(t, Options{})
	want := []string{"TM-01-20261005-1", "N-42", "TM-01-20261005-3", "TM-01-20261006-1"}
	got := []string{}
	for i := range r.Consignments {
		got = append(got, r.Consignments[i].Number)
	}
	if !slices.Equal(got, want) {
		t.Fatalf("numbers %v, want %v", got, want)
	}
	for i := range 2 {
		j := r.Consignments[i].Journey
		if j.LeftSite != at("05 09:00") || j.Arrived != at("05 09:30") || j.LeftFacility != at("05 10:45") {
			t.Errorf("journey %d: %+v", i, j)
		}
	}
	if j := r.Consignments[0].Journey; j.Tipped != at("05 10:00") || len(j.Cites) != 3 {
		t.Errorf("journey %+v", j)
	}
	// Nobody recorded the way of the third tip: nothing is borrowed from the visit before.
	if j := r.Consignments[2].Journey; !j.LeftSite.IsZero() || !j.Arrived.IsZero() || !j.LeftFacility.IsZero() {
		t.Errorf("journey of a tip without travel entries: %+v", j)
	}
	if c := r.Consignments[0]; c.DriverName != "Odhran Vale" || c.Plate != "261-TM-01" || c.Carrier.Registration != "CR-7781" {
		t.Errorf("carriage %q %q %+v", c.DriverName, c.Plate, c.Carrier)
	}
	day := Compute(s.journal(t), days(t, "2026-10-06", "2026-10-06"), Options{})
	if c := one(t, day); c.Number != "TM-01-20261006-1" {
		t.Errorf("a narrower period renumbers: %s", c.Number)
	}
}

func TestArrivalElsewhereIsNotTheTips(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2000, 2800).truck("TM-01", "05 09:30", "", events.FacilityArrived{Facility: "F-LAND"}).
		tip("05 10:00", "F-WET").truck("TM-01", "05 10:30", "", events.FacilityLeft{Facility: "F-LAND"})
	if j := one(t, s.compute(t, Options{})).Journey; !j.Arrived.IsZero() || !j.LeftFacility.IsZero() {
		t.Errorf("journey to F-WET takes the times of F-LAND: %+v", j)
	}
}

func TestDriverOfTheShift(t *testing.T) {
	s := newStory().truck("TM-01", "05 06:00", "", events.ShiftStarted{}).load("05 08:00", "J-101", "M-CLAY", 2000, 2800)
	s.add(events.Event{Source: events.TruckSource("TM-01"), Truck: "TM-01", Occurred: at("05 10:00"), Origin: events.FromController,
		Body: events.SpoilTipped{Start: at("05 09:50"), End: at("05 10:00"), Facility: "F-WET", Whole: true}})
	if c := one(t, s.compute(t, Options{})); c.Driver != "OP-1" {
		t.Errorf("driver %q, want the shift's", c.Driver)
	}
}

// A tank of 2.000 m3 bank soil at 1900 kg/m3, w 15 %, Gs 2.65 with 3.000 m3 of
// jetting water, from which 1.500 m3 are decanted, holds 5300 kg in 3.242576 m3 at
// 1634.50 kg/m3 (first principles, recomputed independently).
func TestStateOfTheTippedMaterial(t *testing.T) {
	s := newStory().truck("TM-01", "05 08:00", "J-101", events.LoadCollected{Start: at("05 07:30"), End: at("05 08:00"), Material: "M-CLAY",
		Bank:         &events.BankSoil{Volume: *l(2000), BulkDensityGPerM3: 1_900_000, MoisturePPM: new(int64(150_000))},
		JettingWater: l(3000)}).decant("05 09:00", "J-101", 1500, "O-1").tip("05 10:00", "F-LAND")
	s.docket("06 09:00", s.last(), "F-LAND", 5_300_000)
	r := s.compute(t, Options{})
	c := one(t, r)
	if c.Amount != (Amount{3_304_348, 1_995_652, 3_242_576}) {
		t.Errorf("amount %+v", c.Amount)
	}
	if c.DensityG < 1_634_490 || c.DensityG > 1_634_510 || c.MoisturePPM == nil || *c.MoisturePPM != 603_947 {
		t.Errorf("density %d g/m3, moisture %v", c.DensityG, c.MoisturePPM)
	}
	if len(c.Decants) != 1 || c.Decants[0].Consent != "DC-9" || c.Decants[0].VolumeML != 1_500_000 || c.Decants[0].Job != "J-101" {
		t.Errorf("decants %+v", c.Decants)
	}
	// The docket is beside the account; the decanted 1500 kg are not taken off it.
	if c.Docket == nil || c.Docket.NetG != 5_300_000 || c.Docket.DifferenceG != 0 || *c.Parts[0].DocketG != 5_300_000 {
		t.Errorf("docket %+v", c.Docket)
	}
	wantCode(t, r, reports.WetLoadAtLandfill, 0)
	wantCode(t, r, reports.NoDocket, 0)
	if x := r.Balances[0]; x.In.MassG() != 6_800_000 || x.Decanted.MassG() != 1_500_000 || x.Tipped.MassG() != 5_300_000 || x.Closing.MassG() != 0 {
		t.Errorf("balance %+v", x)
	}
}

func TestHeldAndBalanceAcrossPeriods(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2000, 2800).load("05 09:00", "J-102", "M-OIL", 1000, 1400).
		tipAs("06 10:00", events.SpoilTipped{Facility: "F-WET", PortionPPM: 250_000}).
		truck("TM-01", "06 11:00", "", events.TankGauged{Tank: events.DebrisTank, Volume: events.Volume{VolumeML: 4_000_000, Basis: events.Measured}}).
		tip("07 10:00", "F-WET")
	j := s.journal(t)
	first := Compute(j, days(t, "2026-10-05", "2026-10-05"), Options{})
	if len(first.Consignments) != 0 || len(first.Held) != 2 || first.Totals.Held.MassG() != 4_200_000 {
		t.Fatalf("day 5: %d consignments, held %+v", len(first.Consignments), first.Held)
	}
	if v := first.Totals.Held.VolumeML; v < 2_999_999 || v > 3_000_001 {
		t.Errorf("held volume %d mL, want 3000000 within rounding", v)
	}
	wantCode(t, first, reports.LoadNotTipped, 1)
	second := Compute(j, days(t, "2026-10-06", "2026-10-06"), Options{})
	x := second.Balances[0]
	if x.Opening.MassG() != 4_200_000 || x.Tipped.MassG() != 1_050_000 || x.Unaccounted.WaterG <= 0 || x.Difference() != (Amount{}) {
		t.Errorf("day 6: %+v", x)
	}
	if x.Closing.MassG() != second.Totals.Held.MassG() {
		t.Errorf("closing %d g, held %d g", x.Closing.MassG(), second.Totals.Held.MassG())
	}
	if n := len(second.Held); n != 3 || second.Held[0].Job != "" {
		t.Errorf("held %+v; the gauge's water is nobody's", second.Held)
	}
	wantCode(t, second, reports.GaugeDiffers, 1)
	third := Compute(j, days(t, "2026-10-07", "2026-10-07"), Options{})
	if len(third.Held) != 0 || third.Balances[0].Closing != (Amount{}) || third.Balances[0].Opening != x.Closing {
		t.Errorf("day 7: %+v", third.Balances[0])
	}
	wantCode(t, third, reports.LoadNotTipped, 0)
}

func TestVoidedAndCorrectedTips(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2000, 2800).tip("05 10:00", "F-WET")
	tip := s.last()
	office := func(b events.Body) events.Event {
		return events.Event{Source: events.OfficeSource("yard"), Occurred: at("06 10:00"), Origin: events.FromOffice, Body: b}
	}
	s.add(office(events.EntryCorrected{Refers: tip, Reason: "wrong pit", Author: "yard", Replacement: events.Replacement{
		Body: events.SpoilTipped{Start: at("05 09:50"), End: at("05 10:00"), Facility: "F-LAND", Whole: true}}}))
	c := one(t, s.compute(t, Options{}))
	if c.Facility != "F-LAND" || len(c.Cites) != 2 {
		t.Errorf("corrected tip at %s cites %v", c.Facility, c.Cites)
	}
	s.add(office(events.EntryVoided{Refers: tip, Reason: "never happened", Author: "yard"}))
	r := s.compute(t, Options{})
	if len(r.Consignments) != 0 || r.Totals.Held.MassG() != 2_800_000 {
		t.Errorf("%d consignments, held %d g after voiding", len(r.Consignments), r.Totals.Held.MassG())
	}
}

func TestTippedBeyondHeldIsAPartOfItsOwn(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2000, 2800).
		tipAs("05 10:00", events.SpoilTipped{Facility: "F-WET", Mass: kg(3000)}).tip("05 11:00", "F-WET")
	r := s.compute(t, Options{})
	c := &r.Consignments[0]
	if c.Amount.MassG() != 3_000_000 || len(c.Parts) != 2 || !c.Parts[1].Unheld || c.Parts[1].Amount.MassG() != 200_000 {
		t.Fatalf("parts %+v of %d g", c.Parts, c.Amount.MassG())
	}
	if sum := c.Parts[0].Amount.Plus(c.Parts[1].Amount); sum != c.Amount {
		t.Errorf("parts sum to %+v, not %+v", sum, c.Amount)
	}
	wantCode(t, r, reports.TippedOverHeld, 1)
	wantCode(t, r, reports.TipOfEmptyTank, 1)
	checkDocument(t, r.Document())
}

// A client's document must not say whose spoil was in the same tank.
func TestFilterTellsNothingOfOthers(t *testing.T) {
	s := newStory()
	s.revise("O-2", events.Outfall{Name: "Quillbeck yard sump", To: "foul sewer", TimeZone: "Europe/Dublin"})
	s.load("05 08:00", "J-102", "M-OIL", 1600, 2000).decant("05 08:20", "J-102", 100, "O-2").
		load("05 09:00", "J-101", "M-CLAY", 2400, 3600).decant("05 09:30", "J-102", 200, "O-1")
	s.add(events.Event{Source: events.TruckSource("TM-01"), Truck: "TM-01", Occurred: at("05 11:00"), Job: "J-102", Operator: "OP-1",
		Origin: events.FromCrew, Body: events.SpoilTipped{Start: at("05 10:50"), End: at("05 11:00"), Facility: "F-LAND", PortionPPM: 500_000}})
	s.docket("06 09:00", s.last(), "F-LAND", 9_000_000)
	s.load("07 08:00", "J-102", "M-OIL", 1000, 1300).tip("08 10:00", "F-LAND").load("08 12:00", "J-102", "M-OIL", 1000, 1300).
		load("08 13:00", "J-101", "M-CLAY", 1000, 1300)
	s.load("09 08:00", "J-404", "M-404", 500, 700)
	s.add(events.Event{Source: events.TruckSource("TM-01"), Truck: "TM-01", Occurred: at("09 11:00"), Job: "J-404", Operator: "OP-1",
		Origin: events.FromCrew, Body: events.SpoilTipped{Start: at("09 10:50"), End: at("09 11:00"), Facility: "F-WET", Mass: kg(6000)}})
	s.load("10 08:00", "J-102", "M-OIL", 1000, 1300).load("10 13:00", "J-101", "M-CLAY", 1000, 1300)
	q := october(t)
	q.Filter.Client = "CL-1"
	for _, profile := range Profiles() {
		r := Compute(s.journal(t), q, Options{Profile: profile})
		if len(r.Consignments) != 3 || r.Consignments[0].Others == nil || len(r.Consignments[0].Parts) != 1 {
			t.Fatalf("consignments %+v", r.Consignments)
		}
		wantCode(t, r, reports.HazardousMixed, 3)
		wantCode(t, r, reports.TippedOverHeld, 1)
		wantCode(t, r, reports.DocketOverTenPercent, 1)
		doc := texts(r.Document(), false)
		for _, secret := range []string{"J-102", "Duct", "CL-2", "Quillbeck", "Mast", "QF-88", "M-OIL", "17 05 03*", "61100", "O-2", "J-404", "M-404",
			"water without soil", "than the tank held\n"} {
			if i := strings.Index(doc, secret); i >= 0 {
				t.Errorf("%s: the client's document says %q: …%s…", profile, secret, doc[max(0, i-80):min(len(doc), i+60)])
			}
		}
		for _, known := range []string{"J-101", "Harrowmere", "HW-3301", "other jobs"} {
			if !strings.Contains(doc, known) {
				t.Errorf("%s: the client's document does not say %q", profile, known)
			}
		}
		c := r.Consignments[0]
		if sum := c.Parts[0].Amount.Plus(c.Others.Amount); sum != c.Amount || *c.Parts[0].DocketG+*c.Others.DocketG != 9_000_000 {
			t.Errorf("shown and others sum to %+v of %+v", sum, c.Amount)
		}
		checkDocument(t, r.Document())
	}
}
