package sheets

import (
	"bufio"
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"

	"spoilbook/reports"
)

// TextOptions bound what Text writes. The zero value is a summary for a terminal.
type TextOptions struct {
	Rows  int // lines shown of each table; 0 means 20
	Width int // characters a text column may take; 0 means 28
	Notes bool
}

const (
	defaultTextRows  = 20
	defaultTextWidth = 28
	minTextWidth     = 4
)

// Text writes d as aligned plain text: each table with its first lines and its totals, how many lines there are in all, and the findings by
// severity. It is a view for people: figures are rounded as a workbook shows them and long texts are cut with "…".
func Text(w io.Writer, d reports.Document, p Provenance, o TextOptions) error {
	if err := validate(&d, &p); err != nil {
		return err
	}
	if o.Rows <= 0 {
		o.Rows = defaultTextRows
	}
	if o.Width <= 0 {
		o.Width = defaultTextWidth
	}
	o.Width = max(o.Width, minTextWidth)
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "%s  %s (%s)  ledger position %d\n", plain(d.Title), p.periodText(), p.zone(), p.Position)
	for i := range d.Tables {
		if err := textTable(b, &d.Tables[i], &p, o); err != nil {
			return fmt.Errorf("text %s: %w", d.Report, err)
		}
	}
	fmt.Fprint(b, "\nFindings\n")
	writeFindingCounts(b, &d, "  ")
	if o.Notes {
		fmt.Fprint(b, "\nNotes\n")
		for _, n := range allNotes(&d, &p) {
			fmt.Fprintf(b, "  - %s\n", plain(n))
		}
	}
	return b.Flush()
}

func textTable(b *bufio.Writer, t *reports.Table, p *Provenance, o TextOptions) error {
	lines := [][]string{make([]string, len(t.Columns))}
	for i := range t.Columns {
		lines[0][i] = plain(heading(&t.Columns[i], ""))
	}
	count := 0
	err := eachRow(t, func(n int, r *reports.Row) error {
		count = n
		if n <= o.Rows {
			lines = append(lines, textCells(t, r.Cells, p, o))
		}
		return nil
	})
	if err != nil {
		return err
	}
	totalled := t.Totals != nil && count > 0
	if totalled {
		lines = append(lines, textCells(t, t.Totals, p, o))
		labelBlank(lines[len(lines)-1])
	}
	fmt.Fprintf(b, "\n%s, %s\n", plain(t.Title), counted(count, "line"))
	widths := make([]int, len(t.Columns))
	for _, line := range lines {
		for i, s := range line {
			widths[i] = max(widths[i], utf8.RuneCountInString(s))
		}
	}
	end := len(lines)
	if totalled {
		end--
	}
	for n, line := range lines[:end] {
		if n == 1 {
			writeAligned(b, t, rules(widths), widths)
		}
		writeAligned(b, t, line, widths)
	}
	if count > o.Rows {
		fmt.Fprintf(b, "  … %d more\n", count-o.Rows)
	}
	if totalled {
		writeAligned(b, t, rules(widths), widths)
		writeAligned(b, t, lines[end], widths)
	}
	return nil
}

func textCells(t *reports.Table, cells []reports.Cell, p *Provenance, o TextOptions) []string {
	line := make([]string, len(cells))
	for i, cell := range cells {
		line[i] = plain(shown(&t.Columns[i], cell, p.Period))
		if t.Columns[i].Kind == reports.Text && utf8.RuneCountInString(line[i]) > o.Width {
			line[i] = strings.TrimRight(string([]rune(line[i])[:o.Width-1]), " ") + "…"
		}
	}
	return line
}

// labelBlank writes "Total" into the first blank cell of a line.
func labelBlank(line []string) {
	if i := slices.Index(line, ""); i >= 0 && !slices.Contains(line, "Total") {
		line[i] = "Total"
	}
}

// rules is a line of dashes under or above the columns.
func rules(widths []int) []string {
	out := make([]string, len(widths))
	for i, w := range widths {
		out[i] = strings.Repeat("-", w)
	}
	return out
}

func writeAligned(b *bufio.Writer, t *reports.Table, line []string, widths []int) {
	out := []byte{}
	for i, s := range line {
		space := strings.Repeat(" ", widths[i]-utf8.RuneCountInString(s))
		out = append(out, "  "...)
		if k := t.Columns[i].Kind; k == reports.Number || k == reports.Duration {
			out = append(append(out, space...), s...)
		} else {
			out = append(append(out, s...), space...)
		}
	}
	_, _ = b.Write(append([]byte(strings.TrimRight(string(out), " ")), '\n'))
}

// plain returns s on one line without what a terminal would obey.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		switch {
		case r == '\n' || r == '\t':
			return ' '
		case r < ' ' || r >= 0x7f && r < 0xa0:
			return -1
		}
		return r
	}, cleanText(s))
}
