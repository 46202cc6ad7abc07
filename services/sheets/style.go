package sheets

import (
	"fmt"
	"strings"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports"
)

// The colours of a workbook: slate for what frames, one ochre accent, and three tints that always stand beside their word.
const (
	slate     = "27414F" // title bands
	ink       = "1E2A32" // text
	quiet     = "55646E" // secondary text
	mist      = "E4EAED" // header and totals rows
	hairline  = "CDD6DB"
	paper     = "FFFFFF"
	ochre     = "C77B1E" // the line under a title band
	link      = "1F5F7A"
	alarmFill = "F7D9D3"
	alarmInk  = "7A1B10"
	warnFill  = "FBE9C6"
	warnInk   = "5F3D00"
	noteFill  = "E3ECF2"
	noteInk   = "24405C"
)

// seriesColours are the colours of a chart's series in order. Each has a contrast of at least 3 to 1 against the white ground. Any two are at
// least 20 apart in CIELAB, and neighbours 40, to full colour vision and under the simulations of its three deficiencies by Machado,
// Oliveira and Fernandes (2009).
func seriesColours() []string {
	return []string{"27414F", "C77B1E", "5C3380", "993A17", "8B7DB2", "663129", "5A7EE0", "B28D62", "101010", "54786C"}
}

const (
	fontName = "Calibri"
	fontSize = 11
)

// role says what a cell is for; its look follows from it.
type role int

const (
	roleTitle  role = iota // a title on the band
	roleBand               // the band where it has no text
	roleMeta               // small secondary text
	roleNote               // a note, wrapped
	roleHeader             // a column's heading
	roleBody
	roleTotal
	roleDiffers // a total of the report's own that the lines do not add up to
	roleSection // a heading on the cover
	roleLabel   // a label on the cover
	roleLink
	roleAside  // the heading of a column that is not printed
	roleFigure // a figure on the cover
	roleBlock  // the first row of an explanation
	roleBlockLink
	roleRowLink // a link in a row of a table
)

// headRole is the role of a column's heading.
func headRole(c *reports.Column) role {
	if c.Aside {
		return roleAside
	}
	return roleHeader
}

// tone tints a body cell by severity.
type tone int

const (
	tonePlain tone = iota
	toneSerious
	toneWarning
	toneNote
)

func toneOf(s reports.Severity) tone {
	switch s {
	case reports.Serious:
		return toneSerious
	case reports.Warning:
		return toneWarning
	case reports.Note:
		return toneNote
	}
	return tonePlain
}

// look is everything that tells two cell styles apart.
type look struct {
	role   role
	tone   tone
	format string // number format, empty for text
	right  bool
	top    bool // align to the top, on the cover
	flat   bool // text on one line
}

// styler makes each style of a workbook once.
type styler struct {
	f    *excelize.File
	made map[look]int
}

func newStyler(f *excelize.File) *styler { return &styler{f: f, made: map[look]int{}} }

// id returns the style of a look.
func (s *styler) id(l look) (int, error) {
	if id, ok := s.made[l]; ok {
		return id, nil
	}
	id, err := s.f.NewStyle(l.style())
	if err != nil {
		return 0, fmt.Errorf("cell style: %w", err)
	}
	s.made[l] = id
	return id, nil
}

func (l look) style() *excelize.Style {
	st := &excelize.Style{
		Font:      &excelize.Font{Family: fontName, Size: fontSize, Color: ink},
		Alignment: &excelize.Alignment{Vertical: "center", Horizontal: "left", Indent: 1},
	}
	if l.right {
		st.Alignment.Horizontal = "right"
	}
	if l.format != "" {
		st.CustomNumFmt = &l.format
	}
	switch l.role {
	case roleTitle, roleBand:
		st.Font.Color, st.Font.Size, st.Font.Bold = paper, 16, true
		st.Fill, st.Border = solid(slate), edges(ochre, 5, "bottom")
	case roleMeta:
		st.Font.Color, st.Font.Size = quiet, 10
	case roleNote:
		st.Alignment.WrapText, st.Alignment.Vertical = true, "top"
	case roleHeader, roleAside:
		st.Font.Bold, st.Font.Color = true, slate
		if l.role == roleAside {
			st.Font.Bold, st.Font.Color = false, quiet
		}
		st.Alignment.WrapText, st.Alignment.Vertical = true, "top" // the filter's button is at the foot
		st.Fill, st.Border = solid(mist), edges(slate, 2, "bottom")
	case roleBody:
		l.styleBody(st)
	case roleTotal:
		st.Font.Bold = true
		st.Fill, st.Border = solid(mist), edges(slate, 1, "top")
	case roleDiffers:
		st.Font.Bold, st.Font.Color = true, alarmInk
		st.Fill, st.Alignment.WrapText = solid(alarmFill), true
	case roleSection:
		st.Font.Bold, st.Font.Size, st.Font.Color = true, 13, slate
		st.Border = edges(hairline, 1, "bottom")
	case roleLabel:
		st.Font.Color, st.Alignment.Vertical, st.Alignment.WrapText = quiet, "top", true
	case roleFigure:
		st.Font.Bold, st.Alignment.Vertical, st.Alignment.WrapText = true, "top", true
	case roleLink:
		st.Font.Color, st.Font.Underline, st.Alignment.Vertical = link, "single", "top"
	case roleBlock, roleBlockLink:
		st.Font.Bold, st.Alignment.Vertical, st.Alignment.WrapText = true, "top", !l.flat
		st.Fill, st.Border = solid(mist), edges(slate, 1, "top")
		if l.role == roleBlockLink {
			st.Font.Bold, st.Font.Color, st.Font.Underline = false, link, "single"
		}
	case roleRowLink:
		st.Font.Color, st.Font.Underline, st.Border = link, "single", edges(hairline, 1, "bottom")
	}
	return st
}

func (l look) styleBody(st *excelize.Style) {
	st.Border = edges(hairline, 1, "bottom")
	st.Alignment.WrapText = l.format == "" && !l.flat
	if l.top {
		st.Alignment.Vertical = "top"
	}
	if l.tone != tonePlain {
		fill, text := l.tone.colours()
		st.Fill, st.Font.Color, st.Font.Bold = solid(fill), text, true
	}
}

func (t tone) colours() (fill, text string) {
	switch t {
	case toneSerious:
		return alarmFill, alarmInk
	case toneWarning:
		return warnFill, warnInk
	case toneNote:
		return noteFill, noteInk
	}
	return paper, ink
}

func solid(colour string) excelize.Fill {
	return excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{colour}}
}

func edges(colour string, style int, sides ...string) []excelize.Border {
	out := make([]excelize.Border, len(sides))
	for i, side := range sides {
		out[i] = excelize.Border{Type: side, Color: colour, Style: style}
	}
	return out
}

// Number formats of cells.
const (
	instantFormat  = "yyyy-mm-dd hh:mm"
	secondFormat   = "yyyy-mm-dd hh:mm:ss"
	dateFormat     = "yyyy-mm-dd"
	durationFormat = "[h]:mm"
	positionFormat = "0"
)

// formatOf returns the number format of a column, empty for text.
func formatOf(c *reports.Column) string {
	switch c.Kind {
	case reports.Number:
		if c.Decimals == 0 {
			return "#,##0"
		}
		return "#,##0." + strings.Repeat("0", c.Decimals)
	case reports.Instant:
		return instantFormat
	case reports.Date:
		return dateFormat
	case reports.Duration:
		return durationFormat
	}
	return ""
}
