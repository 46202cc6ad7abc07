package sheets

import (
	"fmt"
	"math/bits"
	"strings"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports"
)

// open begins a sheet with its title, meta line, note and headings.
func (g *grid) open(sheet string) error {
	if err := g.book.newSheet(sheet, g.page); err != nil {
		return err
	}
	if g.dress.outlined {
		if err := g.book.file.SetSheetProps(sheet, &excelize.SheetPropsOptions{FitToPage: ptr(g.page.scale == 0), OutlineSummaryBelow: ptr(false)}); err != nil {
			return err
		}
	}
	stream, err := g.book.file.NewStreamWriter(sheet)
	if err != nil {
		return err
	}
	g.stream, g.sheet, g.row = stream, sheet, 0
	// From the last to the first, because the library puts each before those it has and columns must stand in order.
	for i := len(g.columns) - 1; i >= 0; i-- {
		if err := stream.SetColWidth(i+1, i+1, g.columns[i].width); err != nil {
			return err
		}
	}
	err = stream.SetPanes(&excelize.Panes{Freeze: true, YSplit: headerRow, TopLeftCell: fmt.Sprintf("A%d", headerRow+1), ActivePane: "bottomLeft",
		Selection: []excelize.Selection{{SQRef: fmt.Sprintf("A%d", headerRow+1), ActiveCell: fmt.Sprintf("A%d", headerRow+1), Pane: "bottomLeft"}}})
	if err != nil {
		return err
	}
	if err := g.heads(); err != nil {
		return err
	}
	g.place.parts = append(g.place.parts, part{sheet: sheet, first: headerRow + 1, last: headerRow})
	return nil
}

func (g *grid) heads() error {
	title := cellText(g.table.Title)
	if len(g.place.parts) > 0 {
		title += g.book.say(" (sheet %d)", len(g.place.parts)+1)
	}
	if err := g.fullRow(titleRow, 30, title, roleTitle, roleBand); err != nil {
		return err
	}
	if err := g.fullRow(metaRow, 20, g.book.metaLine(), roleMeta, roleMeta); err != nil {
		return err
	}
	width := 0.0
	for _, c := range g.columns[:g.printed] {
		width += c.width
	}
	note := cellText(g.table.Note)
	height := 6.0
	if note != "" {
		height = heightOf(lineCount(note, width-padding))
		if g.printed > 1 {
			last, err := excelize.CoordinatesToCellName(g.printed, noteRow)
			if err != nil {
				return err
			}
			if err := g.stream.MergeCell(fmt.Sprintf("A%d", noteRow), last); err != nil {
				return err
			}
		}
	}
	if err := g.fullRow(noteRow, height, note, roleNote, roleNote); err != nil {
		return err
	}
	lines := 1
	for i := range g.columns {
		c := &g.columns[i]
		g.cells[i] = excelize.Cell{StyleID: c.head, Value: c.heading}
		lines = max(lines, lineCount(c.heading, (c.width-padding)/boldWidth))
	}
	return g.write(headerRow, min(heightOf(lines)+filterRoom, maxHeight))
}

// fullRow writes a row with text in its first cell and the look of rest in the others.
func (g *grid) fullRow(row int, height float64, text string, first, rest role) error {
	for i := range g.cells {
		l := look{role: rest}
		if i == 0 {
			l.role = first
		}
		id, err := g.book.styles.id(l)
		if err != nil {
			return err
		}
		g.cells[i] = excelize.Cell{StyleID: id}
	}
	if text != "" {
		g.cells[0].Value = text
	}
	return g.write(row, height)
}

// note writes a line of its own below the rows.
func (g *grid) note(text string) error {
	return g.fullRow(g.row+1, heightOf(1), text, roleMeta, roleMeta)
}

// end writes what stands below the last row and closes the last sheet.
func (g *grid) end() error {
	if g.place.rows == 0 {
		empty := g.table.Empty
		if empty == "" {
			empty = g.book.say("No lines in this period.")
		}
		if err := g.note(empty); err != nil {
			return err
		}
	} else if err := g.totals(); err != nil {
		return err
	}
	return g.close()
}

// close names the rows of the sheet, filters them, repeats their headings in print, and completes the sheet.
func (g *grid) close() error {
	part := g.place.parts[len(g.place.parts)-1]
	last, err := excelize.ColumnNumberToName(len(g.columns))
	if err != nil {
		return err
	}
	f, sheet := g.book.file, quoteSheet(g.sheet)
	bottom := max(part.last, part.first)
	printed, err := excelize.ColumnNumberToName(g.printed)
	if err != nil {
		return err
	}
	if err := f.AutoFilter(g.sheet, fmt.Sprintf("A%d:%s%d", headerRow, last, bottom), nil); err != nil {
		return err
	}
	names := []excelize.DefinedName{
		{Name: g.book.rangeNames.rangeName(g.sheet), RefersTo: fmt.Sprintf("%s!$A$%d:$%s$%d", sheet, part.first, last, bottom)},
		{Name: "_xlnm.Print_Titles", RefersTo: fmt.Sprintf("%s!$%d:$%d", sheet, headerRow, headerRow), Scope: g.sheet},
	}
	if g.printed < len(g.columns) {
		names = append(names, excelize.DefinedName{Name: "_xlnm.Print_Area", RefersTo: fmt.Sprintf("%s!$A$1:$%s$%d", sheet, printed, g.row), Scope: g.sheet})
	}
	g.book.named = append(g.book.named, namedCell{names[0].Name, g.book.say("the lines of %s", g.table.Title)})
	for _, n := range names {
		if err := f.SetDefinedName(&n); err != nil {
			return err
		}
	}
	return g.stream.Flush()
}

