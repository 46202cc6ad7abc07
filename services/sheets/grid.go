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
	citesShown   = 2   // positions or runs of them listed in a cell before "+N"
	checkEvery   = 256 // rows between looks at the context
)

// Columns that hold no cell of the table's own.
const (
	shortCites = -1 // the first positions and how many more there are
	allCites   = -2
	linkCell   = -3 // leads to the line's workings
)

// dress says how a table that the workbook makes itself differs from the document's.
type dress struct {
	severities bool // tint the first column by severity
	exactTimes bool // show seconds

	widths       []float64 // of the columns, where they are not measured
	allPositions bool      // there is a column of all positions whatever the rows hold
	outlined     bool      // rows are grouped below the first of each group
}

// grid streams one table into as many sheets as it needs.
type grid struct {
	book     *book
	table    *reports.Table
	dress    dress
	name     string // of the first sheet
	columns  []column
	printed  int  // how many of the columns are printed, from the first
	long     bool // many rows
	listsAll bool // there is a column of all positions
	place    *place
	sums     []sum // by column

	page   pageFit
	stream *excelize.StreamWriter
	sheet  string
	row    int      // written last
	level  int      // of the outline, of the rows that are written
	next   []string // names of the sheets that it goes on in, where they were given out before
	cells  []excelize.Cell
	values []any // pointers to cells, as the stream takes them
}

