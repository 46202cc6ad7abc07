package sheets

import "fmt"

// namedCell is a defined name with what it stands for.
type namedCell struct{ name, meaning string }

// guide writes the sheet that says how to use the others: where to begin, what the signs mean, and the names that formulas can use.
func (b *book) guide() error {
	sheet := b.say(guideSheet)
	if err := b.newSheet(sheet, pageFit{}); err != nil {
		return err
	}
	c := &coverWriter{book: b, sheet: sheet, row: 3}
	for _, w := range []struct {
		column string
		width  float64
	}{{"A", guideWidth}, {"B", labelWidth + valueWidth - guideWidth}} {
		if err := b.file.SetColWidth(sheet, w.column, w.column, w.width); err != nil {
			return err
		}
	}
	c.widths = [2]float64{guideWidth, labelWidth + valueWidth - guideWidth}
	if err := b.band(sheet, "A", "B", b.say(guideSheet)); err != nil {
		return err
	}
	for _, section := range guideTexts(b.workings != nil, len(b.document.Pictures) > 0) {
		c.section(b.say(section.title))
		for i, line := range section.lines {
			label := b.say(line.label)
			if label == "" {
				label = fmt.Sprint(i + 1)
			}
			c.line(label, b.say(line.text))
		}
	}
	c.section(b.say("Names for your own formulas"))
	for _, n := range b.named {
		c.line(n.name, n.meaning)
	}
	b.contents = append(b.contents, contentLine{sheet: sheet, title: b.say("Where to begin, what the signs mean, names for formulas"), detail: b.counted(len(b.named), "name")})
	return c.err
}

// guideWidth is the width of the first column, in which the longest names stand on one line.
const guideWidth = 44

type guideLine struct{ label, text string }

type guideSection struct {
	title string
	lines []guideLine
}

// guideTexts are the sheet's fixed texts. A line without a label is a step.
func guideTexts(explained, drawn bool) []guideSection {
	begin := []guideLine{
		{"", "Read the cover: the figures at a glance, then the findings. A serious finding wants a decision before the figures are used."},
		{"", "Open the tables in the order of their tabs. Filter a table by its headings; the totals below add up the lines that stay visible."},
	}
	if drawn {
		begin = append(begin, guideLine{"", "The sheet Charts draws the tables; what each chart shows stands below it."})
	}
	if explained {
		begin = append(begin, guideLine{"", "To check a line, follow the word how to the sheet Workings: every step is there as a formula, with the rule and its source."})
	}
	begin = append(begin, guideLine{"", "To trace a line to the record, look its positions up in the sheet Events, or ask the ledger for them."})
	return []guideSection{
		{"Where to begin", begin},
		{"What the signs mean", []guideLine{
			{"Serious", "Somebody must decide before the figures are used."},
			{"Warning", "A figure is weaker than it looks."},
			{"Note", "Worth knowing."},
			{"measured", "Read from an instrument."},
			{"derived", "Computed from measured figures."},
			{"assumed", "Rests on a typical value of the register."},
			{"Pale heading", "A column for looking up. It is not printed."},
			{"Ledger position", "The number of an event in the ledger. It never changes, and nothing is ever taken out."},
		}},
	}
}
