// Package changes says what became of a report between two ledger positions: which lines are new, gone or read otherwise, cell by cell, and
// which events that came in between are behind each. Both documents are of the same report, period and choices. For example a load of
// 5 m3 that was corrected to 3 m3 after position 900 changes
//
//	Consignments   TG01-0004   mass_kg   9,446 -> 6,021   because of position 903
//
// A line is known by its key or, where its table has none, by the texts, days and times before its first figure. Lines of one name count
// in their order. Positions are of the same ledger, so what stood at the earlier one still stands at the later.
package changes

import (
	"slices"
	"strconv"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// Status says what became of a line.
type Status string

// What can become of a line.
const (
	New     Status = "new"
	Gone    Status = "gone"
	Changed Status = "changed"
)

// Cell is one cell that reads otherwise, as people read it.
type Cell struct{ Column, Was, Is string }

// Line is a line of a table that is not what it was.
type Line struct {
	Name    string // what the line is known by, for people
	Status  Status
	Cells   []Cell   // of a changed line, those that differ; of a new or gone one, all that are not blank
	Because []uint64 // positions in between of what the line rests on now, and of what changed what it rested on
}

// Table is what changed in one table.
type Table struct {
	Name, Title string
	Same        int // lines that are what they were
	Lines       []Line
}

// FindingChange is a finding that is new, gone or reads otherwise.
type FindingChange struct {
	Status   Status
	Finding  reports.Finding // as it is now, or was where it is gone
	Was      string          // what it said, and what was answered, where that changed
	Because  []uint64
	Answered bool // only its answers changed
}

// Difference is what became of a report.
type Difference struct {
	Tables   []Table // those of the later document in its order, without long lists behind them; tables where nothing changed too
	Findings []FindingChange
}

// Between compares a document as it was at an earlier position with the same at a later one. The journal is that of the later one.
func Between(was, is reports.Document, p reports.Period, since uint64, j *reports.Journal) Difference {
	c := &comparison{period: p, since: since, by: changers(j, since)}
	d := Difference{}
	for i := range is.Tables {
		t := &is.Tables[i]
		if t.Backing {
			continue
		}
		k := slices.IndexFunc(was.Tables, func(x reports.Table) bool { return x.Name == t.Name })
		old := reports.Table{Columns: t.Columns, Rows: reports.RowsOf(nil)}
		if k >= 0 {
			old = was.Tables[k]
		}
		d.Tables = append(d.Tables, c.table(&old, t))
	}
	d.Findings = c.findings(was.Findings, is.Findings)
	return d
}

// Count returns how many lines and findings are not what they were.
func (d *Difference) Count() int {
	n := len(d.Findings)
	for i := range d.Tables {
		n += len(d.Tables[i].Lines)
	}
	return n
}

// Causes returns the positions in between that are behind anything that changed, in ascending order.
func (d *Difference) Causes() []uint64 {
	lists := [][]uint64{}
	for i := range d.Tables {
		for k := range d.Tables[i].Lines {
			lists = append(lists, d.Tables[i].Lines[k].Because)
		}
	}
	for i := range d.Findings {
		lists = append(lists, d.Findings[i].Because)
	}
	return reports.Union(lists...)
}

type comparison struct {
	period reports.Period
	since  uint64
	by     map[uint64][]uint64
}

// changers returns, by the position of an event, what came after since and corrects, voids, weighs or answers it.
func changers(j *reports.Journal, since uint64) map[uint64][]uint64 {
	by := map[uint64][]uint64{}
	for p := since + 1; p <= j.Position; p++ {
		r := j.Recorded(p)
		if r == nil {
			continue
		}
		if of, ok := j.PositionOf(referred(r.Body)); ok {
			by[of] = append(by[of], p)
		}
	}
	return by
}

func referred(b events.Body) events.Ref {
	switch b := b.(type) {
	case events.EntryCorrected:
		return b.Refers
	case events.EntryVoided:
		return b.Refers
	case events.DocketReceived:
		return b.Tip
	case events.FindingAnswered:
		return b.Refers
	case events.SpoilReturned:
		return b.Tip
	}
	return events.Ref{}
}

// because returns what in between is behind a line that rests on these positions.
func (c *comparison) because(cites ...[]uint64) []uint64 {
	list := []uint64{}
	for _, p := range slices.Concat(cites...) {
		if p > c.since {
			list = append(list, p)
		}
		list = append(list, c.by[p]...)
	}
	return reports.Union(list)
}

// known is a row with what it is known by.
type known struct {
	reports.Row
	name string
}

// named gives each row its name, and those of one name their running number.
func named(t *reports.Table) (rows []known, at map[string]int) {
	at = map[string]int{}
	for row := range t.Rows {
		name := row.Key
		if name == "" {
			name = leading(t, row)
		}
		id := name
		for n := 2; ; n++ {
			if _, taken := at[id]; !taken {
				break
			}
			id = name + " (" + strconv.Itoa(n) + ")"
		}
		at[id] = len(rows)
		rows = append(rows, known{row, id})
	}
	return rows, at
}

// leading is the texts, days and times of a row before its first figure.
func leading(t *reports.Table, row reports.Row) string {
	parts := []string{}
	for i, cell := range row.Cells {
		c := &t.Columns[i]
		if c.Kind == reports.Number || c.Kind == reports.Duration || c.Kind == reports.YesNo {
			break
		}
		if !cell.Empty {
			parts = append(parts, c.Shown(cell, reports.Period{Zone: events.Time{}.Std().Location()}))
		}
	}
	return strings.Join(parts, " · ")
}

func (c *comparison) table(was, is *reports.Table) Table {
	out := Table{Name: is.Name, Title: is.Title}
	before, at := named(was)
	now, _ := named(is)
	met := map[string]bool{}
	for _, row := range now {
		met[row.name] = true
		k, ok := at[row.name]
		if !ok {
			out.Lines = append(out.Lines, Line{Name: row.name, Status: New, Cells: c.all(is, row.Row, false), Because: c.because(row.Cites)})
			continue
		}
		if cells := c.differing(was, is, before[k].Row, row.Row); len(cells) > 0 {
			out.Lines = append(out.Lines, Line{Name: row.name, Status: Changed, Cells: cells, Because: c.because(row.Cites, before[k].Cites)})
			continue
		}
		out.Same++
	}
	for _, row := range before {
		if !met[row.name] {
			out.Lines = append(out.Lines, Line{Name: row.name, Status: Gone, Cells: c.all(was, row.Row, true), Because: c.because(row.Cites)})
		}
	}
	return out
}

func (c *comparison) all(t *reports.Table, row reports.Row, was bool) []Cell {
	cells := []Cell{}
	for i, cell := range row.Cells {
		text := t.Columns[i].Shown(cell, c.period)
		switch {
		case text == "" || t.Columns[i].Aside:
		case was:
			cells = append(cells, Cell{Column: t.Columns[i].Heading(c.period.Zone.String()), Was: text})
		default:
			cells = append(cells, Cell{Column: t.Columns[i].Heading(c.period.Zone.String()), Is: text})
		}
	}
	return cells
}

// differing compares cells by what they hold and not only by what is shown of it, column by column.
func (c *comparison) differing(was, is *reports.Table, before, now reports.Row) []Cell {
	cells := []Cell{}
	for i := range is.Columns {
		column := &is.Columns[i]
		k := slices.IndexFunc(was.Columns, func(x reports.Column) bool { return x.Key == column.Key })
		old := reports.Blank()
		if k >= 0 {
			old = before.Cells[k]
		}
		if old == now.Cells[i] {
			continue
		}
		cell := Cell{Column: column.Heading(c.period.Zone.String()), Was: column.Shown(old, c.period), Is: column.Shown(now.Cells[i], c.period)}
		if cell.Was == cell.Is && column.Kind == reports.Number { // less than what is shown
			cell.Was, cell.Is = reports.Decimal(old.Int, column.Scale, column.Scale), reports.Decimal(now.Cells[i].Int, column.Scale, column.Scale)
		}
		cells = append(cells, cell)
	}
	return cells
}

func (c *comparison) findings(was, is []reports.Finding) []FindingChange {
	before, now := identified(was), identified(is)
	list := []FindingChange{}
	for _, id := range now.order {
		f := now.of[id]
		old, ok := before.of[id]
		switch {
		case !ok:
			list = append(list, FindingChange{Status: New, Finding: *f, Because: c.because(f.Cites)})
		case old.What != f.What || old.AnswerText() != f.AnswerText():
			x := FindingChange{Status: Changed, Finding: *f, Was: old.What, Because: c.because(f.Cites, old.Cites), Answered: old.What == f.What}
			for _, a := range f.Answers {
				if a.Position > c.since {
					x.Because = reports.Union(x.Because, []uint64{a.Position})
				}
			}
			list = append(list, x)
		}
	}
	for _, id := range before.order {
		if _, ok := now.of[id]; !ok {
			f := before.of[id]
			list = append(list, FindingChange{Status: Gone, Finding: *f, Because: c.because(f.Cites)})
		}
	}
	return list
}

type identifiedFindings struct {
	of    map[string]*reports.Finding
	order []string
}

// identified knows a finding by its kind and the event that it is about; those of one event count in their order.
func identified(list []reports.Finding) identifiedFindings {
	out := identifiedFindings{of: map[string]*reports.Finding{}}
	for i := range list {
		f := &list[i]
		id := string(f.Code) + " " + string(f.Truck) + " " + string(f.Job)
		if len(f.Cites) > 0 {
			id += " " + strconv.FormatUint(f.Cites[0], 10)
		} else {
			id += " " + f.At.String()
		}
		for out.of[id] != nil {
			id += "+"
		}
		out.of[id] = f
		out.order = append(out.order, id)
	}
	return out
}

// PositionAt returns the last position up to which everything was recorded by a moment, that moment included; 0 where nothing was.
func PositionAt(j *reports.Journal, at events.Time) uint64 {
	last := uint64(0)
	for p := uint64(1); p <= j.Position; p++ {
		r := j.Recorded(p)
		if r == nil || at.Before(r.At) {
			break
		}
		last = p
	}
	return last
}
