package ledger_test

import (
	"bytes"
	"strings"
	"testing"

	"spoilbook/reports/care"
	"spoilbook/services/ledger"
	"spoilbook/services/sheets"
)

// written is a report as CSV of one table, and what its cover says under a label.
func written(t *testing.T, r *ledger.Report, table, label string) (rows, basis string) {
	t.Helper()
	out := &bytes.Buffer{}
	if table != "" {
		if err := sheets.CSV(out, r.Document, table, sheets.Provenance{Period: r.Query.Period}); err != nil {
			t.Fatal(err)
		}
	}
	for _, f := range r.Document.Subject {
		if f.Label == label {
			basis = f.Text
		}
	}
	return out.String(), basis
}

// Every choice changes the figures it is about, and the cover names it.
func TestChoicesAreMadeAndNamed(t *testing.T) {
	fifo, bridge := ledger.Choices{Allocation: ledger.FirstInFirstOut}, ledger.Choices{AxleRule: ledger.AxlesBridge}
	for _, c := range []struct {
		day, report, table, label string
		chosen                    ledger.Choices
		usual, other              string // what the cover says
	}{
		{"36-first-in-first-out", "manifest", "Contributions", "Shares of a tip", fifo, "well mixed", "first in, first out"},
		{"36-first-in-first-out", "billable", "", "Shares of a tip", fifo, "well mixed", "the oldest load first"},
		{"36-first-in-first-out", "water", "", "Shares of a tip", fifo, "pro-rata", "first-in-first-out"},
		{"36-first-in-first-out", "timesplit", "", "Shares of a tip", fifo, "pro-rata", "first-in-first-out"},
		{"36-first-in-first-out", "manifest", "", "Record asked for", ledger.Choices{Profile: "us-hazardous-waste-manifest"}, "general", "8700-22"},
		{"35-axle-over-before-gross", "axles", "", "Axles held against", bridge, "(permitted)", "US bridge formula"},
		{"34-care-and-a-stop", "care", "", "Altitude of the sites", ledger.Choices{AltitudeM: 1600}, "sea level", "1600 m above"},
	} {
		book, q := openDay(t, c.day, c.report)
		usual, err := book.Report(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		q.Choices = c.chosen
		other, err := book.Report(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		was, says := written(t, usual, c.table, c.label)
		is, saysOther := written(t, other, c.table, c.label)
		if !strings.Contains(strings.ToLower(says), strings.ToLower(c.usual)) || !strings.Contains(saysOther, c.other) {
			t.Errorf("%s of %s: the cover says %q, and chosen %q", c.report, c.day, says, saysOther)
		}
		if c.table != "" && was == is {
			t.Errorf("%s of %s: the choice changes nothing in\n%s", c.report, c.day, is)
		}
	}
}

// The altitude reaches the computation, which has its own tests of what it does there.
func TestAltitudeIsComputedWith(t *testing.T) {
	book, q := openDay(t, "34-care-and-a-stop", "care")
	q.AltitudeM = 1600
	r, err := book.Report(t.Context(), q)
	if err != nil {
		t.Fatal(err)
	}
	if made, ok := r.Computed.(*care.Report); !ok || made.Options.AltitudeM != 1600 {
		t.Errorf("computed %T for another altitude", r.Computed)
	}
}

// The bridge formula is one more table or finding of the axles; without it there is no
// word of it.
func TestBridgeFormulaIsChosen(t *testing.T) {
	book, q := openDay(t, "35-axle-over-before-gross", "axles")
	text := func(rule string) string {
		q.AxleRule = rule
		r, err := book.Report(t.Context(), q)
		if err != nil {
			t.Fatal(err)
		}
		return strings.Join(r.Document.Notes, "\n")
	}
	if plain, bridge := text(ledger.AxlesPermitted), text(ledger.AxlesBridge); plain == bridge || !strings.Contains(strings.ToLower(bridge), "bridge") {
		t.Errorf("the notes are\n%s\nand with the bridge formula\n%s", plain, bridge)
	}
}

func TestChoicesRefused(t *testing.T) {
	book, q := openDay(t, "36-first-in-first-out", "manifest")
	for _, c := range []struct {
		report string
		chosen ledger.Choices
		says   string
	}{
		{"manifest", ledger.Choices{Allocation: "oldest"}, `allocation: found "oldest"; allowed: pro-rata, first-in-first-out`},
		{"manifest", ledger.Choices{Profile: "mine"}, `allowed: general, england-wales-transfer-note, us-hazardous-waste-manifest`},
		{"water", ledger.Choices{Profile: "general"}, "report water does not have this choice; only manifest has it"},
		{"care", ledger.Choices{Allocation: ledger.ProRata}, "only manifest, water, timesplit, billable and axles have it"},
		{"axles", ledger.Choices{AxleRule: "us"}, "allowed: permitted, bridge"},
		{"manifest", ledger.Choices{AxleRule: ledger.AxlesBridge}, "only axles has it"},
		{"billable", ledger.Choices{Rest: "us-395"}, "only timesplit has it"},
		{"billable", ledger.Choices{AltitudeM: 100}, "only care has it"},
		{"care", ledger.Choices{AltitudeM: 6001}, "allowed: -500 to 6000 metres"},
		{"care", ledger.Choices{AltitudeM: -501}, "found -501"},
	} {
		q.Name, q.Choices = c.report, c.chosen
		if _, err := book.Report(t.Context(), q); ledger.CodeOf(err) != ledger.BadRequest || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s with %+v: %v", c.report, c.chosen, err)
		}
	}
}