// totals writes the sums of the rows, if any column has one, as formulas with their values beside them.
func (g *grid) totals() error {
	summed, differs := false, false
	for i := range g.columns {
		g.cells[i] = excelize.Cell{StyleID: g.columns[i].total}
	}
	for i := range g.columns {
		c := &g.columns[i]
		own := g.ownTotal(c)
		switch {
		case c.Total && (c.Kind == reports.Number || c.Kind == reports.Duration):
			summed = true
			formula, err := g.sumFormula(i)
			if err != nil {
				return err
			}
			g.cells[i].Formula = formula
			if s := g.sums[i]; !s.overflow {
				g.cells[i].Value = g.value(c, reports.N(s.value))
				differs = differs || g.differ(c, own, s)
			}
		case !own.Empty:
			summed = true
			g.cells[i].Value = g.value(c, own)
		}
	}
	if !summed {
		return nil
	}
	if err := g.nameTotals(); err != nil {
		return err
	}
	g.labelTotals(g.book.say("Total"))
	if err := g.write(g.row+1, heightOf(1)+2); err != nil || !differs {
		return err
	}
	return g.ownTotals()
}

// nameTotals names the cells of the totals, for formulas of the reader's own.
func (g *grid) nameTotals() error {
	for i := range g.columns {
		if g.cells[i].Formula == "" {
			continue
		}
		letter, err := excelize.ColumnNumberToName(i + 1)
		if err != nil {
			return err
		}
		name := g.book.rangeNames.totalName(g.sheet, g.columns[i].Key)
		if err := g.book.file.SetDefinedName(&excelize.DefinedName{Name: name, RefersTo: fmt.Sprintf("%s!$%s$%d", quoteSheet(g.sheet), letter, g.row+1)}); err != nil {
			return err
		}
		g.book.named = append(g.book.named, namedCell{name, g.table.Title + ": " + g.columns[i].heading})
	}
	return nil
}

// ownTotal is the report's own total of a column, empty when it gives none.
func (g *grid) ownTotal(c *column) reports.Cell {
	if g.table.Totals == nil || c.cell < 0 {
		return reports.Blank()
	}
	return g.table.Totals[c.cell]
}

// differ reports whether lines do not add up to the report's own total. Cells that were rounded each may be off by half a unit of their last
// place, and so may the total.
func (g *grid) differ(c *column, own reports.Cell, s sum) bool {
	if own.Empty || s.overflow {
		return false
	}
	allowed := uint64(0)
	if c.Rounded {
		allowed = uint64(g.place.rows)/2 + 1
	}
	_, off := magnitude(own.Int - s.value)
	return off > allowed
}

// labelTotals puts a label in the first cell that holds nothing.
func (g *grid) labelTotals(label string) {
	for i := range g.cells {
		if g.cells[i].Value == nil && g.cells[i].Formula == "" {
			g.cells[i].Value = label
			return
		}
	}
}

// ownTotals writes the report's totals below the live ones when the lines do not add up to them, and a caution for the cover.
func (g *grid) ownTotals() error {
	for i := range g.columns {
		c := &g.columns[i]
		g.cells[i] = excelize.Cell{StyleID: c.differs}
		own, s := g.ownTotal(c), g.sums[i]
		g.cells[i].Value = g.value(c, own)
		if c.Total && g.differ(c, own, s) {
			period := g.book.provenance.Period
			g.book.cautions = append(g.book.cautions, g.book.say("Sheet %s: the lines of %s add up to %s, but the report's total is %s. Report this.",
				g.name, c.heading, exact(&c.Column, reports.N(s.value), period), exact(&c.Column, own, period)))
		}
	}
	g.labelTotals(g.book.say("The report's own totals, which differ"))
	return g.write(g.row+1, heightOf(3))
}

// functionArguments is how many ranges one SUBTOTAL is given; spreadsheets take 254.
const functionArguments = 200

// sumFormula adds up column i on all sheets. Function 109 adds the rows that a filter leaves visible.
func (g *grid) sumFormula(i int) (string, error) {
	letter, err := excelize.ColumnNumberToName(i + 1)
	if err != nil {
		return "", err
	}
	terms, ranges := []string{}, []string{}
	for n, p := range g.place.parts {
		sheet := ""
		if p.sheet != g.sheet {
			sheet = quoteSheet(p.sheet) + "!"
		}
		ranges = append(ranges, fmt.Sprintf("%s%s%d:%s%d", sheet, letter, p.first, letter, p.last))
		if len(ranges) == functionArguments || n == len(g.place.parts)-1 {
			terms, ranges = append(terms, "SUBTOTAL(109,"+strings.Join(ranges, ",")+")"), nil
		}
	}
	return strings.Join(terms, "+"), nil
}

// sum is a column's total, unless it does not fit 64 bits.
type sum struct {
	value    int64
	overflow bool
}

func (s *sum) add(c reports.Cell) {
	if c.Empty || s.overflow {
		return
	}
	total, _ := bits.Add64(uint64(s.value), uint64(c.Int), 0)
	// Two numbers of one sign whose sum has the other have overflowed.
	s.overflow = (s.value < 0) == (c.Int < 0) && (int64(total) < 0) != (s.value < 0)
	s.value = int64(total)
}
