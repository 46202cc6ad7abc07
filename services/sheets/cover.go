package sheets

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports"
)

// Columns of the cover: labels, and what they label.
const (
	labelWidth = 24
	valueWidth = 96

	coverTightening = 1 // points that a line of the cover is lower than a line of a table
)

// cover writes the first sheet, last: it lists the others and what came up while they were written.
func (b *book) cover() error {
	if err := b.newSheet(b.say(coverSheet), pageFit{}); err != nil {
		return err
	}
	for _, w := range []struct {
		column string
		width  float64
	}{{"A", labelWidth}, {"B", valueWidth}} {
		if err := b.file.SetColWidth(b.say(coverSheet), w.column, w.column, w.width); err != nil {
			return err
		}
	}
	if err := b.band(b.say(coverSheet), "A", "B", b.document.Title); err != nil {
		return err
	}
	c := &coverWriter{book: b, sheet: b.say(coverSheet), widths: [2]float64{labelWidth, valueWidth}, row: 3}
	if len(b.cautions) > 0 {
		c.section(b.say("Look at this first"))
		for _, caution := range b.cautions {
			c.line(b.say("Caution"), caution)
		}
	}
	if len(b.document.Glance) > 0 {
		c.section(b.say("At a glance"))
		for _, f := range b.document.Glance {
			c.write(f.Label, f.Text, look{role: roleLabel}, look{role: roleFigure})
		}
	}
	c.section(b.say("Findings"))
	c.findings()
	c.section(b.say("Sheets"))
	for _, s := range b.inTabOrder() {
		c.linked(s)
	}
	c.section(b.say("What it was made from"))
	for _, f := range slices.Concat(b.provenance.fields(), b.document.Subject) {
		if f.Text != "" {
			c.line(f.Label, f.Text)
		}
	}
	c.section(b.say("How to read it"))
	for _, note := range slices.Concat(allNotes(b.document, b.provenance), b.workbookNotes()) {
		c.note(note)
	}
	return c.err
}

// inTabOrder returns the sheets written so far in the order of their tabs.
func (b *book) inTabOrder() []contentLine {
	tabs := b.file.GetSheetList()
	lines := slices.Clone(b.contents)
	slices.SortStableFunc(lines, func(x, y contentLine) int {
		return cmp.Compare(slices.Index(tabs, x.sheet), slices.Index(tabs, y.sheet))
	})
	return lines
}

// workbookNotes is how to read what only a workbook has.
func (b *book) workbookNotes() []string {
	notes := []string{
		"Totals are live: they add up the lines that a filter leaves visible. A unit stands in brackets in its column's heading.",
		"The column Events gives the ledger positions that a line rests on, the first of them and how many more there are; of a finding the first is the event that it is about, which an answer to it names. The sheet Events says what they are. " +
			"Columns with a pale heading, to the right of it, are for looking up and are not printed.",
	}
	if b.workings != nil {
		notes = append(notes, "Where a table has the column Workings, the word how leads to how that line came about, step by step; the sheet Workings "+
			"redoes every step of arithmetic with a formula, and leads back.")
	}
	for i := range notes {
		notes[i] = b.say(notes[i])
	}
	return notes
}

// band writes a sheet's title, and below it the meta line.
func (b *book) band(sheet, first, last, title string) error {
	id, err := b.styles.id(look{role: roleBand})
	if err != nil {
		return err
	}
	if err := b.file.SetCellStyle(sheet, fmt.Sprintf("%s%d", first, titleRow), fmt.Sprintf("%s%d", last, titleRow), id); err != nil {
		return err
	}
	if err := b.text(sheet, fmt.Sprintf("%s%d", first, titleRow), cellText(title), look{role: roleTitle}); err != nil {
		return err
	}
	if err := b.text(sheet, fmt.Sprintf("%s%d", first, metaRow), b.metaLine(), look{role: roleMeta}); err != nil {
		return err
	}
	if err := b.file.SetRowHeight(sheet, titleRow, 34); err != nil {
		return err
	}
	return b.file.SetRowHeight(sheet, metaRow, 20)
}

// text writes a text cell.
func (b *book) text(sheet, ref, s string, l look) error {
	id, err := b.styles.id(l)
	if err != nil {
		return err
	}
	if err := b.file.SetCellStr(sheet, ref, s); err != nil {
		return err
	}
	return b.file.SetCellStyle(sheet, ref, ref, id)
}

