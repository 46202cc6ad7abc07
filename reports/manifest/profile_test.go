package manifest

import (
	"fmt"
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

// fullDay is a consignment whose record has everything that the ledger can hold.
func fullDay(material events.MaterialID) *story {
	s := newStory().truck("TM-01", "05 07:00", "J-101", events.SiteArrived{}).load("05 08:00", "J-101", material, 2000, 2800).
		decant("05 08:30", "J-101", 100, "O-1").truck("TM-01", "05 09:00", "J-101", events.SiteLeft{}).
		truck("TM-01", "05 09:30", "", events.FacilityArrived{Facility: "F-WET"}).tip("05 10:00", "F-WET")
	tip := s.last()
	return s.truck("TM-01", "05 10:30", "", events.FacilityLeft{Facility: "F-WET"}).docket("06 09:00", tip, "F-WET", 2_700_000)
}

func lacks(c *Consignment) []string {
	names := []string{}
	for _, m := range c.Missing {
		names = append(names, m.Item)
	}
	return names
}

func TestGeneralProfile(t *testing.T) {
	r := fullDay("M-CLAY").compute(t, Options{})
	c := one(t, r)
	if len(c.Missing) != 0 {
		t.Errorf("lacks %+v", c.Missing)
	}
	wantCode(t, r, reports.RecordIncomplete, 0)
	answers := Answers(Options{}, c)
	if len(answers) != len(General.Items()) {
		t.Fatalf("%d answers to %d items", len(answers), len(General.Items()))
	}
	for _, a := range answers {
		if a.Value == "" || a.Item.Asks == "" || a.Item.Source == "" || a.Item.Fill == "" {
			t.Errorf("item %s: %+v", a.Item.Name, a)
		}
	}
}

func TestGeneralProfileNamesWhatIsMissing(t *testing.T) {
	s := newStory()
	s.revise("C-1", events.Carrier{Name: "Tarnmoor Groundworks", Address: "1 Quarry Lane"})
	m := clay()
	m.ClassificationBasis = ""
	s.revise("M-CLAY", m)
	s.load("05 08:00", "J-101", "M-CLAY", 2000, 2800).decant("05 08:30", "J-101", 100, "")
	s.add(events.Event{Source: events.TruckSource("TM-01"), Truck: "TM-01", Occurred: at("05 10:00"), Origin: events.FromController,
		Body: events.SpoilTipped{Start: at("05 09:50"), End: at("05 10:00"), Facility: "F-404", Whole: true}})
	r := s.compute(t, Options{})
	c := one(t, r)
	want := []string{"Classification", "Carrier", "Driver", "Times", "Receiving facility", "Docket", "Water drained"}
	if got := lacks(c); !slices.Equal(got, want) {
		t.Errorf("lacks %v, want %v", got, want)
	}
	for _, m := range c.Missing {
		if m.Item == "Times" && m.What != "left site, arrived, left facility" {
			t.Errorf("times lack %q", m.What)
		}
		if m.Fill == "" || m.What == "" {
			t.Errorf("missing %+v does not say what to do", m)
		}
	}
	wantCode(t, r, reports.RecordIncomplete, 1)
}

func TestRepeatedNoteNumber(t *testing.T) {
	tip := events.SpoilTipped{Facility: "F-WET", Whole: true, Consignment: "N-7"}
	r := newStory().load("05 08:00", "J-101", "M-CLAY", 2000, 2800).tipAs("05 09:00", tip).
		load("05 10:00", "J-101", "M-CLAY", 2000, 2800).tipAs("05 11:00", tip).compute(t, Options{})
	for i := range r.Consignments {
		if !slices.Contains(lacks(&r.Consignments[i]), "Number") {
			t.Errorf("consignment %d does not say that its number is repeated", i)
		}
	}
}

// The items are the particulars of SI 2011/988 regulation 35(2).
func TestEnglandWalesProfile(t *testing.T) {
	c := one(t, fullDay("M-CLAY").compute(t, Options{Profile: EnglandWales}))
	if want := []string{"Signatures", "Waste hierarchy"}; !slices.Equal(lacks(c), want) {
		t.Errorf("lacks %v, want %v", lacks(c), want)
	}
	s := fullDay("M-CLAY")
	s.revise("J-101", events.Job{Client: "CL-1", Name: "n", SiteAddress: "s", TimeZone: "Europe/Dublin", RateCard: "RC-1"})
	s.revise("C-1", events.Carrier{Name: "Tarnmoor Groundworks", Address: "1 Quarry Lane"})
	c = one(t, s.compute(t, Options{Profile: EnglandWales}))
	if want := []string{"Transferor's SIC code", "Signatures", "Capacity", "Waste hierarchy"}; !slices.Equal(lacks(c), want) {
		t.Errorf("lacks %v, want %v", lacks(c), want)
	}
	values := map[string]string{}
	for _, a := range Answers(Options{Profile: EnglandWales}, c) {
		values[a.Item.Name] = a.Value
	}
	for item, part := range map[string]string{"Waste code and description": "17 05 04 soil and stones", "Quantity": "2,700 kg",
		"Time and place": "Sallow Road", "Names and addresses": "from Harrowmere Water, 2 Weir Street", "Capacity": "permit P-200"} {
		if !strings.Contains(values[item], part) {
			t.Errorf("%s says %q, want %q in it", item, values[item], part)
		}
	}
}

// Items 1 and 5 to 15 are those of the instructions of EPA form 8700-22, 17 to 20
// are from memory. The form binds hazardous loads only.
func TestUSFormProfile(t *testing.T) {
	r := fullDay("M-CLAY").compute(t, Options{Profile: USForm})
	if c := one(t, r); len(c.Missing) != 0 || len(Answers(Options{Profile: USForm}, c)) != 0 {
		t.Errorf("a load that is not hazardous lacks %v", lacks(c))
	}
	wantCode(t, r, reports.RecordIncomplete, 0)
	r = fullDay("M-OIL").compute(t, Options{Profile: USForm})
	c := one(t, r)
	want := []string{"1 Generator's ID", "14 Special handling", "15 Generator's certification", "17 Transporter's receipt",
		"19 Management method codes", "20 Facility's certification"}
	if !slices.Equal(lacks(c), want) {
		t.Errorf("lacks %v, want %v", lacks(c), want)
	}
	wantCode(t, r, reports.RecordIncomplete, 1)
	values := map[string]string{}
	for _, a := range Answers(Options{Profile: USForm}, c) {
		values[a.Item.Name] = a.Value
	}
	if values["11 Quantity"] != "2700" || values["12 Unit"] != "K" || values["10 Containers"] != "1 TT" || values["13 Waste codes"] != "17 05 03*" {
		t.Errorf("form says %v", values)
	}
}

// 15 days are 40 CFR 264.72(c); the number is an option because it changed.
func TestUnreconciledDiscrepancy(t *testing.T) {
	for _, v := range []struct {
		days int
		want string
	}{{0, "2026-10-21"}, {20, "2026-10-26"}} {
		s := newStory().load("05 08:00", "J-101", "M-OIL", 7000, 10_000).tip("05 10:00", "F-WET")
		s.docket("06 09:00", s.last(), "F-WET", 11_001_000)
		c := one(t, s.compute(t, Options{Profile: USForm, ReconcileDays: v.days}))
		found := false
		for _, m := range c.Missing {
			found = found || m.Item == "18 Discrepancy" && strings.Contains(m.What, v.want)
		}
		if !found {
			t.Errorf("%d days: lacks %+v, want %s", v.days, c.Missing, v.want)
		}
	}
}

func TestFormHasRoomForSixCodes(t *testing.T) {
	s := newStory()
	for i := range 7 {
		m := clay()
		m.WasteCode, m.Hazardous = fmt.Sprintf("D00%d", i), true
		id := events.MaterialID(fmt.Sprintf("M-%d", i))
		s.revise(string(id), m).load(fmt.Sprintf("05 1%d:00", i), "J-101", id, 1000, 1400)
		if i == 5 {
			s.tipAs("05 15:30", events.SpoilTipped{Facility: "F-WET", PortionPPM: 500_000})
		}
	}
	r := s.tip("05 18:00", "F-WET").compute(t, Options{Profile: USForm})
	for i, want := range []bool{false, true} {
		if slices.Contains(lacks(&r.Consignments[i]), "13 Waste codes") != want {
			t.Errorf("consignment %d lacks %v", i, lacks(&r.Consignments[i]))
		}
	}
}
