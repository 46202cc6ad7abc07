package sheets

import (
	"fmt"
	"iter"
	"slices"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/billable"
	"spoilbook/reports/manifest"
	"spoilbook/reports/timesplit"
	"spoilbook/reports/water"
	"spoilbook/services/demo"
	"spoilbook/services/sheets/sheetstest"
	"spoilbook/services/tongue"
)

// smallestPrint is what a sheet of the month is printed in at least, in points.
const smallestPrint = 7.0

// month is the invented month's journal, and its period.
func month(t *testing.T) (*reports.Journal, reports.Request) {
	t.Helper()
	m, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	recs, seen := []events.Recorded{}, map[events.Ref]bool{}
	for _, b := range m.Batches {
		for _, e := range b.Events {
			if !seen[e.Ref()] {
				seen[e.Ref()] = true
				recs = append(recs, events.Recorded{Event: e, Position: uint64(len(recs) + 1), At: events.MustTime("2026-11-03T08:00:00Z")})
			}
		}
	}
	zone, err := time.LoadLocation(demo.ZoneName)
	if err != nil {
		t.Fatal(err)
	}
	period, err := reports.Days("2026-10-01", "2026-10-31", zone)
	if err != nil {
		t.Fatal(err)
	}
	return reports.Resolve(recs, uint64(len(recs))), reports.Request{Period: period}
}

func documents(t *testing.T) []reports.Document {
	t.Helper()
	j, q := month(t)
	return []reports.Document{
		manifest.Compute(j, q, manifest.Options{}).Document(),
		water.Compute(j, q, water.Options{}).Document(),
		timesplit.Compute(j, q, timesplit.Options{}).Document(),
		billable.Compute(j, q, billable.Options{Zones: time.LoadLocation}).Document(),
	}
}

// laid lays the sheet of a table out as a workbook does.
func laid(t *testing.T, table *reports.Table, p *Provenance) *grid {
	t.Helper()
	g := &grid{book: &book{provenance: p, limits: wide()}, table: table, place: &place{table: table}}
	pending := make([]reports.Row, 0, measuredRows)
	for r := range table.Rows {
		if len(pending) == measuredRows {
			break
		}
		pending = append(pending, r)
	}
	g.long = table.Backing || len(pending) == cap(pending)
	g.prepareColumns(pending)
	g.layOut(pending)
	return g
}

// printSize returns the size of a sheet's letters on paper, in points.
func printSize(g *grid) float64 {
	scale := g.page.scale
	if scale == 0 {
		width := 0.0
		for _, c := range g.columns[:g.printed] {
			width += c.width*digitPoints + columnPoints
		}
		page := float64(portraitPoints)
		if g.page.landscape {
			page = landscapePoints
		}
		scale = min(100, int(page/width*100))
	}
	return fontSize * float64(scale) / 100
}

// Every sheet of the month can be read on paper, and no printed column repeats long texts line by line.
func TestTheMonthIsLegibleInPrint(t *testing.T) {
	j, q := month(t)
	p := &Provenance{Period: q.Period, Position: j.Position}
	sheets := 0
	for _, d := range documents(t) {
		if err := validate(&d, p); err != nil {
			t.Fatal(err)
		}
		findings, list := findingsTable(&d, tongue.Tongue{}), eventsTable(recordedOf(j))
		for _, table := range append(d.Tables, findings, list) {
			sheets++
			if size := printSize(laid(t, &table, p)); size < smallestPrint {
				t.Errorf("%s, %s: printed in %.1f points, want %.1f", d.Report, table.Name, size, smallestPrint)
			}
			if table.Empty == "" && table.Name != eventsSheet && !hasRows(&table) {
				t.Errorf("%s, %s: nothing says what it means that it is empty", d.Report, table.Name)
			}
		}
	}
	if sheets < 40 {
		t.Errorf("%d sheets were looked at", sheets)
	}
}

func hasRows(t *reports.Table) bool {
	for range t.Rows {
		return true
	}
	return false
}