// coverWriter writes the cover downwards and keeps the first error.
type coverWriter struct {
	book   *book
	sheet  string
	widths [2]float64
	row    int
	err    error
}

func (c *coverWriter) do(step func() error) {
	if c.err == nil {
		c.err = step()
	}
}

func (c *coverWriter) section(title string) {
	c.row++
	c.do(func() error { return c.book.file.SetRowHeight(c.sheet, c.row-1, 10) })
	for _, column := range []string{"A", "B"} {
		text := ""
		if column == "A" {
			text = title
		}
		c.do(func() error {
			return c.book.text(c.sheet, fmt.Sprintf("%s%d", column, c.row), text, look{role: roleSection})
		})
	}
	c.do(func() error { return c.book.file.SetRowHeight(c.sheet, c.row, 24) })
	c.row++
	c.do(func() error { return c.book.file.SetRowHeight(c.sheet, c.row, 4) })
	c.row++
}

func (c *coverWriter) line(label, text string) {
	c.write(label, text, look{role: roleLabel}, look{role: roleNote})
}

func (c *coverWriter) write(label, text string, labelled, written look) {
	label, text = cellText(label), cellText(text)
	c.do(func() error { return c.book.text(c.sheet, fmt.Sprintf("A%d", c.row), label, labelled) })
	c.do(func() error { return c.book.text(c.sheet, fmt.Sprintf("B%d", c.row), text, written) })
	lines := max(lineCount(text, c.widths[1]-padding), lineCount(label, c.widths[0]-padding))
	c.do(func() error { return c.book.file.SetRowHeight(c.sheet, c.row, heightOf(lines)-coverTightening) })
	c.row++
}

// note writes a paragraph over the whole width.
func (c *coverWriter) note(text string) {
	ref := fmt.Sprintf("A%d", c.row)
	text = cellText("•  " + text)
	c.do(func() error { return c.book.file.MergeCell(c.sheet, ref, fmt.Sprintf("B%d", c.row)) })
	c.do(func() error { return c.book.text(c.sheet, ref, text, look{role: roleNote}) })
	lines := lineCount(text, labelWidth+valueWidth-padding)
	c.do(func() error { return c.book.file.SetRowHeight(c.sheet, c.row, heightOf(lines)-coverTightening) })
	c.row++
}

// findings says how many there are of each severity, and of each code the first one.
func (c *coverWriter) findings() {
	groups := reports.GroupFindings(c.book.document.Findings)
	for i, g := range groups {
		word := severityWord(g.Severity, c.book.provenance.Tongue)
		text := groupText(g, c.book.provenance)
		label := ""
		if i == 0 || groups[i-1].Severity != g.Severity {
			label = fmt.Sprintf("%s (%d)", word, countOf(groups, g.Severity))
		}
		c.write(label, text, look{role: roleBody, tone: toneOf(g.Severity), top: true}, look{role: roleNote})
	}
	if len(groups) == 0 {
		c.line(c.book.say("None"), c.book.say("Nothing in the record contradicts itself as far as it was checked."))
	}
}

// groupText returns "no-docket: 2026-10-13 TM-02: no docket has come", and how many more of the code there are.
func groupText(g reports.FindingGroup, p *Provenance) string {
	text := string(g.Code) + ": " + g.Example(p.Period)
	if g.Count > 1 {
		text += p.Tongue.Write("; and %d more of this kind", g.Count-1)
	}
	return text
}

// countOf returns how many findings of a severity the groups hold.
func countOf(groups []reports.FindingGroup, severity reports.Severity) int {
	n := 0
	for _, g := range groups {
		if g.Severity == severity {
			n += g.Count
		}
	}
	return n
}

// linked names a sheet and leads to it.
func (c *coverWriter) linked(s contentLine) {
	ref := fmt.Sprintf("A%d", c.row)
	text := s.title + ", " + s.detail
	if s.title == s.sheet {
		text = s.detail
	}
	c.write(s.sheet, text, look{role: roleLink}, look{role: roleNote})
	c.do(func() error {
		return c.book.file.SetCellHyperLink(c.sheet, ref, quoteSheet(s.sheet)+"!A1", "Location",
			excelize.HyperlinkOpts{Tooltip: ptr(c.book.say("Go to sheet %s", s.sheet))})
	})
}
