package manifest

import (
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// Document shows the manifest: consignments and what they are made of, what was
// drained before, what is still held, totals, the mass balance, and what the record
// lacks.
func (r *Report) Document() reports.Document {
	byTime, picture := r.tippedByTime()
	d := reports.Document{
		Report: "manifest", Title: "Spoil-disposal manifest", Glance: r.glance(), Subject: r.subject(), Notes: r.notes(), Findings: r.Findings,
		Tables: []reports.Table{r.keyed(r.consignmentTable()), r.jobTable(), r.receiptTable(), byTime, r.facilityTable(), r.materialTable(),
			r.missingTable(), r.heldTable(), r.balanceTable(), r.detailTable(), r.weighingTable(), r.contributionTable(), r.decantTable(), r.recordTable()},
	}
	d.Tables = append(d.Tables, r.further()...)
	if len(picture.Series) > 0 {
		d.Pictures = append(d.Pictures, picture)
	}
	if n := r.docketed(); n > 0 {
		d.Pictures = append(d.Pictures, reports.Picture{Title: "Docket less account, in percent of the account", Kind: reports.Columns,
			Alt:   "A column for each consignment: by how much the docket's net mass is above or below the mass by the tank account. Near zero is good.",
			Table: consignmentsName, Category: "consignment", Series: []string{"difference_pct"}, Rows: n})
	}
	return d
}

const consignmentsName = "Consignments"

// maxBars is how many consignments a picture can show legibly.
const maxBars = 120

// docketed returns how many consignments the picture of dockets shows; 0 when none
// of them has a docket.
func (r *Report) docketed() int {
	n := min(len(r.Consignments), maxBars)
	for i := range n {
		if r.Consignments[i].Docket != nil {
			return n
		}
	}
	return 0
}

func (r *Report) subject() []reports.Field {
	rule := "by mass, the tank being well mixed; whole grams by largest remainder"
	if r.options.Tank.FirstInFirstOut {
		rule = "first in, first out; whole grams by largest remainder"
	}
	carriers := []string{}
	for i := range r.Consignments {
		c := r.Consignments[i].Carrier
		if text := strings.Trim(c.Name+", "+c.Registration, ", "); text != "" && !slices.Contains(carriers, text) {
			carriers = append(carriers, text)
		}
	}
	return []reports.Field{
		{Label: "Carrier's number", Text: strings.Join(carriers, "; ")},
		{Label: "Record asked for", Text: r.Profile.Title()},
		{Label: "Shares of a tip", Text: rule},
	}
}

func (r *Report) notes() []string {
	notes := []string{
		"Whether a consignment is lawful is for the people licensed to decide it, under the law of the place.",
		"Quantities are those of the tank account: solids and water from the loads, less what was decanted. The docket's net mass stands beside them and is never reduced by water that was decanted or kept.",
		"Basis: measured is read from an instrument, derived is computed from measured figures, assumed rests on a typical value of the register. A sum has the weakest basis of its parts.",
		"A tank gauge within the combined tolerance of itself and the account moves nothing; beyond it the account follows the gauge, and the difference is unaccounted for and found.",
		"Soil known by its bank volume whose density is stated and whose moisture nobody says counts as dry, with basis assumed.",
		"Volume is that of solids and water without air, so it is less than bank volume and jetting water together.",
		"A tip is listed in the period in which it occurred. A tip without a paper note's number has our own: truck, local date, running number of the day at this ledger position.",
		"A docket is expected from a facility whose register entry has a weighbridge, and from one that the register does not know.",
		"More than 10 % by weight means strictly more, of the mass by the account (40 CFR 264.72(b); that denominator is an interpretation).",
		"Whether water could be decanted to an outfall is judged in the water report; here decants are only cited.",
		"Before any valve or door is opened the tank is at atmospheric pressure. Tip on level ground only, and let nobody stand under a raised body. The manufacturer's instructions, local rules and licensed people come first.",
	}
	if r.Profile == USForm {
		notes = append(notes, "The US form binds hazardous consignments only; for the others nothing is asked here. Items 2 to 4 and 16 are the form's own. Items 17 to 20 are listed from memory.")
	}
	if r.Narrowed {
		notes = append(notes, "This document was narrowed to a job or a client. What belongs to others is shown as sums without names; the amounts of a whole consignment, its docket and its tank include them.")
	}
	return notes
}

// sheet names a table and says what it shows, and what it means when it is empty.
type sheet struct {
	name, title, note, empty string
	backing                  bool // a long list behind the other tables
}

// column is a column of a table whose rows are of type R.
type column[R any] struct {
	reports.Column
	cell  func(*R) reports.Cell
	total *int64 // nil when there is none
}

// text is a column of text.
func text[R any](key, title string, of func(*R) string) column[R] {
	return column[R]{Column: reports.TextColumn(key, title), cell: func(r *R) reports.Cell { return reports.T(of(r)) }}
}

// instant is a column of times in the period's zone.
func instant[R any](key, title string, of func(*R) events.Time) column[R] {
	return column[R]{Column: reports.InstantColumn(key, title), cell: func(r *R) reports.Cell { return reports.At(of(r)) }}
}

// number is a column of numbers without a total.
func number[R any](c reports.Column, of func(*R) int64) column[R] {
	c.Total = false
	return column[R]{Column: c, cell: func(r *R) reports.Cell { return reports.N(of(r)) }}
}

// optional is a column of numbers that may be missing, without a total.
func optional[R any](c reports.Column, of func(*R) *int64) column[R] {
	c.Total = false
	return column[R]{Column: c, cell: func(r *R) reports.Cell { return reports.Opt(of(r)) }}
}

// summed gives a column a total of the report's own.
func (c column[R]) summed(total int64) column[R] {
	c.Total = true
	c.total = &total
	return c
}

// aside returns the column as one that is kept for looking up.
func (c column[R]) aside() column[R] {
	c.Aside = true
	return c
}

// table puts rows under columns; cites may be nil.
func table[R any](s sheet, rows []R, cites func(*R) []uint64, columns []column[R]) reports.Table {
	t := reports.Table{Name: s.name, Title: s.title, Note: s.note, Empty: s.empty, Backing: s.backing, Cited: cites != nil}
	totals, summed := make([]reports.Cell, len(columns)), false
	for i, c := range columns {
		t.Columns = append(t.Columns, c.Column)
		totals[i] = reports.Blank()
		if c.total != nil {
			totals[i], summed = reports.N(*c.total), true
		}
	}
	if summed {
		t.Totals = totals
	}
	t.Rows = func(yield func(reports.Row) bool) {
		for i := range rows {
			row := reports.Row{Cells: make([]reports.Cell, len(columns))}
			for k := range columns {
				row.Cells[k] = columns[k].cell(&rows[i])
			}
			if cites != nil {
				row.Cites = cites(&rows[i])
			}
			if !yield(row) {
				return
			}
		}
	}
	return t
}
