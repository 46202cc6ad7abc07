// Package cells is a workbook as plain cells, between those who read and write files and those who know what stands in them. A [Workbook] is
// what was found in a file, a [Form] what is to be written to one, and [Problems] say what is wrong, each by sheet and cell. For example the
// cell B7 of a sheet, where somebody wrote two and a half, is
//
//	wb.Sheets[0].At(7, 2) == Cell{Kind: Number, Text: "2.5"}
//
// Rows and columns count from 1, as spreadsheets do.
package cells

import (
	"fmt"
	"strings"
)

// Kind says what a cell holds.
type Kind int

// The kinds of cell.
const (
	Empty   Kind = iota
	Text         // Text as written
	Number       // Text is a decimal number
	Moment       // Text is days since the end of 1899 as a decimal number; below 1 a time of day
	Truth        // Text is "true" or "false"
	Formula      // Text is the formula; what it comes to is not said
	Broken       // Text is an error value such as "#REF!"
)

// Cell is what one cell holds.
type Cell struct {
	Kind Kind
	Text string
}

// Range is a rectangle of cells, both ends included.
type Range struct{ FirstRow, FirstColumn, LastRow, LastColumn int }

// Sheet is a sheet as it was found. Merged are the ranges that were joined to one cell.
type Sheet struct {
	Name   string
	Rows   [][]Cell
	Merged []Range
}

// Workbook is a workbook as it was found.
type Workbook struct{ Sheets []Sheet }

// At returns the cell of a row and a column; one outside the sheet is empty.
func (s *Sheet) At(row, column int) Cell {
	if row < 1 || row > len(s.Rows) || column < 1 || column > len(s.Rows[row-1]) {
		return Cell{}
	}
	return s.Rows[row-1][column-1]
}

// Blank reports whether the cell holds nothing but spaces.
func (c Cell) Blank() bool {
	return c.Kind == Empty || c.Kind == Text && strings.TrimSpace(c.Text) == ""
}

// Says returns the cell's text without spaces around it, empty for a cell that is no text.
func (c Cell) Says() string {
	if c.Kind != Text {
		return ""
	}
	return strings.TrimSpace(c.Text)
}

// Shown returns what a message says that was found in the cell.
func (c Cell) Shown() string {
	text := c.Text
	if r := []rune(text); len(r) > 60 {
		text = string(r[:60]) + "…"
	}
	switch c.Kind {
	case Empty:
		return "nothing"
	case Formula:
		return "a formula, =" + text
	case Broken:
		return "the error " + text
	case Number:
		return "the number " + text
	case Moment:
		return "a date or time"
	case Truth:
		return text
	}
	return fmt.Sprintf("%q", text)
}

// Column returns the letters of a column: 1 is A, 28 is AB.
func Column(n int) string {
	text := ""
	for ; n > 0; n = (n - 1) / 26 {
		text = string(rune('A'+(n-1)%26)) + text
	}
	return text
}

// Ref returns the reference of a cell: row 7 and column 2 are B7.
func Ref(row, column int) string { return fmt.Sprintf("%s%d", Column(column), row) }

// Joined returns the merged range that a cell lies in.
func (s *Sheet) Joined(row, column int) (Range, bool) {
	for _, m := range s.Merged {
		if row >= m.FirstRow && row <= m.LastRow && column >= m.FirstColumn && column <= m.LastColumn {
			return m, true
		}
	}
	return Range{}, false
}

// String returns the range as B7:C9.
func (r Range) String() string {
	return Ref(r.FirstRow, r.FirstColumn) + ":" + Ref(r.LastRow, r.LastColumn)
}

// Problem is one thing that is wrong in a workbook: where, what was found, what is allowed. Column is the heading that it stands under.
type Problem struct {
	Sheet, Cell, Column string
	Found, Allowed      string
}

// String returns the problem as one line.
func (p Problem) String() string {
	at := "sheet " + p.Sheet
	if p.Cell != "" {
		at += ", cell " + p.Cell
	}
	if p.Column != "" {
		at += " (" + p.Column + ")"
	}
	return at + ": found " + p.Found + "; allowed: " + p.Allowed
}

// MaxProblems is how many problems are told at once.
const MaxProblems = 200

// Problems is the error of a workbook that can not be taken, with all that is wrong with it, at most [MaxProblems], and how many more there are.
type Problems struct {
	List []Problem
	More int
}

// Add adds a problem.
func (p *Problems) Add(one Problem) {
	if len(p.List) == MaxProblems {
		p.More++
		return
	}
	p.List = append(p.List, one)
}

// Err returns p when it holds a problem, otherwise nil.
func (p *Problems) Err() error {
	if len(p.List) == 0 {
		return nil
	}
	return p
}

// Error returns one problem a line.
func (p *Problems) Error() string {
	lines := make([]string, 0, len(p.List)+1)
	for _, one := range p.List {
		lines = append(lines, one.String())
	}
	if p.More > 0 {
		lines = append(lines, fmt.Sprintf("and %d more", p.More))
	}
	return strings.Join(lines, "\n")
}
