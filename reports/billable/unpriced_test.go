package billable

import (
	"cmp"
	"fmt"
	"strings"
	"testing"

	"github.com/shopspring/decimal"

	"spoilbook/events"
	"spoilbook/reports"
)

// unpriced writes work without a price as "kind what quantity unit reason" lines.
func unpriced(r *Report) string {
	b := &strings.Builder{}
	for i := range r.Unpriced {
		u := &r.Unpriced[i]
		fmt.Fprintf(b, "%s %s %s %s %s %s: %s\n", cmp.Or(u.Client, "-"), u.Job, u.Kind, u.What, decimal.New(u.Micro, -6), u.Unit, u.Reason)
	}
	return b.String()
}

// A card that begins at noon does not price the morning's visit, and all of its work
// is listed.
func TestTheCardBeginsLater(t *testing.T) {
	l := newLedger()
	l.revise(early, "VAT", events.Tax{Name: "VAT", RatePercent: "23"})
	l.revise(early, "J-1", job("C-1", "RC-1"))
	l.revise("12:00", "RC-1", events.RateCard{Name: "Card", Currency: "EUR", Tax: "VAT", Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}}})
	l.say("08:00 shift.started\n08:00 site.arrived J-1")
	l.load("08:00", "09:00", "J-1", 3_200_000)
	l.say("09:30 site.left J-1\n10:00 facility.arrived")
	l.put("10:20", "", events.SpoilTipped{Start: l.at("10:00"), End: l.at("10:20"), Facility: "F-1", Whole: true})
	l.say("10:30 facility.left\n11:00 site.arrived J-1\n13:00 site.left J-1\n13:00 site.arrived J-1\n14:00 site.left J-1\n14:00 shift.ended")
	r := l.bill(t, "2026-10-05", "2026-10-05")
	want := `
		C-1 J-1 time loading 1 h
		C-1 J-1 fee visit 1 each
		C-1 J-1 time on-site 0.5 h
		C-1 J-1 water fresh water used 0.8 kL
		C-1 J-1 time full-dump 0.5 h
		C-1 J-1 time full-dump 0.333333 h
		C-1 J-1 spoil spoil tipped at F-1 2 m³
		C-1 J-1 spoil spoil tipped at F-1 3.2 t
		C-1 J-1 time full-dump 0.166667 h
		C-1 J-1 time full-dump 0.5 h
		C-1 J-1 time on-site 2 h
		C-1 J-1 fee visit 1 each`
	const why = ": rate card RC-1 was not in force; it begins 2026-10-05T12:00:00.000+01:00\n"
	wantText(t, unpriced(r), strings.ReplaceAll(want[1:]+"\n", "\n", why))
	wantText(t, text(r), "10-05 on-site ordinary 1:00 1:00 60x1 60.00")
	if found(r, reports.NoRateCard) != 1 {
		t.Errorf("findings %v", r.Findings)
	}
}

func TestWorkOfAJobThatIsNotRegistered(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{})
	l.say("08:00 shift.started\n08:00 site.arrived J-7\n09:00 site.left J-7\n09:00 shift.ended")
	r := l.bill(t, "2026-10-05", "2026-10-05")
	wantText(t, unpriced(r), "- J-7 time on-site 1 h: the register did not know it then\n- J-7 fee visit 1 each: the register did not know it then")
}

// The zone of a job changes at 10:00: each visit goes by the clock of its own start,
// so that 23:30 in Dublin is the next day in Athens.
func TestAJobInTwoTimeZones(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}},
		Bands: []events.Band{{Name: "night", Days: []string{"mon", "tue"}, From: "22:00", To: "06:00", Multiplier: "2"}}})
	moved := job("C-1", "RC-1")
	moved.TimeZone = "Europe/Athens"
	l.revise("20:00", "J-1", moved)
	l.say("19:00 shift.started\n19:00 site.arrived J-1\n20:30 site.left J-1\n20:30 site.arrived J-1\n22:30 site.left J-1\n22:30 shift.ended")
	r := l.bill(t, "2026-10-05", "2026-10-05")
	wantText(t, text(r), `
		10-05 on-site ordinary 1:30 1:30 60x1 90.00
		10-05 on-site night 1:30 1:30 60x2 180.00
		10-06 on-site night 0:30 0:30 60x2 60.00`)
	if found(r, reports.JobZoneChanged) != 1 {
		t.Errorf("findings %v", r.Findings)
	}
	if err := explained(r); err != nil {
		t.Error(err)
	}
}

// Rounding by line, travel capped and a mark-up in one month in which the tax changes:
// the two rates are two totals, each line with that of its visit.
func TestTheTaxChangesWithinTheMonth(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{TaxPer: "line", Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}}})
	l.revise("12:00", "VAT", events.Tax{Name: "VAT", RatePercent: "21"})
	l.say("08:00 shift.started\n08:00 site.arrived J-1\n12:30 site.left J-1\n12:30 site.arrived J-1\n13:00 site.left J-1\n13:00 shift.ended")
	r := l.bill(t, "2026-10-05", "2026-10-05")
	// 270.00 at 23 % is 62.10; 30.00 at 21 % is 6.30.
	if len(r.Invoices) != 2 || r.Invoices[0].TaxCents != 630 || r.Invoices[1].TaxCents != 6210 {
		t.Errorf("invoices %+v", r.Invoices)
	}
}
