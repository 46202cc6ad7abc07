package sheets

import (
	"fmt"
	"slices"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports"
)

// Sizes of the sheet of pictures: each picture is as wide as the sheet and has a printed page to itself.
const (
	pictureColumns     = 12
	pictureColumnWidth = 12
	pictureWidth       = 1060 // pixels
	pictureHeight      = 450
	pictureRows        = 19 // sheet rows it lies over, and a little more
	pictureRowHeight   = 20
	pictureFirstRow    = 4
)

// pictures draws the document's charts on a sheet of their own, each above the text that says what it shows.
func (b *book) pictures() error {
	name := b.say(chartsSheet)
	if err := b.newSheet(name, pageFit{landscape: true}); err != nil {
		return err
	}
	last, err := excelize.ColumnNumberToName(pictureColumns)
	if err != nil {
		return err
	}
	if err := b.file.SetColWidth(name, "A", last, pictureColumnWidth); err != nil {
		return err
	}
	if err := b.band(name, "A", last, b.say(chartsSheet)); err != nil {
		return err
	}
	row := pictureFirstRow
	for i := range b.document.Pictures {
		if err := b.ctx.Err(); err != nil {
			return err
		}
		p := &b.document.Pictures[i]
		if i > 0 {
			if err := b.file.InsertPageBreak(name, fmt.Sprintf("A%d", row-1)); err != nil {
				return err
			}
		}
		if err := b.picture(p, row); err != nil {
			return fmt.Errorf("picture %q: %w", p.Title, err)
		}
		if err := b.caption(p, row+pictureRows, last); err != nil {
			return fmt.Errorf("picture %q: %w", p.Title, err)
		}
		row += pictureRows + 2
	}
	b.contents = append(b.contents, contentLine{sheet: name, title: b.say("Charts of the tables"), detail: b.counted(len(b.document.Pictures), "chart")})
	return nil
}

// caption writes what a picture shows below it.
func (b *book) caption(p *reports.Picture, row int, last string) error {
	text := cellText(p.Alt + " " + b.say("Drawn from sheet %s.", b.places[p.Table].parts[0].sheet))
	ref := fmt.Sprintf("A%d", row)
	if err := b.file.MergeCell(b.say(chartsSheet), ref, fmt.Sprintf("%s%d", last, row)); err != nil {
		return err
	}
	if err := b.text(b.say(chartsSheet), ref, text, look{role: roleNote}); err != nil {
		return err
	}
	return b.file.SetRowHeight(b.say(chartsSheet), row, heightOf(lineCount(text, pictureColumns*pictureColumnWidth-padding)))
}

// picture draws one chart with its upper left corner in row.
func (b *book) picture(p *reports.Picture, row int) error {
	for r := row; r < row+pictureRows; r++ {
		if err := b.file.SetRowHeight(b.say(chartsSheet), r, pictureRowHeight); err != nil {
			return err
		}
	}
	at := b.places[p.Table]
	if at.rows == 0 {
		return b.text(b.say(chartsSheet), fmt.Sprintf("A%d", row), cellText(b.say("%s: there are no lines to draw.", p.Title)), look{role: roleNote})
	}
	chart, err := b.chart(p, at, row)
	if err != nil {
		return err
	}
	return b.file.AddChart(b.say(chartsSheet), fmt.Sprintf("A%d", row), chart)
}

