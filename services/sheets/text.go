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

// Text writes d as aligned plain text: its summary, and each table with its note, its first lines, its totals and how many lines there are in all. It
// is a view for people: figures are rounded as a workbook shows them and long texts are cut with "…".
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
	d = p.Tongue.Document(d)
	writeSummary(b, &d, &p)
	for i := range d.Tables {
		if err := textTable(b, &d.Tables[i], &p, o); err != nil {
			return fmt.Errorf("text %s: %w", d.Report, err)
		}
	}
	if o.Notes {
		fmt.Fprintf(b, "\n%s\n", p.Tongue.Write("Notes"))
		for _, n := range allNotes(&d, &p) {
			fmt.Fprintf(b, "  - %s\n", plain(n))
		}
	}
	return b.Flush()
}

// Summary writes what d comes to, for a terminal: the figures people ask for, and the findings by severity with the first of each kind.
func Summary(w io.Writer, d reports.Document, p Provenance) error {
	if err := validate(&d, &p); err != nil {
		return err
	}
	d = p.Tongue.Document(d)
	b := bufio.NewWriter(w)
	writeSummary(b, &d, &p)
	return b.Flush()
}

// summaryWidth is how many characters a line of a summary takes where its words allow it.
const summaryWidth = 110

func writeSummary(b *bufio.Writer, d *reports.Document, p *Provenance) {
	fmt.Fprintf(b, "%s  %s (%s)  %s\n", plain(d.Title), p.periodText(), p.zone(), p.Tongue.Write("ledger position %d", p.Position))
	writeFields(b, d.Glance, "  ")
	writeFindings(b, d, p, summaryWidth)
}

// writeFields writes labelled texts under each other.
func writeFields(w io.Writer, fields []reports.Field, indent string) {
	width := 14
	for _, f := range fields {
		width = max(width, utf8.RuneCountInString(f.Label))
	}
	for _, f := range fields {
		if f.Text != "" {
			writeHanging(w, indent+plain(f.Label)+strings.Repeat(" ", width+1-utf8.RuneCountInString(f.Label)), plain(f.Text), summaryWidth)
		}
	}
}

// writeFindings writes the findings by severity, of each code the first.
func writeFindings(w io.Writer, d *reports.Document, p *Provenance, limit int) {
	groups := reports.GroupFindings(d.Findings)
	if len(groups) == 0 {
		fmt.Fprintln(w, "  "+p.Tongue.Write("No findings."))
	}
	for i, g := range groups {
		lead := "    "
		if i == 0 || groups[i-1].Severity != g.Severity {
			fmt.Fprintf(w, "  %s (%d)\n", severityWord(g.Severity, p.Tongue), countOf(groups, g.Severity))
		}
		writeHanging(w, lead, plain(groupText(g, p)), limit)
	}
}

// writeHanging writes a text behind a lead, in lines of at most limit characters where its words allow it; the lines after the first begin
// below the text. A limit of 0 writes one line.
func writeHanging(w io.Writer, lead, text string, limit int) {
	indent := utf8.RuneCountInString(lead)
	line := []rune(lead)
	for word := range strings.SplitSeq(text, " ") {
		n := utf8.RuneCountInString(word)
		if limit > 0 && len(line) > indent && len(line)+1+n > limit {
			fmt.Fprintln(w, strings.TrimRight(string(line), " "))
			line = []rune(strings.Repeat(" ", indent))
		}
		if len(line) > indent {
			line = append(line, ' ')
		}
		line = append(line, []rune(word)...)
	}
	fmt.Fprintln(w, strings.TrimRight(string(line), " "))
}

// withoutAside returns a table without the columns that are kept for looking up.
func withoutAside(t *reports.Table) *reports.Table {
	kept := []int{}
	for i, c := range t.Columns {
		if !c.Aside {
			kept = append(kept, i)
		}
	}
	if len(kept) == len(t.Columns) {
		return t
	}
	narrow := *t
	narrow.Columns, narrow.Totals = pick(t.Columns, kept), pick(t.Totals, kept)
	narrow.Rows = func(yield func(reports.Row) bool) {
		for r := range t.Rows {
			if !yield(reports.Row{Cells: pick(r.Cells, kept), Cites: r.Cites}) {
				return
			}
		}
	}
	return &narrow
}

// pick returns the elements of list at the places kept that it has.
func pick[T any](list []T, kept []int) []T {
	if list == nil {
		return nil
	}
	out := make([]T, 0, len(kept))
	for _, i := range kept {
		if i < len(list) {
			out = append(out, list[i])
		}
	}
	return out
}

func textTable(b *bufio.Writer, t *reports.Table, p *Provenance, o TextOptions) error {
	t = withoutAside(t)
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
		labelBlank(lines[len(lines)-1], p.Tongue.Write("Total"))
	}
	fmt.Fprintf(b, "\n%s, %s\n", plain(t.Title), countedIn(p.Tongue, count, "line"))
	if t.Note != "" {
		writeHanging(b, "  ", plain(t.Note), summaryWidth)
	}
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
		fmt.Fprintf(b, "  … %s\n", p.Tongue.Write("%d more", count-o.Rows))
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
		line[i] = plain(p.shown(&t.Columns[i], cell))
		if t.Columns[i].Kind == reports.Text && utf8.RuneCountInString(line[i]) > o.Width {
			line[i] = strings.TrimRight(string([]rune(line[i])[:o.Width-1]), " ") + "…"
		}
	}
	return line
}

// labelBlank writes the word for a total into the first blank cell of a line.
func labelBlank(line []string, total string) {
	if i := slices.Index(line, ""); i >= 0 && !slices.Contains(line, total) {
		line[i] = total
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
