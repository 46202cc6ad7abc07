package manifest

import (
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/reports"
)

// checkDocument holds a document to its own shape: names, cells under columns,
// totals that are the sums of the rows, and pictures of columns that exist.
func checkDocument(t rapid.TB, d reports.Document) {
	t.Helper()
	tables := map[string]map[string]bool{}
	rows := map[string]int{}
	for _, tb := range d.Tables {
		if len([]rune(tb.Name)) > 25 || tables[tb.Name] != nil {
			t.Errorf("table name %q is too long or not unique", tb.Name)
		}
		keys := map[string]bool{}
		for _, c := range tb.Columns {
			if keys[c.Key] {
				t.Errorf("%s: key %s twice", tb.Name, c.Key)
			}
			keys[c.Key] = true
		}
		tables[tb.Name] = keys
		sums := make([]int64, len(tb.Columns))
		for row := range tb.Rows {
			rows[tb.Name]++
			if len(row.Cells) != len(tb.Columns) {
				t.Fatalf("%s: %d cells under %d columns", tb.Name, len(row.Cells), len(tb.Columns))
			}
			if tb.Cited && len(row.Cites) == 0 {
				t.Errorf("%s: a row cites nothing: %v", tb.Name, row.Cells)
			}
			for i, c := range row.Cells {
				sums[i] += c.Int
			}
		}
		checkTotals(t, tb, sums)
	}
	for _, p := range d.Pictures {
		for _, key := range slices.Concat([]string{p.Category}, p.Series) {
			if !tables[p.Table][key] {
				t.Errorf("picture %q draws %s of %s, which is not there", p.Title, key, p.Table)
			}
		}
		if p.Rows < 1 || p.Rows > rows[p.Table] || p.Alt == "" {
			t.Errorf("picture %q of %d rows; the table has %d", p.Title, p.Rows, rows[p.Table])
		}
	}
}

func checkTotals(t rapid.TB, tb reports.Table, sums []int64) {
	t.Helper()
	if tb.Totals != nil && len(tb.Totals) != len(tb.Columns) {
		t.Fatalf("%s: %d totals under %d columns", tb.Name, len(tb.Totals), len(tb.Columns))
	}
	for i, c := range tb.Columns {
		has := tb.Totals != nil && !tb.Totals[i].Empty
		if has != c.Total {
			t.Errorf("%s: column %s has a total: %v, says %v", tb.Name, c.Key, has, c.Total)
		}
		if has && tb.Totals[i].Int != sums[i] {
			t.Errorf("%s: column %s sums to %d, the report says %d", tb.Name, c.Key, sums[i], tb.Totals[i].Int)
		}
	}
}

func TestDocument(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2400, 3600).decant("05 08:30", "J-101", 300, "O-1").
		load("05 09:00", "J-102", "M-OIL", 1600, 2000).tip("05 11:00", "F-LAND")
	s.docket("06 09:00", s.last(), "F-LAND", 5_300_000).load("06 09:00", "J-101", "M-CLAY", 1000, 1400).tip("06 11:00", "F-WET").
		load("07 09:00", "J-101", "M-CLAY", 1000, 1400)
	for _, profile := range Profiles() {
		d := s.compute(t, Options{Profile: profile}).Document()
		checkDocument(t, d)
		if d.Report != "manifest" || len(d.Pictures) != 2 || len(d.Tables) != 18 {
			t.Errorf("%s: %s with %d pictures and %d tables", profile, d.Report, len(d.Pictures), len(d.Tables))
		}
	}
	year := Compute(s.journal(t), days(t, "2026-01-01", "2026-12-31"), Options{}).Document()
	checkDocument(t, year)
	weeks := tableOf(t, year, "Tipped by week")
	for row := range weeks.Rows {
		if row.Cells[0].Text == "2026-10-05" && row.Cells[1].Int+row.Cells[2].Int == 5_300_000+1_400_000 {
			return
		}
	}
	t.Error("the week from Monday 2026-10-05 does not show the two tips")
}

// tableOf returns a document's table by its name.
func tableOf(t testing.TB, d reports.Document, name string) reports.Table {
	t.Helper()
	i := slices.IndexFunc(d.Tables, func(tb reports.Table) bool { return tb.Name == name })
	if i < 0 {
		t.Fatalf("there is no table %q", name)
	}
	return d.Tables[i]
}

// totalOf returns a column's own total.
func totalOf(t testing.TB, tb reports.Table, key string) int64 {
	t.Helper()
	i := slices.IndexFunc(tb.Columns, func(c reports.Column) bool { return c.Key == key })
	if i < 0 || tb.Totals == nil || tb.Totals[i].Empty {
		t.Fatalf("table %s has no total of %s", tb.Name, key)
	}
	return tb.Totals[i].Int
}

// What stands at a glance is what the tables come to.
func TestGlanceSaysTheTotals(t *testing.T) {
	s := newStory().load("05 08:00", "J-101", "M-CLAY", 2400, 3600).decant("05 08:30", "J-101", 300, "O-1").
		load("05 09:00", "J-102", "M-OIL", 1600, 2000).tip("05 11:00", "F-LAND")
	s.docket("06 09:00", s.last(), "F-LAND", 5_300_000).load("06 09:00", "J-101", "M-CLAY", 1000, 1400).tip("06 11:00", "F-WET").
		load("07 09:00", "J-101", "M-CLAY", 1000, 1400)
	d := s.compute(t, Options{}).Document()
	consignments, held, dockets := tableOf(t, d, "Consignments"), tableOf(t, d, "Held at period end"), tableOf(t, d, "Weighbridge dockets")
	says := map[string]string{}
	for _, f := range d.Glance {
		says[f.Label] = f.Text
	}
	for label, want := range map[string]string{
		"Tipped": "2 consignments, " + reports.Tonnes(totalOf(t, consignments, "mass_kg")) + ", " + reports.CubicMetres(totalOf(t, consignments, "volume_m3")),
		"Dockets": "1 of 2 consignments, net " + reports.Tonnes(totalOf(t, dockets, "net_kg")) + ": " +
			strings.TrimPrefix(reports.Tonnes(totalOf(t, dockets, "difference_kg")), "-"),
		"Held at the end": reports.Tonnes(totalOf(t, held, "mass_kg")),
		"Hazardous":       "in 1 consignment",
		"Where to":        "5.30 t",
	} {
		if !strings.Contains(says[label], want) {
			t.Errorf("%s is %q, want %q in it", label, says[label], want)
		}
	}
}

func TestEmptyReport(t *testing.T) {
	d := newStory().compute(t, Options{Profile: "unheard of"}).Document()
	checkDocument(t, d)
	if len(d.Pictures) != 0 || len(d.Findings) != 0 {
		t.Errorf("an empty ledger draws %v and finds %v", d.Pictures, d.Findings)
	}
}
