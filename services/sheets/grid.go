package sheets

import (
	"fmt"
	"slices"

	"github.com/xuri/excelize/v2"

	"spoilbook/events"
	"spoilbook/reports"
)

// Rows of a table's sheet.
const (
	titleRow  = 1
	metaRow   = 2
	noteRow   = 3
	headerRow = 4

	// reservedRows are kept below the rows of a sheet: for the totals, and for totals of the report's own that differ; or for the line
	// that says where the table goes on.
	reservedRows = 2
	citesShown   = 12  // positions listed in a cell before "+N"
	checkEvery   = 256 // rows between looks at the context
)

// dress says how a table that the workbook makes itself differs from the document's.
type dress struct {
	severities bool // tint the first column by severity
	exactTimes bool // show seconds
}

// grid streams one table into as many sheets as it needs.
type grid struct {
	book    *book
	table   *reports.Table
	dress   dress
	name    string // of the first sheet
	columns []column
	place   *place
	sums    []sum

	stream *excelize.StreamWriter
	sheet  string
	row    int // written last
	cells  []excelize.Cell
	values []any // pointers to cells, as the stream takes them
}

// table writes t to the sheet name and those after it.
func (b *book) table(t *reports.Table, name string, d dress) error {
	g := &grid{book: b, table: t, dress: d, name: name, place: &place{table: t}, sums: make([]sum, len(t.Columns))}
	g.prepareColumns()
	pending := make([]reports.Row, 0, b.limits.measuredRows)
	err := eachRow(t, func(n int, r *reports.Row) error {
		if n%checkEvery == 0 {
			if err := b.ctx.Err(); err != nil {
				return err
			}
		}
		if len(pending) < b.limits.measuredRows && g.stream == nil {
			pending = append(pending, reports.Row{Cells: slices.Clone(r.Cells), Cites: slices.Clone(r.Cites)})
			return nil
		}
		if err := g.begin(pending); err != nil {
			return err
		}
		pending = nil
		return g.line(r)
	})
	if err == nil {
		err = g.begin(pending)
	}
	if err == nil {
		err = g.end()
	}
	if err != nil {
		return fmt.Errorf("sheet %s: %w", name, err)
	}
	b.places[t.Name] = g.place
	b.contents = append(b.contents, contentLine{sheet: name, title: t.Title, detail: counted(g.place.rows, "line")})
	return nil
}

func (g *grid) prepareColumns() {
	for _, c := range g.table.Columns {
		g.columns = append(g.columns, column{Column: c, heading: cellText(heading(&c, g.book.provenance.zone())), format: g.format(&c),
			right: c.Kind == reports.Number || c.Kind == reports.Duration})
	}
	if g.table.Cited {
		g.columns = append(g.columns, column{Column: reports.TextColumn(citesKey, citesTitle), heading: citesTitle})
	}
	g.cells, g.values = make([]excelize.Cell, len(g.columns)), make([]any, len(g.columns))
	for i := range g.cells {
		g.values[i] = &g.cells[i]
	}
}

func (g *grid) format(c *reports.Column) string {
	switch {
	case g.dress.exactTimes && c.Kind == reports.Instant:
		return secondFormat
	case g.dress.exactTimes && c.Kind == reports.Number:
		return positionFormat
	}
	return formatOf(c)
}

// begin lays the columns out from the first rows and writes them. It does nothing the second time.
func (g *grid) begin(pending []reports.Row) error {
	if g.stream != nil {
		return nil
	}
	g.layOut(pending)
	if err := g.makeStyles(); err != nil {
		return err
	}
	if err := g.open(g.name); err != nil {
		return err
	}
	for i := range pending {
		if err := g.line(&pending[i]); err != nil {
			return err
		}
	}
	return nil
}

func (g *grid) layOut(pending []reports.Row) {
	measures := make([]measure, len(g.columns))
	period := g.book.provenance.Period
	add := func(cells []reports.Cell) {
		for i, cell := range cells {
			measures[i].add(shown(&g.columns[i].Column, cell, period), g.columns[i].wraps())
		}
	}
	for i := range pending {
		add(pending[i].Cells)
		if g.table.Cited {
			measures[len(measures)-1].add(citeList(pending[i].Cites, ", ", citesShown), true)
		}
	}
	if g.table.Totals != nil {
		add(g.table.Totals)
	}
	for i := range g.columns {
		switch c := &g.columns[i]; c.Kind {
		case reports.Instant:
			measures[i].add("2026-10-05 08:25", false)
			if g.dress.exactTimes {
				measures[i].add("2026-10-05 08:25:00", false)
			}
		case reports.Number, reports.Duration:
			measures[i].content++ // rows after those measured may be longer
		}
	}
	for i, w := range columnWidths(g.columns, measures) {
		g.columns[i].width = w
	}
}