// chart describes a picture of the rows that lie on the table's first sheet. Its upper left corner is in row.
func (b *book) chart(p *reports.Picture, at *place, row int) (*excelize.Chart, error) {
	first := at.parts[0]
	last := first.last
	if p.Rows > 0 {
		last = min(last, first.first+p.Rows-1)
	}
	refer := func(key string) (string, error) {
		letter, err := excelize.ColumnNumberToName(at.column(key) + 1)
		return fmt.Sprintf("%s!$%s$%d:$%s$%d", quoteSheet(first.sheet), letter, first.first, letter, last), err
	}
	categories, err := refer(p.Category)
	if err != nil {
		return nil, err
	}
	c := &excelize.Chart{Type: chartType(p.Kind), Dimension: excelize.ChartDimension{Width: pictureWidth, Height: pictureHeight},
		Legend: excelize.ChartLegend{Position: "bottom", Font: &excelize.Font{Family: fontName, Size: 11, Color: ink}},
		Title: excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: cellText(p.Title),
			Font: &excelize.Font{Family: fontName, Size: 15, Bold: true, Color: slate}}}},
		Format:       excelize.GraphicOptions{AltText: cellText(p.Alt), Name: cellText(p.Title), Positioning: "twoCell"},
		ShowBlanksAs: "gap", GapWidth: ptr(uint(45)), VaryColors: ptr(false)}
	drawn := b.spanOf(p, at.table, last-first.first+1)
	for i, key := range p.Series {
		if drawn.blank[i] {
			continue
		}
		values, err := refer(key)
		if err != nil {
			return nil, err
		}
		name, err := b.seriesName(at.table.Columns[columnIndex(at.table, key)].Title, len(c.Series), row)
		if err != nil {
			return nil, err
		}
		c.Series = append(c.Series, series(p.Kind, i, name, categories, values))
	}
	if len(c.Series) == 1 {
		c.Legend.Position = "none"
	}
	b.axes(c, p, at.table, drawn)
	return c, nil
}

// seriesName writes the name of a chart's nth series into a cell that the chart lies over, and returns the reference to it: a legend has no
// room for the units that stand in a table's headings.
func (b *book) seriesName(name string, n, row int) (string, error) {
	letter, err := excelize.ColumnNumberToName(n%pictureColumns + 1)
	if err != nil {
		return "", err
	}
	row += 1 + n/pictureColumns
	if err := b.text(b.say(chartsSheet), fmt.Sprintf("%s%d", letter, row), cellText(name), look{role: roleMeta}); err != nil {
		return "", err
	}
	return fmt.Sprintf("%s!$%s$%d", quoteSheet(b.say(chartsSheet)), letter, row), nil
}

func chartType(k reports.PictureKind) excelize.ChartType {
	switch k {
	case reports.Columns:
		return excelize.Col
	case reports.Bars:
		return excelize.Bar
	case reports.StackedBars:
		return excelize.BarStacked
	case reports.Lines:
		return excelize.Line
	}
	return excelize.ColStacked
}

// series gives each line a marker of its own, so that lines are told apart without colour.
func series(kind reports.PictureKind, i int, name, categories, values string) excelize.ChartSeries {
	colours, markers := seriesColours(), []string{"circle", "square", "triangle", "diamond", "x", "plus", "star", "dash"}
	fill := solid(colours[i%len(colours)])
	s := excelize.ChartSeries{Name: name, Categories: categories, Values: values, Fill: fill}
	if kind == reports.Lines {
		s.Line = excelize.LineOptions{Type: excelize.LineSolid, Width: 2.25}
		s.Marker = excelize.ChartMarker{Symbol: markers[i%len(markers)], Size: 7, Fill: fill}
	}
	return s
}

// axes names both axes, with the unit of the values.
func (b *book) axes(c *excelize.Chart, p *reports.Picture, t *reports.Table, drawn span) {
	font := excelize.Font{Family: fontName, Size: 10, Color: ink}
	titled := func(s string) excelize.ChartTitle {
		return excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: cellText(s),
			Font: &excelize.Font{Family: fontName, Size: 11, Bold: true, Color: quiet}}}}
	}
	category := t.Columns[columnIndex(t, p.Category)]
	c.XAxis = excelize.ChartAxis{Font: font, TickLabelPosition: excelize.ChartTickLabelLow, Title: titled(heading(&category, b.provenance.zone()))}
	switch category.Kind {
	case reports.Instant:
		c.XAxis.NumFmt = excelize.ChartNumFmt{CustomNumFmt: formatOf(&category)}
	case reports.Date:
		c.XAxis.NumFmt = excelize.ChartNumFmt{CustomNumFmt: axisDateFormat}
	}
	if p.Kind == reports.Bars || p.Kind == reports.StackedBars {
		c.XAxis.ReverseOrder = true // the first row on top, as in the table
	} else if drawn.labels*labelDigitPixels > pictureWidth {
		c.XAxis.Alignment.TextRotation = -90
		c.XAxis.TickLabelSkip = (drawn.rows + maxUprightLabels - 1) / maxUprightLabels
	}
	value := t.Columns[columnIndex(t, p.Series[0])]
	c.YAxis = excelize.ChartAxis{Font: font, MajorGridLines: true, Title: titled(b.axisTitle(p, t)),
		NumFmt: excelize.ChartNumFmt{CustomNumFmt: axisFormat(&value, drawn.tallest)}}
	if c.XAxis.ReverseOrder {
		c.YAxis.TickLabelPosition = excelize.ChartTickLabelHigh // which is at the foot, with the axis' title
	}
	if value.Kind == reports.Duration {
		c.YAxis.MajorUnit = hourStep(drawn.tallest)
	}
	if kind := p.Kind; kind == reports.StackedColumns || kind == reports.StackedBars {
		c.Overlap = ptr(100)
	}
}