// table writes t to the sheet name and those after it.
func (b *book) table(t *reports.Table, name string, d dress) error {
	g := &grid{book: b, table: t, dress: d, name: name, place: &place{table: t}}
	pending := make([]reports.Row, 0, b.limits.measuredRows)
	err := eachRow(t, func(n int, r *reports.Row) error {
		if n%checkEvery == 0 {
			if err := b.ctx.Err(); err != nil {
				return err
			}
		}
		if len(pending) < b.limits.measuredRows && g.stream == nil {
			pending = append(pending, reports.Row{Cells: slices.Clone(r.Cells), Cites: slices.Clone(r.Cites), Key: r.Key})
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
	b.contents = append(b.contents, contentLine{sheet: name, title: t.Title, detail: b.counted(g.place.rows, "line")})
	return nil
}

// prepareColumns puts the columns in the order of the sheet: those that are printed, the positions, and those kept aside. All positions of a
// line have a column of their own where the short one would cut some of them.
func (g *grid) prepareColumns(pending []reports.Row) {
	add := func(i int, c reports.Column) {
		g.columns = append(g.columns, column{Column: c, cell: i, heading: cellText(heading(&c, "")), format: g.format(&c),
			right: c.Kind == reports.Number || c.Kind == reports.Duration})
	}
	for i, c := range g.table.Columns {
		if !c.Aside {
			add(i, c)
		}
	}
	if g.table.Cited {
		add(shortCites, reports.TextColumn(citesKey, g.book.say(citesTitle)))
	}
	g.printed = len(g.columns)
	if g.book.workings.explains(g.table.Name) {
		add(linkCell, reports.TextColumn(workingsKey, g.book.say(workingsSheet)).NotPrinted())
	}
	for i, c := range g.table.Columns {
		if c.Aside {
			add(i, c)
		}
	}
	cut := func(r reports.Row) bool { return citeText(r.Cites, citesShown) != citeText(r.Cites, 0) }
	if g.listsAll = g.table.Cited && (g.dress.allPositions || slices.ContainsFunc(pending, cut)); g.listsAll {
		add(allCites, reports.TextColumn("all_"+citesKey, g.book.say("All events")).NotPrinted())
	}
	for i := range g.columns {
		g.place.keys = append(g.place.keys, g.columns[i].Key)
	}
	g.sums = make([]sum, len(g.columns))
	g.cells, g.values = make([]excelize.Cell, len(g.columns)), make([]any, len(g.columns))
	for i := range g.cells {
		g.values[i] = &g.cells[i]
	}
}

func (g *grid) format(c *reports.Column) string {
	return g.book.provenance.dates(g.plainFormat(c))
}

func (g *grid) plainFormat(c *reports.Column) string {
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
	g.long = g.table.Backing || len(pending) == cap(pending)
	g.prepareColumns(pending)
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
	if g.dress.widths != nil {
		for i, w := range g.dress.widths {
			g.columns[i].width = w
		}
		g.page = fitOf(g.columns[:g.printed], g.table.Backing)
		return
	}
	measures := make([]measure, len(g.columns))
	add := func(r *reports.Row) {
		for i := range g.columns {
			measures[i].add(g.shown(&g.columns[i], r), g.columns[i].wraps())
		}
	}
	for i := range pending {
		add(&pending[i])
	}
	if g.table.Totals != nil {
		add(&reports.Row{Cells: g.table.Totals})
	}
	for i := range g.columns {
		switch c := &g.columns[i]; {
		case c.Kind == reports.Instant:
			measures[i].add("2026-10-05 08:25", false)
			if g.dress.exactTimes {
				measures[i].add("2026-10-05 08:25:00", false)
			}
		case c.wraps() && g.long && measures[i].content == 0:
			measures[i].content = emptyColumn
		case c.right && g.long:
			measures[i].content++ // rows after those measured may be longer
		}
	}
	for i, w := range columnWidths(g.columns, measures, g.printed, g.table.Backing) {
		g.columns[i].width = w
	}
	g.page = fitOf(g.columns[:g.printed], g.table.Backing)
}

// shown returns what a column shows of a row.
func (g *grid) shown(c *column, r *reports.Row) string {
	switch c.cell {
	case shortCites:
		return citeText(r.Cites, citesShown)
	case allCites:
		return citeText(r.Cites, 0)
	case linkCell:
		return g.book.say(workingsLabel)
	}
	return shown(&c.Column, r.Cells[c.cell], g.book.provenance.Period)
}

func (g *grid) makeStyles() error {
	for i := range g.columns {
		c := &g.columns[i]
		for t := range c.style {
			if t > 0 && (i > 0 || !g.dress.severities) {
				continue
			}
			l := look{role: roleBody, tone: tone(t), format: c.format, right: c.right, flat: !c.wraps()}
			if c.cell == linkCell {
				l.role = roleRowLink
			}
			id, err := g.book.styles.id(l)
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
			{&c.head, look{role: headRole(&c.Column), right: c.right}},
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
	if err := g.room(); err != nil {
		return err
	}
	lines, mark := 1, tonePlain
	if g.dress.severities {
		mark = toneOf(reports.Severity(r.Key))
	}
	for i := range g.columns {
		c := &g.columns[i]
		g.cells[i] = excelize.Cell{StyleID: c.style[tonePlain]}
		switch c.cell {
		case shortCites, allCites:
			g.cells[i].Value = g.cites(c.cell, r.Cites)
			continue
		case linkCell:
			if g.cells[i].Formula = g.book.workings.linkTo(g.table.Name, g.place.rows); g.cells[i].Formula != "" {
				g.cells[i].Value = g.book.say(workingsLabel)
			}
			continue
		}
		g.cells[i].Value = g.value(c, r.Cells[c.cell])
		if c.Total {
			g.sums[i].add(r.Cells[c.cell])
		}
		if text, ok := g.cells[i].Value.(string); ok && c.wraps() {
			lines = max(lines, lineCount(text, c.width-padding))
		}
	}
	if g.dress.severities {
		g.cells[0].StyleID = g.columns[0].style[mark]
	}
	part := &g.place.parts[len(g.place.parts)-1]
	g.place.rows++
	part.last = g.row + 1
	return g.write(g.row+1, g.height(lines))
}

// room goes on to another sheet when this one is full.
func (g *grid) room() error {
	if g.row < g.book.limits.sheetRows-reservedRows {
		return nil
	}
	next := ""
	if len(g.next) > 0 {
		next, g.next = g.next[0], g.next[1:]
	} else {
		next = g.book.sheetNames.sheet(g.name)
	}
	g.level = 0
	if err := g.note(g.book.say("Continued on sheet %s", next)); err != nil {
		return err
	}
	if err := g.close(); err != nil {
		return err
	}
	return g.open(next)
}

// cites returns a column of positions as the library takes it. One position alone is a number, so that it can be looked up in the list of
// events; where no column lists all of them, the short one does.
func (g *grid) cites(which int, cites []uint64) any {
	limit := citesShown
	if which == allCites || !g.listsAll {
		limit = 0
	}
	switch len(cites) {
	case 0:
		return nil
	case 1:
		return cites[0]
	}
	return cellText(citeText(cites, limit))
}

// height returns the height of a row of so many lines; the rows of long lists stand closer.
func (g *grid) height(lines int) float64 {
	if g.long {
		return heightOf(lines) - rowPadding + 1
	}
	return heightOf(lines)
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
		return g.book.say(yesNo(cell.Int))
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
	return g.stream.SetRow(ref, g.values, excelize.RowOpts{Height: height, OutlineLevel: g.level})
}
