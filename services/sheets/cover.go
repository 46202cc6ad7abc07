package sheets

import (
	"fmt"
	"slices"
	"strings"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports"
)

// Columns of the cover: labels, and what they label.
const (
	labelWidth = 18
	valueWidth = 98
)

// cover writes the first sheet, last: it lists the others and what came up while they were written.
func (b *book) cover() error {
	if err := b.newSheet(coverSheet); err != nil {
		return err
	}
	for _, w := range []struct {
		column string
		width  float64
	}{{"A", labelWidth}, {"B", valueWidth}} {
		if err := b.file.SetColWidth(coverSheet, w.column, w.column, w.width); err != nil {
			return err
		}
	}
	if err := b.band(coverSheet, "A", "B", b.document.Title); err != nil {
		return err
	}
	c := &coverWriter{book: b, row: 3}
	if len(b.cautions) > 0 {
		c.section("Look at this first")
		for _, caution := range b.cautions {
			c.line("Caution", caution)
		}
	}
	c.section("About")
	for _, f := range append(slices.Clone(b.document.Subject), b.provenance.fields()...) {
		if f.Text != "" {
			c.line(f.Label, f.Text)
		}
	}
	c.section("Findings")
	c.findings()
	c.section("How to read it")
	for i, note := range append(allNotes(b.document, b.provenance), workbookNotes()...) {
		c.line(fmt.Sprintf("%d.", i+1), note)
	}
	c.section("Sheets")
	for _, s := range b.contents {
		c.linked(s)
	}
	return c.err
}

// workbookNotes is how to read what only a workbook has.
func workbookNotes() []string {
	return []string{
		"Totals are live: they add up the lines that a filter leaves visible. A unit stands in brackets in its column's heading.",
		"The column Events gives the ledger positions that a line rests on; the sheet Events says what they are.",
	}
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
	book *book
	row  int
	err  error
}

func (c *coverWriter) do(step func() error) {
	if c.err == nil {
		c.err = step()
	}
}

func (c *coverWriter) section(title string) {
	c.row++
	c.do(func() error { return c.book.file.SetRowHeight(coverSheet, c.row-1, 10) })
	for _, column := range []string{"A", "B"} {
		text := ""
		if column == "A" {
			text = title
		}
		c.do(func() error {
			return c.book.text(coverSheet, fmt.Sprintf("%s%d", column, c.row), text, look{role: roleSection})
		})
	}
	c.do(func() error { return c.book.file.SetRowHeight(coverSheet, c.row, 24) })
	c.row++
	c.do(func() error { return c.book.file.SetRowHeight(coverSheet, c.row, 4) })
	c.row++
}

func (c *coverWriter) line(label, text string) { c.styled(label, text, look{role: roleLabel}) }

func (c *coverWriter) styled(label, text string, l look) {
	label, text = cellText(label), cellText(text)
	c.do(func() error { return c.book.text(coverSheet, fmt.Sprintf("A%d", c.row), label, l) })
	c.do(func() error { return c.book.text(coverSheet, fmt.Sprintf("B%d", c.row), text, look{role: roleNote}) })
	lines := max(lineCount(text, valueWidth-padding), lineCount(label, labelWidth-padding))
	c.do(func() error { return c.book.file.SetRowHeight(coverSheet, c.row, heightOf(lines)) })
	c.row++
}

// findings says how many there are of each severity, and of which codes.
func (c *coverWriter) findings() {
	some := false
	for _, severity := range []reports.Severity{reports.Serious, reports.Warning, reports.Note} {
		text := findingsOf(c.book.document, severity)
		if text == "" {
			continue
		}
		some = true
		c.styled(severityWord(severity), text, look{role: roleBody, tone: toneOf(severityWord(severity)), top: true})
	}
	if !some {
		c.line("None", "Nothing in the record contradicts itself as far as it was checked.")
	}
}

// findingsOf returns "3: permit-expired (2), no-consent (1)", empty when there is none of that severity.
func findingsOf(d *reports.Document, severity reports.Severity) string {
	counts, total := map[reports.Code]int{}, 0
	for i := range d.Findings {
		if d.Findings[i].Severity == severity {
			counts[d.Findings[i].Code]++
			total++
		}
	}
	if total == 0 {
		return ""
	}
	parts := []string{}
	for code, n := range counts {
		parts = append(parts, fmt.Sprintf("%s (%d)", code, n))
	}
	slices.Sort(parts)
	return fmt.Sprintf("%d: %s", total, strings.Join(parts, ", "))
}

// linked names a sheet and leads to it.
func (c *coverWriter) linked(s contentLine) {
	ref := fmt.Sprintf("A%d", c.row)
	c.styled(s.sheet, s.title+", "+s.detail, look{role: roleLink})
	c.do(func() error {
		return c.book.file.SetCellHyperLink(coverSheet, ref, quoteSheet(s.sheet)+"!A1", "Location",
			excelize.HyperlinkOpts{Tooltip: ptr("Go to sheet " + s.sheet)})
	})
}