const (
	labelDigitPixels = 8  // of an axis label, with its share of the gap to the next
	maxUprightLabels = 48 // labels that stand upright beside each other
	axisDateFormat   = "d mmm"
)

// axisFormat shows no more decimals than the steps of an axis up to tallest need.
func axisFormat(c *reports.Column, tallest int64) string {
	if c.Kind == reports.Duration {
		return "[h]:mm"
	}
	whole := number(tallest, c.Scale)
	switch {
	case whole >= 10 || c.Decimals == 0:
		return "#,##0"
	case whole >= 1:
		return "0.0"
	}
	return formatOf(c)
}

// axisTitle is the heading of the only series, or the unit that the series share.
func (b *book) axisTitle(p *reports.Picture, t *reports.Table) string {
	first := t.Columns[columnIndex(t, p.Series[0])]
	if len(p.Series) == 1 {
		return heading(&first, b.provenance.zone())
	}
	for _, key := range p.Series {
		if t.Columns[columnIndex(t, key)].Unit != first.Unit {
			return b.say("Value, in the unit of each series")
		}
	}
	switch {
	case first.Kind == reports.Duration:
		return b.say("Time (h:mm)")
	case first.Unit == "":
		return b.say("Count")
	}
	if name := unitNames()[first.Unit]; name != "" {
		return b.say(name) + " (" + first.Unit + ")"
	}
	return first.Unit
}

// unitNames are the names of units that an axis can have, by their symbols.
func unitNames() map[string]string {
	return map[string]string{"t": "Tonnes", "kg": "Kilograms", "m³": "Cubic metres", "L": "Litres", "yd³": "Cubic yards", "US gal": "US gallons",
		"imp gal": "Imperial gallons", "lb": "Pounds"}
}

// span is what a picture's axes must show.
type span struct {
	tallest int64   // the largest value, or sum where they are stacked, in units of the column
	labels  float64 // the width of all category labels, in digits
	rows    int
	blank   []bool // series without a value other than zero, unless all are
}

func (b *book) spanOf(p *reports.Picture, t *reports.Table, rows int) span {
	stacked := p.Kind == reports.StackedColumns || p.Kind == reports.StackedBars
	category := columnIndex(t, p.Category)
	s, n := span{rows: rows, blank: slices.Repeat([]bool{true}, len(p.Series))}, 0
	for r := range t.Rows {
		if n++; n > rows {
			break
		}
		s.labels += textWidth(shown(&t.Columns[category], r.Cells[category], b.provenance.Period)) + 1
		total := int64(0)
		for i, key := range p.Series {
			v := r.Cells[columnIndex(t, key)].Int
			s.blank[i] = s.blank[i] && v == 0
			if stacked {
				total += v
			} else {
				total = max(total, v)
			}
		}
		s.tallest = max(s.tallest, total)
	}
	if !slices.Contains(s.blank, false) {
		s.blank = make([]bool, len(p.Series))
	}
	return s
}

// hourStep returns the axis step, as a fraction of a day, that is a round number of hours or minutes and leaves at most eight steps.
func hourStep(longestMS int64) float64 {
	steps := []int64{10 * msPerMinute, 30 * msPerMinute, msPerHour, 2 * msPerHour, 4 * msPerHour, 6 * msPerHour, 12 * msPerHour, 24 * msPerHour}
	step := steps[len(steps)-1]
	for _, s := range steps {
		if longestMS <= 8*s {
			step = s
			break
		}
	}
	for longestMS/8 > step {
		step *= 2
	}
	return float64(step) / (24 * msPerHour)
}
