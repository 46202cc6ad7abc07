package manifest

import (
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

func (s *story) refused(when string, f events.FacilityID) *story {
	return s.truck("TM-01", when, "", events.SpoilRefused{Facility: f, Reason: events.RefusedTooWet, Note: "standing water"})
}

func (s *story) returned(when string, b events.SpoilReturned) *story {
	b.Start, b.End, b.Reason = before(at(when), 10), at(when), events.RefusedContents
	return s.truck("TM-01", when, "", b)
}

// cellsOf returns a row of a table by column key.
func cellsOf(t testing.TB, tb reports.Table, row int) map[string]reports.Cell {
	t.Helper()
	i := 0
	for r := range tb.Rows {
		if i == row {
			cells := map[string]reports.Cell{}
			for k, c := range r.Cells {
				cells[tb.Columns[k].Key] = c
			}
			return cells
		}
		i++
	}
	t.Fatalf("table %s has %d rows", tb.Name, i)
	return nil
}

// A load refused at the pit goes to the treatment plant: nothing is listed of the pit
// but the refusal, which names the consignment that the load became.
func TestRefusedAndTakenElsewhere(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 7000, 10_000).refused("05 10:00", "F-LAND").tip("05 12:00", "F-WET")
	r := s.compute(t, Options{})
	wantCode(t, r, reports.SpoilRefused, 1)
	if c := one(t, r); c.Facility != "F-WET" {
		t.Errorf("the consignment went to %s", c.Facility)
	}
	if len(r.Refusals) != 1 || r.Refusals[0].Held.MassG() != 10_000_000 {
		t.Fatalf("refusals are %+v", r.Refusals)
	}
	cells := cellsOf(t, tableOf(t, r.Document(), "Refusals"), 0)
	for key, want := range map[string]string{"facility": "Garrow Pit", "reason": "too wet", "note": "standing water",
		"consignment": "TM-01-20261005-1", "to": "Sallow Treatment", "plate": "261-TM-01"} {
		if cells[key].Text != want {
			t.Errorf("%s is %q, want %q", key, cells[key].Text, want)
		}
	}
	for _, x := range r.Receipts {
		if x.Facility == "F-LAND" {
			t.Errorf("the pit that refused received %+v", x)
		}
	}
}

// A refusal that names no job shows under a filter with the consignment that it became.
func TestRefusalsUnderAFilter(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 7000, 10_000).refused("05 10:00", "F-LAND").tip("05 12:00", "F-WET")
	for job, want := range map[events.JobID]int{"J-101": 1, "J-102": 0} {
		q := october(t)
		q.Filter.Job = job
		if got := len(Compute(s.journal(t), q, Options{}).Refusals); got != want {
			t.Errorf("%s: %d refusals, want %d", job, got, want)
		}
	}
}

// 3600 kg of J-101 and 2000 kg of J-102 are tipped whole at the pit, which gives back
// 1400 kg: 900 and 500 (recomputed independently). They go to the plant. The first
// consignment keeps 5600 kg, the second has 1400, the tank balances and holds nothing.
func TestReturnedAndTakenElsewhere(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2400, 3600).load("05 09:00", "J-102", "M-SAND", 1600, 2000).tip("05 11:00", "F-LAND")
	s.returned("05 11:30", events.SpoilReturned{Tip: s.last(), Facility: "F-LAND", Mass: kg(1400), Note: "bricks"}).tip("05 14:00", "F-WET")
	r := s.compute(t, Options{})
	wantCode(t, r, reports.SpoilReturned, 1)
	if len(r.Consignments) != 2 || len(r.Returns) != 1 {
		t.Fatalf("%d consignments and %d returns", len(r.Consignments), len(r.Returns))
	}
	first, second := &r.Consignments[0], &r.Consignments[1]
	if first.Amount.MassG() != 5_600_000 || first.Returned.MassG() != 1_400_000 || second.Amount.MassG() != 1_400_000 {
		t.Errorf("tipped %d, returned %d, tipped again %d", first.Amount.MassG(), first.Returned.MassG(), second.Amount.MassG())
	}
	for i, want := range []int64{900_000, 500_000} {
		if got := second.Parts[i].Amount.MassG(); got < want-1 || got > want+1 {
			t.Errorf("part %d of the second tip is %d g, want %d", i, got, want)
		}
		if got := r.Jobs[i].Returned.MassG(); got < want-1 || got > want+1 {
			t.Errorf("%s had %d g returned, want %d", r.Jobs[i].Job, got, want)
		}
	}
	x := r.Balances[0]
	if x.Difference() != (Amount{}) || x.Returned.MassG() != 1_400_000 || x.Closing != (Amount{}) {
		t.Errorf("the balance is %+v", x)
	}
	d := r.Document()
	checkDocument(t, d)
	cells := cellsOf(t, tableOf(t, d, "Returned loads"), 0)
	if cells["consignment"].Text != "TM-01-20261005-1" || cells["mass_kg"].Int != 1_400_000 || cells["note"].Text != "bricks" || cells["not_tipped_kg"].Int != 0 {
		t.Errorf("the return reads %+v", cells)
	}
	q := october(t)
	q.Filter.Job = "J-102"
	narrowed := Compute(s.journal(t), q, Options{})
	if got := narrowed.Totals.ReturnedAsked.MassG(); got < 499_999 || got > 500_001 {
		t.Errorf("of the job asked for %d g came back, want 500000", got)
	}
	checkDocument(t, narrowed.Document())
}