func recordedOf(j *reports.Journal) iter.Seq[*events.Recorded] {
	return func(yield func(*events.Recorded) bool) {
		for p := uint64(1); p <= j.Position; p++ {
			if r := j.Recorded(p); r != nil && !yield(r) {
				return
			}
		}
	}
}

// Every report of the month says at a glance what it comes to, in lines that fit.
func TestTheMonthHasAGlance(t *testing.T) {
	for _, d := range documents(t) {
		if len(d.Glance) < 3 || len(d.Glance) > 9 {
			t.Errorf("%s: %d lines at a glance", d.Report, len(d.Glance))
		}
		for _, f := range d.Glance {
			if f.Label == "" || f.Text == "" || textWidth(f.Label) > labelWidth || lineCount(f.Text, valueWidth-padding) > 2 {
				t.Errorf("%s: at a glance %q: %q", d.Report, f.Label, f.Text)
			}
		}
	}
}

// What stands at a glance is what the tables come to.
func TestTheGlanceSaysTheTotals(t *testing.T) {
	byReport := map[string]reports.Document{}
	for _, d := range documents(t) {
		byReport[d.Report] = d
	}
	euros := func(cents int64) string { return reports.Money(cents, "") }
	for _, c := range []struct {
		report, label, table, column string
		text                         func(int64) string
	}{
		{"manifest", "Tipped", "Consignments", "mass_kg", reports.Tonnes},
		{"manifest", "Tipped", "By job", "volume_m3", reports.CubicMetres},
		{"manifest", "Tipped", "Facilities", "consignments", func(n int64) string { return reports.Counted(n, "consignment") }},
		{"manifest", "Dockets", "Weighbridge dockets", "net_kg", reports.Tonnes},
		{"water", "Drawn", "Water by day", "drawn_l", reports.Litres},
		{"water", "Drawn", "Water by day", "recycled_l", reports.Litres},
		{"water", "Used", "Uses", "used_l", reports.Litres},
		{"water", "Decanted", "Outfalls", "listed_l", reports.Litres},
		{"water", "Decanted", "Outfalls", "decants", func(n int64) string { return reports.Counted(n, "decant") }},
		{"timesplit", "Shifts", "Days", "length_h", reports.Hours},
		{"timesplit", "Spent on", "Jobs", "loading_h", reports.Clock},
		{"timesplit", "Full dumps", "Full dump parts", "total_h", reports.Hours},
		{"timesplit", "Decanting", "Without decanting", "saved_h", reports.Hours},
		{"timesplit", "Decanting", "Without decanting", "plain_trips", func(n int64) string { return reports.Counted(n, "trip") }},
		{"billable", "Time", "By client", "billed_h", reports.Hours},
		{"billable", "Time", "Not billed", "length_h", reports.Hours},
		{"billable", "Charged", "Invoice lines", "amount", euros},
		{"billable", "Charged", "Invoice totals", "tax", euros},
		{"billable", "Charged", "Invoice totals", "gross", euros},
	} {
		d := byReport[c.report]
		want, said := c.text(totalOf(t, &d, c.table, c.column)), ""
		for _, f := range d.Glance {
			if f.Label == c.label {
				said = f.Text
			}
		}
		if !strings.Contains(said, want) {
			t.Errorf("%s, %s: %q, but %s of %s is %s", c.report, c.label, said, c.column, c.table, want)
		}
	}
}

// totalOf returns a table's own total of a column.
func totalOf(t *testing.T, d *reports.Document, table, column string) int64 {
	t.Helper()
	for i := range d.Tables {
		if tb := &d.Tables[i]; tb.Name == table {
			if k := columnIndex(tb, column); k >= 0 && tb.Totals != nil && !tb.Totals[k].Empty {
				return tb.Totals[k].Int
			}
		}
	}
	t.Fatalf("%s: table %s has no total of %s", d.Report, table, column)
	return 0
}

