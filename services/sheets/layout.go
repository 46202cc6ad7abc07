package sheets

import (
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"spoilbook/reports"
)

// Widths are in the spreadsheet's unit, the width of a digit of the standard font; heights are in points.
const (
	measuredRows   = 200 // rows that column widths are measured from
	minColumn      = 6
	maxTextColumn  = 44  // a text is wrapped at this width, or wider where the page has room
	grownColumn    = 110 // how wide a text column grows where the page has room
	maxTokenColumn = 70  // a single word may ask for this much
	squeezedColumn = 14  // what a text column is narrowed to at most
	sheetWidth     = 212 // what a page takes at a legible scale: beyond it text columns are narrowed
	emptyColumn    = 14  // a text column that is empty in the rows measured may be filled in others
	asideColumn    = 60  // a column that is not printed is no wider
	padding        = 2.6 // the cell's own margins and the indent

	boldWidth = 1.08 // bold text beside plain

	lineHeight = 14.4
	rowPadding = 4
	filterRoom = 13  // below a heading, for the filter's button
	maxHeight  = 400 // a row can be 409 points high
)

// textWidth estimates the width of s on one line.
func textWidth(s string) float64 {
	w := 0.0
	for i := range len(s) {
		if s[i] >= utf8.RuneSelf {
			return wideTextWidth(s)
		}
		w += asciiWidth(s[i])
	}
	return w
}

func wideTextWidth(s string) float64 {
	w := 0.0
	for _, r := range s {
		switch {
		case r < utf8.RuneSelf:
			w += asciiWidth(byte(r))
		case r >= 0x1100:
			w += 2
		default:
			w += 1.15
		}
	}
	return w
}

// asciiWidth is the width of a printable ASCII character in digits, near to that of the common sans-serif faces, a little above so that
// estimates err towards room.
func asciiWidth(b byte) float64 {
	switch b {
	case ' ':
		return 0.5
	case 'c', 'k', 's', 'v', 'x', 'y', 'z':
		return 0.92
	case '!', '\'', '(', ')', ',', '-', '.', ':', ';', 'I', '[', ']', '`', 'i', 'j', 'l', '{', '|', '}',
		'"', '/', '\\', 'f', 'r', 't':
		return 0.65
	case 'A', 'B', 'D', 'E', 'G', 'H', 'K', 'N', 'O', 'P', 'Q', 'R', 'U', 'V', 'X', '#', '$', '&', '+', '<',
		'=', '>', '^', '~':
		return 1.25
	case 'M', 'W', '@', '%', 'm', 'w':
		return 1.6
	}
	return 1
}

// lineCount estimates how many lines s takes when wrapped at words within width; a longer word is broken.
func lineCount(s string, width float64) int {
	if strings.IndexByte(s, '\n') < 0 && textWidth(s) <= width {
		return 1
	}
	lines := 0
	for paragraph := range strings.SplitSeq(s, "\n") {
		lines++
		used := 0.0
		for word := range strings.SplitSeq(paragraph, " ") {
			w := textWidth(word)
			switch {
			case used > 0 && used+0.5+w <= width:
				used += 0.5 + w
				continue
			case used > 0:
				lines++
			}
			broken := int(math.Ceil(w/width)) - 1
			lines += max(broken, 0)
			used = w - float64(max(broken, 0))*width
		}
	}
	return lines
}

// heightOf returns the height of a row of so many lines.
func heightOf(lines int) float64 {
	return min(float64(max(lines, 1))*lineHeight+rowPadding, maxHeight)
}

// measure is what is known of a column's content before its width is set.
type measure struct {
	content float64 // the widest text on one line
	word    float64 // the widest word
}

func (m *measure) add(s string, text bool) {
	m.content = max(m.content, textWidth(s))
	if !text {
		return
	}
	for word := range strings.FieldsSeq(s) {
		m.word = max(m.word, textWidth(word))
	}
}

// columnWidths returns a width for each column so that content and headings fit and the printed columns, the first of them, are together as
// wide as a page can show.
func columnWidths(columns []column, measures []measure, printed int, backing bool) []float64 {
	widths, floors, wants := make([]float64, len(columns)), make([]float64, len(columns)), make([]float64, len(columns))
	for i := range columns {
		m := measures[i]
		head := min(headingWidth(columns[i].heading), maxTokenColumn)
		want := m.content
		switch {
		case columns[i].wraps():
			want = max(min(m.content, maxTextColumn), min(m.word, maxTokenColumn))
		case columns[i].Aside:
			want = min(m.content, asideColumn)
		}
		widths[i] = max(want, head, minColumn) + padding
		floors[i] = widths[i]
		if columns[i].wraps() {
			floors[i] = min(widths[i], max(squeezedColumn, min(m.word, maxTokenColumn), head)+padding)
		}
		wants[i] = widths[i]
		if columns[i].wraps() {
			wants[i] = max(widths[i], min(m.content, grownColumn)+padding)
		}
	}
	squeeze(widths[:printed], floors[:printed])
	grow(widths[:printed], wants[:printed], backing)
	for i := range widths {
		widths[i] = math.Ceil(widths[i]*10) / 10
	}
	return widths
}