// More than was tipped is nobody's, and a return that matches no tip is found and named
// as of no consignment.
func TestReturnsThatContradict(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2400, 3600).tip("05 11:00", "F-LAND")
	tip := s.last()
	s.returned("05 11:30", events.SpoilReturned{Tip: tip, Facility: "F-LAND", Mass: kg(4000)}).
		returned("05 12:00", events.SpoilReturned{Tip: tip, Facility: "F-WET", Mass: kg(100)})
	r := s.compute(t, Options{})
	wantCode(t, r, reports.ReturnedOverTipped, 1)
	wantCode(t, r, reports.ReturnUnmatched, 1)
	tb := tableOf(t, r.Document(), "Returned loads")
	if over := cellsOf(t, tb, 0); over["not_tipped_kg"].Int != 400_000 {
		t.Errorf("never tipped: %d g, want 400000", over["not_tipped_kg"].Int)
	}
	if none := cellsOf(t, tb, 1); none["consignment"].Text != "none that is known" || none["not_tipped_kg"].Int != 100_000 {
		t.Errorf("the other return reads %+v", none)
	}
	if x := r.Balances[0]; x.Difference() != (Amount{}) || x.Unaccounted.MassG() != 500_000 {
		t.Errorf("the balance is %+v", x)
	}
}

// Both rules stand side by side, and the second has a day by which it is reconciled: 15
// days (40 CFR 264.72(c)), or 20 (a rule of 2024, from memory) where that is chosen. Of
// 10 000 kg good to 3 %, 300 kg: 9695 differs by 305 and is explained with the
// weighbridge's 65 kg, together 307, 9600 by 400 is not, 8999 is over ten percent as well.
func TestDiscrepanciesByBothRules(t *testing.T) {
	s := newStory()
	for i, netKg := range []int64{9695, 9600, 8999} {
		day := string("567"[i])
		s.load("0"+day+" 08:00", "J-101", "M-CLAY", 7000, 10_000).tip("0"+day+" 10:00", "F-LAND")
		tip := s.last()
		// The tare that makes both weighings lie between 500 and 2000 intervals of 20 kg.
		s.add(events.Event{Source: events.OfficeSource("yard"), Truck: "TM-01", Occurred: at("20 09:00"), Origin: events.FromOffice,
			Body: events.DocketReceived{Tip: tip, Facility: "F-LAND", Number: "D-" + day, WeighedAt: at("0" + day + " 10:05"), NetG: netKg * 1000}})
	}
	for days, due := range map[int]string{0: "2026-10-22", 20: "2026-10-27"} {
		tb := tableOf(t, s.compute(t, Options{ReconcileDays: days}).Document(), "Discrepancies")
		first, second := cellsOf(t, tb, 0), cellsOf(t, tb, 1)
		if first["docket"].Text != "D-6" || first["over_ten_percent"].Int != 0 || first["explained"].Int != 0 || !first["reconcile_by"].Empty {
			t.Errorf("400 kg read %+v", first)
		}
		if second["docket"].Text != "D-7" || second["over_ten_percent"].Int != 1 || second["explained"].Int != 0 || second["reconcile_by"].Text != due {
			t.Errorf("1001 kg read %+v, due %s", second, due)
		}
		if got := second["en"].Int; got < 3255 || got > 3265 { // 1001 / sqrt(300^2 + 65.3^2) = 3.260
			t.Errorf("difference over both is %d, want 3260", got)
		}
	}
}