func (g *grid) makeStyles() error {
	for i := range g.columns {
		c := &g.columns[i]
		for t := range c.style {
			if t > 0 && (i > 0 || !g.dress.severities) {
				continue
			}
			id, err := g.book.styles.id(look{role: roleBody, tone: tone(t), format: c.format, right: c.right})
			if err != nil {
				return err
			}
			c.style[t] = id
		}
		for _, x := range []struct {
			into *int
			look look
		}{
			{&c.total, look{role: roleTotal, format: c.format, right: c.right}},
			{&c.differs, look{role: roleDiffers, format: c.format, right: c.right}},
			{&c.head, look{role: roleHeader, right: c.right}},
		} {
			id, err := g.book.styles.id(x.look)
			if err != nil {
				return err
			}
			*x.into = id
		}
	}
	return nil
}

// line writes one row, on another sheet when this one is full.
func (g *grid) line(r *reports.Row) error {
	if g.row >= g.book.limits.sheetRows-reservedRows {
		next := g.book.sheetNames.sheet(g.name)
		if err := g.note(fmt.Sprintf("Continued on sheet %s", next)); err != nil {
			return err
		}
		if err := g.close(); err != nil {
			return err
		}
		if err := g.open(next); err != nil {
			return err
		}
	}
	lines, mark := 1, tonePlain
	if g.dress.severities {
		mark = toneOf(r.Cells[0].Text)
	}
	for i := range r.Cells {
		c := &g.columns[i]
		g.cells[i] = excelize.Cell{StyleID: c.style[tonePlain], Value: g.value(c, r.Cells[i])}
		if c.Total {
			g.sums[i].add(r.Cells[i])
		}
		if text, ok := g.cells[i].Value.(string); ok && c.wraps() {
			lines = max(lines, lineCount(text, c.width-padding))
		}
	}
	if g.dress.severities {
		g.cells[0].StyleID = g.columns[0].style[mark]
	}
	if g.table.Cited {
		lines = max(lines, g.cites(r.Cites))
	}
	part := &g.place.parts[len(g.place.parts)-1]
	g.place.rows++
	part.last = g.row + 1
	return g.write(g.row+1, heightOf(lines))
}

// cites fills the column of positions and returns how many lines it takes. One position alone is a number, so that it can be looked up in
// the list of events.
func (g *grid) cites(cites []uint64) int {
	i := len(g.columns) - 1
	g.cells[i] = excelize.Cell{StyleID: g.columns[i].style[tonePlain]}
	switch len(cites) {
	case 0:
		return 1
	case 1:
		g.cells[i].Value = cites[0]
		return 1
	}
	text := citeList(cites, ", ", citesShown)
	g.cells[i].Value = text
	return lineCount(text, g.columns[i].width-padding)
}

// value returns a cell as the library takes it; nil leaves it blank.
func (g *grid) value(c *column, cell reports.Cell) any {
	if cell.Empty {
		return nil
	}
	switch c.Kind {
	case reports.Number:
		if c.Scale == 0 {
			return cell.Int
		}
		return number(cell.Int, c.Scale)
	case reports.Instant:
		if t := g.book.provenance.Period.Local(events.Time{UnixMS: cell.Int}); t.Year() >= firstSheetYear {
			return t
		}
		return shown(&c.Column, cell, g.book.provenance.Period)
	case reports.Date:
		if day, ok := calendarDay(cell.Text); ok {
			return day
		}
	case reports.Duration:
		return dayFraction(cell.Int)
	case reports.YesNo:
		return yesNo(cell.Int)
	}
	return cellText(cell.Text)
}

// write sends the filled cells out as a row.
func (g *grid) write(row int, height float64) error {
	ref, err := excelize.CoordinatesToCellName(1, row)
	if err != nil {
		return err
	}
	g.row = row
	return g.stream.SetRow(ref, g.values, excelize.RowOpts{Height: height})
}
