package reports_test

import (
	"reflect"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

func TestSupposeLeavesTheJournalAsItIs(t *testing.T) {
	at := func(s string) events.Time { return events.MustTime(s) }
	rev := func(position uint64, from, percent string) events.Recorded {
		return events.Recorded{Position: position, Event: events.Event{ID: "r" + from + percent, Source: "/office/register", Seq: position, Occurred: at(from),
			Body: events.RegisterRevised{Key: "VAT", EffectiveFrom: at(from), Author: "x", Document: events.Tax{Name: "VAT", RatePercent: events.Decimal(percent)}}}}
	}
	j := reports.Resolve([]events.Recorded{rev(1, "2026-01-01T00:00:00.000Z", "21")}, 1)
	then := j.Suppose(rev(2, "2026-06-01T00:00:00.000Z", "23"), rev(3, "2026-01-01T00:00:00.000Z", "22"))
	for day, want := range map[string][2]events.Decimal{"2026-03-01T00:00:00.000Z": {"21", "22"}, "2026-06-01T00:00:00.000Z": {"21", "23"}} {
		was, _ := j.Book.Tax("VAT", at(day))
		is, _ := then.Book.Tax("VAT", at(day))
		if was.RatePercent != want[0] || is.RatePercent != want[1] {
			t.Errorf("%s: %s and %s, want %v", day, was.RatePercent, is.RatePercent, want)
		}
	}
	if then.Recorded(3) == nil || j.Recorded(3) != nil || j.Recorded(2) != nil || j.Book.Revisions() != 1 || then.Book.Revisions() != 3 {
		t.Error("the supposed revisions are in the journal itself, or not in the supposed one")
	}
	if _, ok := j.PositionOf(events.Ref{Source: "/office/register", ID: "r2026-06-01T00:00:00.000Z23"}); ok {
		t.Error("the journal knows the supposed event")
	}
}

func TestDiffer(t *testing.T) {
	document := func(glance string, total int64, names ...string) *reports.Document {
		rows := []reports.Row{}
		for i, n := range names {
			rows = append(rows, reports.Row{Cells: []reports.Cell{reports.T(n), reports.N(int64(i % 2))}, Cites: []uint64{uint64(i) + 1}})
		}
		return &reports.Document{Glance: []reports.Field{{Label: "Charged", Text: glance}, {Label: "Same", Text: "x"}}, Tables: []reports.Table{{Name: "Lines", Title: "Lines",
			Columns: []reports.Column{reports.TextColumn("name", "Name"), reports.MoneyColumn("amount", "Amount", "EUR")}, Rows: reports.RowsOf(rows), Totals: []reports.Cell{reports.Blank(), reports.N(total)}}}}
	}
	p := reports.Period{}
	was := document("1.00", 100, "a", "b", "c")
	same := reports.Differ(was, document("1.00", 100, "a", "b", "c"), p)
	if same.Any() {
		t.Errorf("the same document differs: %+v", same)
	}
	d := reports.Differ(was, document("2.00", 250, "a", "b", "c", "a"), p)
	want := []reports.Differing{{Label: "Charged", Was: "1.00", Is: "2.00"}, {Label: "Lines: Amount", Was: "1.00", Is: "2.50"}}
	if !d.Any() || d.Lines != 1 || !reflect.DeepEqual(d.Figures, want) {
		t.Errorf("%+v, want %+v and one line", d, want)
	}
	// A line more in the middle is one line, whatever its citations.
	if d := reports.Differ(was, document("1.00", 100, "a", "x", "c", "b"), p); d.Lines != 1 {
		t.Errorf("%d lines differ", d.Lines)
	}
	gone := reports.Differ(was, &reports.Document{Findings: make([]reports.Finding, 2)}, p)
	if gone.Findings != 2 || len(gone.Figures) != 2 || gone.Figures[0].Was != "1.00" || gone.Figures[0].Is != "" {
		t.Errorf("%+v", gone)
	}
}
