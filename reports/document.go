package reports

import (
	"iter"
	"slices"

	"spoilbook/events"
)

// Document is a report as it is shown: a cover, tables, pictures drawn from the
// tables, and findings. It knows nothing of spreadsheets; services turn it into
// workbooks, CSV, JSON and pages.
type Document struct {
	Report   string   // short name: "manifest", "water", "timesplit"
	Title    string   // "Spoil-disposal manifest"
	Glance   []Field  // the figures that people ask for first, few and short
	Subject  []Field  // what the report is about, beyond its period and its ledger position
	Notes    []string // cautions, limits and how to read the figures
	Tables   []Table
	Pictures []Picture
	Findings []Finding
}

// Field is a labelled text of the cover. Amounts are the quantities that its text
// states, in order, so that it can be said in other units.
type Field struct {
	Label, Text string
	Amounts     []Placed
}

// ColumnKind says how a column's cells are to be read.
type ColumnKind int

// The kinds of column.
const (
	Text     ColumnKind = iota // Cell.Text
	Number                     // Cell.Int, in units of 10^-Scale of the column's unit
	Instant                    // Cell.Int is Unix milliseconds, shown in the period's zone
	Date                       // Cell.Text is "2026-10-05"
	Duration                   // Cell.Int is milliseconds, shown as hours and minutes
	YesNo                      // Cell.Int is 0 or 1
)

// Column describes one column. Key is its stable name in CSV and JSON and ends in
// the unit ("solids_kg"); Title and Unit are what people read ("Solids", "kg").
type Column struct {
	Key, Title, Unit string
	Kind             ColumnKind
	Scale            int  // Number: decimals that Cell.Int carries, 6 for mL under m3
	Decimals         int  // Number: decimals shown, at most Scale
	Total            bool // Number, Duration: the column is summed below the table
	Aside            bool // kept for looking up: shown beside the others and not printed

	Of      Matter // what a volume is of, where its unit does not tell
	Down    bool   // Number: rounded down, so that what is left to a limit is never flattered
	Rounded bool   // Number: cells are rounded to Scale each, so that they add up to their total but for that
}

// NotPrinted returns the column as one that is kept for looking up.
func (c Column) NotPrinted() Column {
	c.Aside = true
	return c
}

// Cell is one value; Empty cells are shown blank and do not count in totals.
type Cell struct {
	Text  string
	Int   int64
	Empty bool
}

// Row is one line with the ledger positions of the events behind it.
//
// Key, where given, is the line's stable name in its table, by which it is
// explained: a consignment's number, an invoice line's key.
type Row struct {
	Cells []Cell
	Cites []uint64
	Key   string
}

// Table is a named list of rows under columns. Rows may be walked more than once
// and gives the same rows each time. Totals, where present, has one cell for each
// column: the report's own figures, against which a workbook's live sums are held.
type Table struct {
	Name    string // short, unique in the document, at most 25 characters: names its sheet
	Title   string
	Note    string // one sentence under the title, may be empty
	Empty   string // what it means that there are no rows: "No water was decanted."
	Columns []Column
	Rows    iter.Seq[Row]
	Totals  []Cell
	Cited   bool // add a column with the rows' ledger positions
	Backing bool // a long list behind the other tables: it comes last and is printed small
}

// PictureKind says how a picture is drawn.
type PictureKind int

// The kinds of picture.
const (
	StackedColumns PictureKind = iota
	Columns
	Bars
	StackedBars
	Lines
)

// Picture is a chart of some columns of one table of the document.
type Picture struct {
	Title    string
	Alt      string // what it shows, for those who can not see it
	Kind     PictureKind
	Table    string   // Table.Name
	Category string   // Column.Key along the axis
	Series   []string // Column.Keys drawn
	Rows     int      // how many rows of the table, from the first
}

// RowsOf returns rows of a slice, in order, as often as asked.
func RowsOf(rows []Row) iter.Seq[Row] { return slices.Values(rows) }

// AddUp returns the totals of rows: sums of the columns that ask for one.
func AddUp(columns []Column, rows []Row) []Cell {
	totals := make([]Cell, len(columns))
	for c := range columns {
		if !columns[c].Total {
			totals[c] = Blank()
			continue
		}
		for i := range rows {
			if cell := rows[i].Cells[c]; !cell.Empty {
				totals[c].Int += cell.Int
			}
		}
	}
	return totals
}

// T is a text cell.
func T(s string) Cell { return Cell{Text: s, Empty: s == ""} }

// N is a number, time or duration cell.
func N(v int64) Cell { return Cell{Int: v} }

// Opt is a number cell, blank when v is nil.
func Opt(v *int64) Cell {
	if v == nil {
		return Cell{Empty: true}
	}
	return N(*v)
}

// At is an instant cell, blank for the zero time.
func At(t events.Time) Cell { return Cell{Int: t.UnixMS, Empty: t.IsZero()} }

// Yes is a yes-or-no cell.
func Yes(b bool) Cell {
	if b {
		return N(1)
	}
	return N(0)
}

// Blank is an empty cell.
func Blank() Cell { return Cell{Empty: true} }

// Common columns, so that all reports write the same unit the same way.

// TextColumn is a column of text.
func TextColumn(key, title string) Column { return Column{Key: key, Title: title} }

// VolumeColumn shows millilitres as cubic metres; key should end in "_m3".
func VolumeColumn(key, title string) Column {
	return Column{Key: key, Title: title, Unit: "m³", Kind: Number, Scale: 6, Decimals: 3, Total: true}
}

// DateColumn shows a local date.
func DateColumn(key, title string) Column { return Column{Key: key, Title: title, Kind: Date} }

// YesNoColumn shows Yes or No.
func YesNoColumn(key, title string) Column { return Column{Key: key, Title: title, Kind: YesNo} }

// LitreColumn shows millilitres as litres; key should end in "_l".
func LitreColumn(key, title string) Column {
	return Column{Key: key, Title: title, Unit: "L", Kind: Number, Scale: 3, Decimals: 0, Total: true}
}

// OfSpoil returns a column of litres as one of spoil and not of water.
func (c Column) OfSpoil() Column {
	c.Of = SpoilMatter
	return c
}

// MassColumn shows grams as kilograms; key should end in "_kg".
func MassColumn(key, title string) Column {
	return Column{Key: key, Title: title, Unit: "kg", Kind: Number, Scale: 3, Decimals: 0, Total: true}
}

// InstantColumn shows a time in the period's zone.
func InstantColumn(key, title string) Column { return Column{Key: key, Title: title, Kind: Instant} }

// DurationColumn shows milliseconds as hours and minutes; key should end in "_h".
func DurationColumn(key, title string) Column {
	return Column{Key: key, Title: title, Unit: "h:mm", Kind: Duration, Total: true}
}

// MoneyColumn shows hundredths of a currency unit.
func MoneyColumn(key, title, currency string) Column {
	return Column{Key: key, Title: title, Unit: currency, Kind: Number, Scale: 2, Decimals: 2, Total: true}
}

// CountColumn shows a whole number.
func CountColumn(key, title string) Column {
	return Column{Key: key, Title: title, Kind: Number, Total: true}
}

// RatioColumn shows thousandths as a percentage or ratio without a total.
func RatioColumn(key, title, unit string, scale, decimals int) Column {
	return Column{Key: key, Title: title, Unit: unit, Kind: Number, Scale: scale, Decimals: decimals}
}