func TestHowSheetsArePutOnPaper(t *testing.T) {
	of := func(widths ...float64) []column {
		out := make([]column, len(widths))
		for i, w := range widths {
			out[i].width = w
		}
		return out
	}
	for _, c := range []struct {
		columns []column
		backing bool
		want    pageFit
	}{
		{of(20, 20), false, pageFit{scale: usualScale}},
		{of(20, 20), true, pageFit{scale: backingScale}},
		{of(60, 70), false, pageFit{}},                                   // a little wide: upright, fitted
		{of(80, 78), false, pageFit{landscape: true, scale: usualScale}}, // too wide to stand upright
		{of(80, 90), false, pageFit{landscape: true}},                    // nearly as wide as the page, so fitted
		{of(100, 110), false, pageFit{landscape: true}},
	} {
		if got := fitOf(c.columns, c.backing); got != c.want {
			t.Errorf("%v: %+v, want %+v", c.columns, got, c.want)
		}
	}
}

func TestCiteText(t *testing.T) {
	for _, c := range []struct {
		cites []uint64
		limit int
		want  string
	}{
		{nil, 3, ""}, {[]uint64{7}, 3, "7"}, {[]uint64{4, 5}, 3, "4, 5"}, {[]uint64{4, 5, 6}, 3, "4–6"}, {[]uint64{1, 4, 5, 6, 9, 12, 13}, 3, "1, 4–6, 9 +2"},
		{[]uint64{1, 4, 5, 6, 9, 12, 13}, 0, "1, 4–6, 9, 12, 13"}, {[]uint64{1, 3, 5, 7, 8, 9}, 3, "1, 3, 5 +3"}, {[]uint64{9, 8, 7}, 0, "9, 8, 7"},
	} {
		if got := citeText(c.cites, c.limit); got != c.want {
			t.Errorf("%v, %d: %q, want %q", c.cites, c.limit, got, c.want)
		}
	}
	cites := make([]uint64, 1000)
	for i := range cites {
		cites[i] = uint64(2 * i)
	}
	if got := citeText(cites, citesShown); got != fmt.Sprintf("0, 2 +%d", len(cites)-2) {
		t.Errorf("a thousand are %q", got)
	}
}

func TestSheetsAreInTheOrderOfUse(t *testing.T) {
	p := provenance(t)
	d := sheetstest.Document(p.Period, 5)
	d.Tables[0].Backing = true
	d.Pictures[0].Table, d.Pictures[0].Category, d.Pictures[0].Series = "Loads", "truck", []string{"solids_kg"} // drawn before its table's sheet
	d.Tables = append(d.Tables, reports.Table{Name: "Decants", Title: "Decants", Empty: "No water was decanted.",
		Columns: []reports.Column{reports.LitreColumn("decanted_l", "Decanted")}, Rows: reports.RowsOf(nil)})
	book := sheetstest.Recalculate(t, workbook(t, d, wide(), 3))
	sheetstest.NoErrors(t, book)
	want := []string{"Cover", "Time split", "Water", "Decants", "Charts", "Findings", "Loads", "Events", "How to read this"}
	if got := book.SheetNames(); !slices.Equal(got, want) {
		t.Errorf("sheets %q, want %q", got, want)
	}
	if got := book.Sheet(t, "Decants").Cell("A5").Value; got != "No water was decanted." {
		t.Errorf("an empty table says %q", got)
	}
	listed := []string{}
	cover := book.Sheet(t, "Cover")
	for row := 1; row <= cover.Rows; row++ {
		if c := cover.Cell(sheetstest.Ref(0, row)); c.Link != "" {
			listed = append(listed, c.Value)
		}
	}
	if !slices.Equal(listed, want[1:]) {
		t.Errorf("the cover lists %q, want %q", listed, want[1:])
	}
	// A legend has the series' names without their units.
	if got := book.Sheet(t, "Charts").Cell("A5").Value; got != "Solids" {
		t.Errorf("the first series is named %q", got)
	}
}
