package manifest

import (
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

// The wording is that of the List of Wastes (Commission Decision 2000/532/EC).
func TestListOfWastes(t *testing.T) {
	for code, want := range map[string]string{
		"17 05 03*": "soil and stones containing hazardous substances",
		"17 05 04":  "soil and stones other than those mentioned in 17 05 03",
		"17 05 05*": "dredging spoil containing hazardous substances",
		"17 05 06":  "dredging spoil other than those mentioned in 17 05 05",
		"16 10 01*": "aqueous liquid wastes containing hazardous substances",
		"16 10 02":  "aqueous liquid wastes other than those mentioned in 16 10 01",
		"19 08 02":  "waste from desanding",
		"20 03 04":  "septic tank sludge",
		"20 03 06":  "waste from sewage cleaning",
	} {
		w, ok := WasteOf(strings.ReplaceAll(code, " ", ""))
		if !ok || w.Code != code || w.Wording != want {
			t.Errorf("%s: %+v", code, w)
		}
	}
	if len(Wastes()) != 9 {
		t.Errorf("%d entries, want the 9 above", len(Wastes()))
	}
	for _, w := range Wastes() {
		if w.Mirror == "" {
			continue
		}
		other, ok := WasteOf(w.Mirror)
		if !ok || other.Mirror != w.Code || strings.HasSuffix(w.Code, "*") == strings.HasSuffix(other.Code, "*") {
			t.Errorf("%s and %s are no mirror pair", w.Code, w.Mirror)
		}
	}
	for _, code := range []string{"", "  ", "17 05", "99 99 99"} {
		if w, ok := WasteOf(code); ok {
			t.Errorf("%q is %+v", code, w)
		}
	}
}

// A code of a mirror pair needs an assessment: who, and on what basis.
func TestMirrorPairs(t *testing.T) {
	for _, c := range []struct {
		name, code, by, basis string
		want, bare            int
	}{
		{"assessed", "17 05 04", "E. Marlow", "LR-1", 0, 0},
		{"nobody named", "17 05 04", "", "", 1, 1},
		{"no basis", "17 05 04", "E. Marlow", "", 1, 0},
		{"the hazardous one", "170503*", "", "LR-1", 1, 1},
		{"no mirror entry", "20 03 06", "", "", 0, 1},
	} {
		m := clay()
		m.WasteCode, m.ClassifiedBy, m.ClassificationBasis = c.code, c.by, c.basis
		s := newStory().revise("M-NEW", m)
		for _, day := range []string{"05", "06"} {
			s.load(day+" 08:00", "J-101", "M-NEW", 2000, 2800).tip(day+" 09:00", "F-WET")
		}
		r := s.compute(t, Options{})
		t.Log(c.name)
		wantCode(t, r, reports.MirrorNotAssessed, c.want)
		wantCode(t, r, reports.NotClassified, c.bare)
		if got := r.Consignments[0].Parts[0].Spoil.WasteCode; got != c.code {
			t.Errorf("the consignment has code %q; nothing but the register picks one", got)
		}
	}
}

// A consignment has the classification in force when it was tipped. A later change is
// noted with it, and is serious when it is about being hazardous.
func TestReclassifiedAfterTheTip(t *testing.T) {
	silt, oily := clay(), clay()
	silt.WasteCode = "17 05 06"
	oily.WasteCode, oily.Hazardous = "17 05 03*", true
	denser := clay()
	denser.ParticleDensityKgPerM3 = 2700
	for _, c := range []struct {
		name, from, code string
		is               events.Material
		note, serious    int
	}{
		{"before the load", "2026-10-05T07:00:00+01:00", "17 05 06", silt, 0, 0},
		{"between load and tip", "2026-10-05T09:30:00+01:00", "17 05 06", silt, 0, 0},
		{"after the tip", "2026-10-09T00:00:00+01:00", "17 05 04", silt, 1, 0},
		{"found hazardous after the tip", "2026-10-09T00:00:00+01:00", "17 05 04", oily, 0, 1},
		{"another density only", "2026-10-09T00:00:00+01:00", "17 05 04", denser, 0, 0},
	} {
		s := newStory().revise("M-NEW", clay()).reviseFrom("M-NEW", c.from, c.is).
			load("05 08:00", "J-101", "M-NEW", 1000, 1400).load("05 09:00", "J-102", "M-NEW", 1000, 1400).tip("05 10:00", "F-WET")
		r := s.compute(t, Options{})
		t.Log(c.name)
		wantCode(t, r, reports.ReclassifiedAfter, c.note)
		wantCode(t, r, reports.HazardReclassified, c.serious)
		if got := one(t, r).Parts[0].Spoil.WasteCode; got != c.code {
			t.Errorf("%s: the code is %s, want %s", c.name, got, c.code)
		}
	}
}

// A revision that came into the ledger after the tip and takes effect before it: the
// consignment has the new code at this position, and says that it had another.
func TestReclassifiedBackwards(t *testing.T) {
	oily := clay()
	oily.WasteCode, oily.Hazardous = "17 05 03*", true
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 1000, 1400).tip("05 10:00", "F-WET")
	position := len(s.recs)
	s.reviseFrom("M-CLAY", "2026-10-01T00:00:00+01:00", oily)
	r := s.compute(t, Options{})
	wantCode(t, r, reports.HazardReclassified, 1)
	if c := one(t, r); c.Parts[0].Spoil.WasteCode != "17 05 03*" || !c.Hazardous {
		t.Errorf("the consignment is %+v", c.Parts[0].Spoil)
	}
	earlier := Compute(reports.Resolve(s.recs[:position], uint64(position)), october(t), Options{})
	wantCode(t, earlier, reports.HazardReclassified, 0)
	if c := one(t, earlier); c.Parts[0].Spoil.WasteCode != "17 05 04" {
		t.Errorf("at the earlier position the consignment has code %s", c.Parts[0].Spoil.WasteCode)
	}
}

