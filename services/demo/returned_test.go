package demo_test

import (
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

// TestRefusedAndReturnedSpoilGoesElsewhere: the refused load is the next
// consignment, and what came back is the only spoil in the one after its tip.
func TestRefusedAndReturnedSpoilGoesElsewhere(t *testing.T) {
	r := manifestOf(t, build(t).Batches, "2026-10-01", "2026-10-31")
	if len(r.Refusals) != 1 || len(r.Returns) != 1 {
		t.Fatalf("%d refusals and %d returns, want one each", len(r.Refusals), len(r.Returns))
	}
	refused, returned := &r.Refusals[0], &r.Returns[0]
	after := ""
	for i := range r.Consignments {
		c := &r.Consignments[i]
		switch {
		case c.Number == refused.Next:
			if c.Facility != "F-BRINE" || c.Amount != refused.Held {
				t.Errorf("the refused load of %v went to %s as %v", refused.Held, c.Facility, c.Amount)
			}
			refused.Next = ""
		case c.Number == returned.Of:
			permille := reports.MulDiv(returned.Amount.MassG(), 1000, c.Amount.MassG())
			if c.Facility != "F-FENNICK" || permille != 60 {
				t.Errorf("%s gave back %d of a thousand parts, want F-FENNICK and 60", c.Facility, permille)
			}
			after = "next"
		case after == "next" && c.Truck == "TM-02":
			if after = c.Number; c.Facility != "F-GORSE" || c.Amount != returned.Amount {
				t.Errorf("what came back, %v, went to %s as %v", returned.Amount, c.Facility, c.Amount)
			}
		}
	}
	if refused.Next != "" || after == "" || after == "next" {
		t.Error("the refused or the returned spoil went nowhere")
	}
}

// TestTheDocketsFindingsAreAnswered: both findings about the docket that is 14 % off
// stay and show the officer's answer; no other finding is answered.
func TestTheDocketsFindingsAreAnswered(t *testing.T) {
	m := build(t)
	j, q := journal(m.Batches), period(t, "2026-10-01", "2026-10-31")
	answered := map[reports.Code]bool{}
	for _, f := range j.Answer("manifest", q, manifestOf(t, m.Batches, "2026-10-01", "2026-10-31").Findings) {
		if f.Code == reports.AnswerUnmatched {
			t.Error(f.What)
		}
		for _, a := range f.Answers {
			answered[f.Code] = true
			if a.Outcome != events.AnswerExplained || !strings.HasPrefix(a.By, "R. Quillane") || day(f.At) != "2026-10-09" || day(a.At) != "2026-10-13" {
				t.Errorf("%s of %s is answered by %+v", f.Code, day(f.At), a)
			}
		}
	}
	if len(answered) != 2 || !answered[reports.DocketDiffers] || !answered[reports.DocketOverTenPercent] {
		t.Errorf("answered are %v", answered)
	}
}

// TestTheNewMeterIsNamed: readings are of the meter that the register names.
func TestTheNewMeterIsNamed(t *testing.T) {
	m := build(t)
	book := journal(m.Batches).Book
	read := map[string]int{}
	for _, b := range m.Batches {
		for i := range b.Events {
			if r, ok := b.Events[i].Body.(events.MeterRead); ok {
				w, _ := book.WaterSource(r.WaterSource, b.Events[i].Occurred)
				if read[r.Meter]++; w.Meter != r.Meter {
					t.Errorf("%s is read as %s; the register has %s", b.Events[i].ID, r.Meter, w.Meter)
				}
			}
		}
	}
	if before := batchOf(t, m, "Register, water-source W-MAINS-1 from Sat 17 Oct"); before == 0 || read["SP-4471"] != 4 || read["SP-4519"] != 3 {
		t.Errorf("meters were read %v times", read)
	}
}