// A docket weighed after a part was given back is held against what stayed.
func TestDocketAfterAReturn(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 7000, 10_000).tip("05 10:00", "F-LAND")
	tip := s.last()
	s.returned("05 10:30", events.SpoilReturned{Tip: tip, Facility: "F-LAND", Mass: kg(4000)}).docket("05 10:40", tip, "F-LAND", 6_010_000)
	c := &s.compute(t, Options{}).Consignments[0]
	if d := c.Docket; d.AccountG != 6_000_000 || d.DifferenceG != 10_000 || d.ReturnedG != 4_000_000 || d.Significant {
		t.Errorf("the docket is %+v", c.Docket)
	}
}

// How long records are kept: US 3 years from the initial transporter's acceptance (40
// CFR 262.40 and 263.22), a UK transfer note 2 years (SI 1991/2839 regulation 3), in
// England the carrier of hazardous waste 1 and its producer 3 years, a New South Wales
// facility 4 years.
func TestKeepUntil(t *testing.T) {
	s := newStory()
	for i, m := range []events.MaterialID{"M-CLAY", "M-OIL"} {
		day := string("56"[i])
		s.load("0"+day+" 08:00", "J-101", m, 7000, 10_000).truck("TM-01", "0"+day+" 08:30", "J-101", events.SiteLeft{}).tip("0"+day+" 10:00", "F-WET")
	}
	for profile, want := range map[Profile][2]string{
		USForm:       {"", "us_until=2029-10-06"},
		EnglandWales: {"uk_note_until=2028-10-05", "england_carrier_until=2027-10-06 england_producer_until=2029-10-06 uk_note_until=2028-10-06"},
		General: {"nsw_facility_until=2030-10-05 uk_note_until=2028-10-05",
			"england_carrier_until=2027-10-06 england_producer_until=2029-10-06 nsw_facility_until=2030-10-06 uk_note_until=2028-10-06 us_until=2029-10-06"},
	} {
		r := s.compute(t, Options{Profile: profile})
		tb := tableOf(t, r.Document(), "Keep until")
		for i := range want {
			if got := untils(cellsOf(t, tb, i)); got != want[i] {
				t.Errorf("%s, consignment %d: %s, want %s", profile, i+1, got, want[i])
			}
		}
		for _, rule := range profile.Retentions() {
			if !strings.Contains(tb.Note, rule.Source) {
				t.Errorf("%s: the note does not name %s", profile, rule.Source)
			}
		}
	}
}

// untils shows the dates of a row, by key.
func untils(cells map[string]reports.Cell) string {
	parts := []string{}
	for _, key := range []string{"england_carrier_until", "england_producer_until", "nsw_facility_until", "uk_note_until", "us_until"} {
		if c, ok := cells[key]; ok && !c.Empty {
			parts = append(parts, key+"="+c.Text)
		}
	}
	return strings.Join(parts, " ")
}

// The day counts from when the carrier took the waste over: the evening before, when it
// stood loaded overnight. Without a leaving it counts from the tip.
func TestKeepUntilCountsFromAcceptance(t *testing.T) {
	for _, left := range []bool{true, false} {
		s := newStory().load("05 16:00", "J-101", "M-CLAY", 7000, 10_000)
		want := "2028-10-06"
		if left {
			s.truck("TM-01", "05 17:00", "J-101", events.SiteLeft{})
			want = "2028-10-05"
		}
		s.tip("06 08:00", "F-WET")
		r := s.compute(t, Options{})
		if got := EnglandWales.Retentions()[0].KeepUntil(one(t, r), october(t).Period.Zone); got != want {
			t.Errorf("left %v: until %s, want %s", left, got, want)
		}
	}
}