// Two trucks with one plate, at one time or one after the other: the consignments are
// told apart by the truck, and it is found once for the pair.
func TestSharedPlates(t *testing.T) {
	other := events.Truck{Name: "Truck TM-09", Registration: "261 TM 01", Carrier: "C-1", DebrisCapacityL: 20_000,
		FreshCapacityL: 4_000, TareKg: 14_000, PermittedGrossKg: 44_000}
	sold := other
	sold.Registration = "261-TM-77"
	for _, c := range []struct {
		name  string
		setUp func(*story)
		words string // "" for no finding
	}{
		{"no other", func(*story) {}, ""},
		{"at one time", func(s *story) { s.revise("TM-09", other) }, "which at that time is also that of truck TM-09"},
		{"the one before", func(s *story) {
			s.revise("TM-09", other).reviseFrom("TM-09", "2026-09-01T00:00:00+01:00", sold)
		}, "which from 2026-01-01 on was that of truck TM-09"},
		{"the one after", func(s *story) {
			s.revise("TM-09", sold).reviseFrom("TM-09", "2026-11-01T00:00:00Z", other)
		}, "which from 2026-11-01 on is that of truck TM-09"},
	} {
		s := newStory()
		c.setUp(s)
		for _, day := range []string{"05", "06"} {
			s.load(day+" 08:00", "J-101", "M-CLAY", 2000, 2800).tip(day+" 09:00", "F-WET")
		}
		r := s.compute(t, Options{})
		want := 0
		if c.words != "" {
			want = 1
		}
		wantCode(t, r, reports.PlateShared, want)
		for _, f := range r.Findings {
			if f.Code == reports.PlateShared && !strings.Contains(f.What, c.words) {
				t.Errorf("%s: %s", c.name, f.What)
			}
		}
		for _, a := range Answers(Options{}, &r.Consignments[0]) {
			if a.Item.Name == "Vehicle" && a.Value != "TM-01, 261-TM-01" {
				t.Errorf("%s: the vehicle reads %q", c.name, a.Value)
			}
		}
	}
}

// A docket of another truck's tip, entered under this truck: it counts for neither, and
// the tip still waits for its own.
func TestDocketForAnotherTruck(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 7000, 10_000).tip("05 10:00", "F-LAND")
	tip := s.last()
	s.add(events.Event{Source: events.OfficeSource("yard"), Truck: "TM-02", Occurred: at("06 09:00"), Origin: events.FromOffice,
		Body: events.DocketReceived{Tip: tip, Facility: "F-LAND", Number: "D-1", WeighedAt: at("05 10:05"), NetG: 10_000_000}})
	r := s.compute(t, Options{})
	wantCode(t, r, reports.DocketUnmatched, 1)
	wantCode(t, r, reports.NoDocket, 1)
	if c := one(t, r); c.Docket != nil {
		t.Errorf("the tip has docket %+v", c.Docket)
	}
}

// A tip that ends in the hour that comes twice, of a load across midnight: the two days
// hold it once, and the two consignments of the day are told apart.
func TestConsignmentsAtTheClockChange(t *testing.T) {
	s := newStory()
	load := func(start, end string) {
		s.add(events.Event{Source: events.TruckSource("TM-01"), Truck: "TM-01", Occurred: events.MustTime(end), Job: "J-101", Operator: "OP-1", Origin: events.FromCrew,
			Body: events.LoadCollected{Start: events.MustTime(start), End: events.MustTime(end), Material: "M-CLAY", SlurryVolume: l(2000), SlurryMass: kg(2800)}})
	}
	tip := func(end string) {
		s.add(events.Event{Source: events.TruckSource("TM-01"), Truck: "TM-01", Occurred: events.MustTime(end), Operator: "OP-1", Origin: events.FromCrew,
			Body: events.SpoilTipped{Start: events.MustTime(end), End: events.MustTime(end), Facility: "F-WET", Whole: true}})
	}
	load("2026-10-24T23:30:00+01:00", "2026-10-25T00:40:00+01:00")
	tip("2026-10-25T01:30:00+01:00")
	load("2026-10-25T01:40:00+01:00", "2026-10-25T01:10:00+00:00") // half an hour, though the clock went back
	tip("2026-10-25T01:30:00+00:00")
	numbers := []string{}
	for _, day := range []string{"2026-10-24", "2026-10-25"} {
		r := Compute(s.journal(t), days(t, day, day), Options{})
		for i := range r.Consignments {
			numbers = append(numbers, r.Consignments[i].Number)
		}
		if d := r.Balances[0].Difference(); d != (Amount{}) {
			t.Errorf("%s does not balance: %+v", day, d)
		}
	}
	if got := strings.Join(numbers, " "); got != "TM-01-20261025-1 TM-01-20261025-2" {
		t.Errorf("consignments are %s", got)
	}
}