// headingWidth is what a heading needs on three lines or four; its filter's button stands below it.
func headingWidth(heading string) float64 {
	longest := 0.0
	for word := range strings.FieldsSeq(heading) {
		longest = max(longest, textWidth(word))
	}
	return max(longest, textWidth(heading)/3) * boldWidth
}

// squeeze lowers the widest columns to one common width, none below its floor, until the sum fits the sheet.
func squeeze(widths, floors []float64) {
	sum := func(limit float64) float64 {
		total := 0.0
		for i := range widths {
			total += max(min(widths[i], limit), floors[i])
		}
		return total
	}
	limit := 0.0
	for _, w := range widths {
		limit = max(limit, w)
	}
	for limit > squeezedColumn && sum(limit) > sheetWidth {
		limit--
	}
	for i := range widths {
		widths[i] = max(min(widths[i], limit), floors[i])
	}
}

// grow widens the narrowest of the columns that want more, to one common width, while the page that they are printed on has room.
func grow(widths, wants []float64, backing bool) {
	room := roomOf(widths, backing)
	limit := float64(maxTextColumn)
	for i := range widths {
		if wants[i] > widths[i] {
			limit = min(limit, widths[i])
		}
	}
	next := slices.Clone(widths)
	for ; limit <= grownColumn+padding; limit++ {
		total := 0.0
		for i := range widths {
			next[i] = max(widths[i], min(wants[i], limit))
			total += next[i]
		}
		if total > room {
			return
		}
		copy(widths, next)
	}
}

// roomOf returns how wide the columns can be together on the page that they need anyway.
func roomOf(widths []float64, backing bool) float64 {
	total := 0.0
	for _, w := range widths {
		total += w
	}
	gaps := columnPoints * float64(len(widths))
	scale := usualScale
	if backing {
		scale = backingScale
	}
	if room := (portraitPoints*100/float64(scale) - gaps) / digitPoints; total <= room {
		return room
	}
	return (landscapePoints*100/float64(grownScale) - gaps) / digitPoints
}

// column is a column as a sheet shows it.
type column struct {
	reports.Column
	cell    int // index into a row's cells, or one of the columns of positions
	heading string
	width   float64
	format  string // number format, empty for text
	right   bool
	style   [toneNote + 1]int // body styles by tone
	total   int               // style in the totals row
	differs int
	head    int
}

// wraps reports whether the column holds text that may take several lines.
func (c *column) wraps() bool { return c.Kind == reports.Text && !c.Aside && c.cell >= 0 }

// pageFit is how a sheet is put on A4.
type pageFit struct {
	landscape bool
	scale     int // percent; 0 fits the width of one page
}

// What a sheet takes on paper, in points. A column is a little wider than its number of digits.
const (
	digitPoints     = 5.25
	columnPoints    = 3.75
	portraitPoints  = 530 // between the margins
	landscapePoints = 776

	usualScale   = 85 // percent: 11 points are printed as 9
	grownScale   = 76 // what a landscape page is filled at
	backingScale = 70
	uprightScale = 67 // what a page is fitted upright at, at least

	// surePart of a page is filled at a fixed scale; fuller pages are fitted, for programs differ in how wide a column is.
	surePart = 0.93
)

// fitOf chooses how columns are printed: upright where their width allows it at a legible size, because a list takes fewer pages so, and
// never larger than needed.
func fitOf(columns []column, backing bool) pageFit {
	width := 0.0
	for i := range columns {
		width += columns[i].width*digitPoints + columnPoints
	}
	scale := usualScale
	if backing {
		scale = backingScale
	}
	switch at := width * float64(scale) / 100; {
	case at <= portraitPoints*surePart:
		return pageFit{scale: scale}
	case portraitPoints/width*100 >= uprightScale:
		return pageFit{}
	case at <= landscapePoints*surePart:
		return pageFit{landscape: true, scale: scale}
	}
	return pageFit{landscape: true}
}
