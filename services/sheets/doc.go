// Package sheets writes a [reports.Document] as a workbook, CSV, JSON and plain text. It changes no figure: every number leaves as the
// document holds it, with its unit in its heading and with the ledger positions it rests on.
//
// Worked example. A column of millilitres under cubic metres (Scale 6, Decimals 3) holds the cell 3242576. It becomes
//
//	workbook   the number 3.242576, shown as 3.243, under the heading "Spoil (m³)"
//	CSV, JSON  3.242576, under the key "spoil_m3"
//	text       3.243, right-aligned under "Spoil (m³)"
//
// An instant is a real date-time of the period's zone in a workbook, and RFC 3339 with that zone's offset elsewhere. A duration of 27 930 000 ms
// is 0.32326… of a day shown as 7:45 in a workbook, and 7:45:30 elsewhere. Yes-or-no is Yes and No, in JSON true and false. An empty cell is
// blank, in JSON null.
//
// A workbook has the sheets Cover, one for each table, Charts, Findings, one for each backing list, and Events with the events behind the
// lines. The cover says the figures at a glance and the findings first. Totals are live: SUBTOTAL formulas that follow a filter set by the
// reader, with their values written beside them for programs that do not calculate. A table longer than a sheet goes on in "Name (2)", and
// its totals span the sheets. The same input gives the same bytes.
//
// On paper a sheet is A4, upright where its width allows it, in letters of seven points or more for what the reports of a month hold. Columns
// kept aside stand to the right of the positions and are not printed, nor are they in text.
//
// [Form] writes forms for people to fill in, and [Read] reads what they send, which is measured before it is taken apart: see package cells.
//
// Text is only ever text. In a workbook no text becomes a formula. CSV has no types, so a text that begins with = + - @, a tab or an
// apostrophe gets one apostrophe in front, and a reader takes one leading apostrophe away.
package sheets

import (
	"errors"
	"fmt"

	"spoilbook/reports"
)

// maxScale is the largest number of decimals an int64 can carry.
const maxScale = 18

// validate reports what would make d ambiguous or unreadable once written.
func validate(d *reports.Document, p *Provenance) error {
	if p.Period.Zone == nil {
		return errors.New("export: the period has no time zone; set Provenance.Period.Zone")
	}
	tables := map[string]*reports.Table{}
	for i := range d.Tables {
		t := &d.Tables[i]
		if t.Name == "" || tables[t.Name] != nil {
			return fmt.Errorf("export %s: table name %q is empty or used twice; give each table its own", d.Report, t.Name)
		}
		tables[t.Name] = t
		if err := validateColumns(t); err != nil {
			return fmt.Errorf("export %s: %w", d.Report, err)
		}
	}
	for i := range d.Pictures {
		if err := validatePicture(&d.Pictures[i], tables); err != nil {
			return fmt.Errorf("export %s: %w", d.Report, err)
		}
	}
	return nil
}

func validateColumns(t *reports.Table) error {
	if len(t.Columns) == 0 || t.Rows == nil {
		return fmt.Errorf("table %s: no columns or no rows; a table needs both, even when it lists nothing", t.Name)
	}
	if t.Totals != nil && len(t.Totals) != len(t.Columns) {
		return fmt.Errorf("table %s: %d totals for %d columns; give one for each", t.Name, len(t.Totals), len(t.Columns))
	}
	seen := map[string]bool{}
	for _, c := range t.Columns {
		if c.Key == "" || seen[c.Key] {
			return fmt.Errorf("table %s: column key %q is empty or used twice; give each column its own", t.Name, c.Key)
		}
		seen[c.Key] = true
		if c.Scale < 0 || c.Scale > maxScale || c.Decimals < 0 || c.Decimals > c.Scale {
			return fmt.Errorf("table %s, column %s: scale %d with %d decimals; want 0 <= decimals <= scale <= %d",
				t.Name, c.Key, c.Scale, c.Decimals, maxScale)
		}
	}
	return nil
}

func validatePicture(p *reports.Picture, tables map[string]*reports.Table) error {
	t := tables[p.Table]
	if t == nil {
		return fmt.Errorf("picture %q: the document has no table %q", p.Title, p.Table)
	}
	if columnIndex(t, p.Category) < 0 {
		return fmt.Errorf("picture %q: table %s has no column %q", p.Title, t.Name, p.Category)
	}
	for _, key := range p.Series {
		if columnIndex(t, key) < 0 {
			return fmt.Errorf("picture %q: table %s has no column %q", p.Title, t.Name, key)
		}
	}
	if len(p.Series) == 0 || p.Alt == "" {
		return fmt.Errorf("picture %q: no series, or no text for those who can not see it", p.Title)
	}
	return nil
}

func columnIndex(t *reports.Table, key string) int {
	for i := range t.Columns {
		if t.Columns[i].Key == key {
			return i
		}
	}
	return -1
}

// eachRow calls visit with the table's rows and their numbers from 1, and stops at the first error. It refuses a row whose cells do not
// match the columns, which would shift figures under a wrong heading.
func eachRow(t *reports.Table, visit func(n int, r *reports.Row) error) error {
	n := 0
	for r := range t.Rows {
		n++
		if len(r.Cells) != len(t.Columns) {
			return fmt.Errorf("table %s: line %d has %d cells for %d columns", t.Name, n, len(r.Cells), len(t.Columns))
		}
		if err := visit(n, &r); err != nil {
			return err
		}
	}
	return nil
}
