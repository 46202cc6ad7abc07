package reports_test

import (
	"slices"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

func TestCells(t *testing.T) {
	seven := int64(7)
	for name, c := range map[string]struct{ got, want reports.Cell }{
		"text":       {reports.T("a"), reports.Cell{Text: "a"}},
		"no text":    {reports.T(""), reports.Cell{Empty: true}},
		"zero":       {reports.N(0), reports.Cell{}},
		"number":     {reports.Opt(&seven), reports.Cell{Int: 7}},
		"no number":  {reports.Opt(nil), reports.Cell{Empty: true}},
		"time":       {reports.At(events.Time{UnixMS: 5, OffsetMinutes: 60}), reports.Cell{Int: 5}},
		"no time":    {reports.At(events.Time{}), reports.Cell{Empty: true}},
		"yes":        {reports.Yes(true), reports.Cell{Int: 1}},
		"no":         {reports.Yes(false), reports.Cell{}},
		"blank cell": {reports.Blank(), reports.Cell{Empty: true}},
	} {
		if c.got != c.want {
			t.Errorf("%s: %+v, want %+v", name, c.got, c.want)
		}
	}
}

// A column shows no more decimals than its cells carry, and what is summed is a
// number or a duration.
func TestColumns(t *testing.T) {
	for _, c := range []reports.Column{reports.TextColumn("a", "A"), reports.VolumeColumn("a_m3", "A"), reports.LitreColumn("a_l", "A"),
		reports.MassColumn("a_kg", "A"), reports.InstantColumn("a", "A"), reports.DurationColumn("a_h", "A"), reports.MoneyColumn("a", "A", "EUR"),
		reports.CountColumn("a", "A"), reports.RatioColumn("a", "A", "%", 3, 1)} {
		if c.Decimals > c.Scale || c.Total && c.Kind != reports.Number && c.Kind != reports.Duration {
			t.Errorf("%+v", c)
		}
	}
}

func TestRowsCanBeWalkedAgain(t *testing.T) {
	rows := reports.RowsOf([]reports.Row{{Cites: []uint64{1}}, {Cites: []uint64{2}}})
	for range 2 {
		got := []uint64{}
		for r := range rows {
			got = append(got, r.Cites...)
		}
		if !slices.Equal(got, []uint64{1, 2}) {
			t.Errorf("rows %v", got)
		}
	}
}

func TestAddUp(t *testing.T) {
	cols := []reports.Column{reports.TextColumn("a", "A"), reports.CountColumn("b", "B"), reports.RatioColumn("c", "C", "%", 3, 1)}
	rows := []reports.Row{{Cells: []reports.Cell{reports.T("x"), reports.N(2), reports.N(5)}},
		{Cells: []reports.Cell{reports.T("y"), {Int: 9, Empty: true}, reports.N(5)}}, {Cells: []reports.Cell{reports.T("z"), reports.N(-5), reports.N(5)}}}
	if got, want := reports.AddUp(cols, rows), []reports.Cell{reports.Blank(), reports.N(-3), reports.Blank()}; !slices.Equal(got, want) {
		t.Errorf("sums %+v, want %+v", got, want)
	}
}
