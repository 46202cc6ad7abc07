package paper

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
	"spoilbook/reports/register"
)

// Prefill is what already stands at the head of a form.
type Prefill struct {
	Truck    events.TruckID
	Date     string // "2026-10-05", empty to be filled in
	Operator events.OperatorID
	Job      events.JobID
	Zone     string // IANA name
}

// head fields of a form, each with its label and the cell to its right.
type headField struct {
	label    string
	look     cells.Look
	register events.Register
}

func dayHead() [][]headField {
	return [][]headField{
		{{"Truck", cells.Fill, events.TruckRegister}, {"Date", cells.FillDate, ""}, {"Sheet no.", cells.FillNumber, ""}, {"Time zone", cells.Fill, ""}},
		{{"Driver", cells.Fill, events.OperatorRegister}, {"Crew 1", cells.Fill, events.OperatorRegister}, {"Crew 2", cells.Fill, events.OperatorRegister}, {"Crew 3", cells.Fill, events.OperatorRegister}},
		{{"Shift from", cells.FillTime, ""}, {"Shift to", cells.FillTime, ""}, {"Job where a line has none", cells.Fill, events.JobRegister}},
	}
}

func docketHead() [][]headField { return [][]headField{{{"Time zone", cells.Fill, ""}}} }

// entryText is how an entry of a register is offered: its key, and its name to know it by.
func entryText(b *register.Book, r events.Register, key string, at events.Time) string {
	rev, ok := b.At(r, key, at)
	if !ok {
		return key
	}
	label := ""
	switch d := rev.Document.(type) {
	case events.Truck:
		label = d.Name
	case events.Job:
		label = d.Name
	case events.Operator:
		label = d.Name
	case events.Material:
		label = d.Description
	case events.Facility:
		label = d.Name
	case events.WaterSource:
		label = d.Name
	case events.Outfall:
		label = d.Name
	}
	if label == "" {
		return key
	}
	if runes := []rune(label); len(runes) > 60 {
		label = string(runes[:60]) + "…"
	}
	return key + separator + label
}

// separator stands between the key of an entry and its name.
const separator = " · "

// Day returns the form of a day sheet, with lists of what the register has at a time.
func Day(b *register.Book, at events.Time, p Prefill) *cells.Form {
	m := formMaker{book: b, at: at, prefill: p, form: &cells.Form{Title: "Day sheet of a truck"}}
	m.sheet(dayTitle, "Kept by hand for one truck and one shift; entered in the office. Times as hh:mm.", dayHead(), daySections())
	m.guide(dayGuide())
	return m.form
}

// Dockets returns the form of dockets and meter readings.
func Dockets(b *register.Book, at events.Time, p Prefill) *cells.Form {
	m := formMaker{book: b, at: at, prefill: p, form: &cells.Form{Title: "Dockets and meter readings"}}
	m.sheet(docketsTitle, "Weighbridge dockets as they come in, and what water meters showed.", docketHead(), docketSections())
	m.guide(docketGuide())
	return m.form
}

type formMaker struct {
	book    *register.Book
	at      events.Time
	prefill Prefill
	form    *cells.Form
	listed  map[string]bool
}

// list adds a list to the form once and returns its name.
func (m *formMaker) list(c *column) string {
	name := c.list()
	if name == "" || m.listed[name] {
		return name
	}
	var items []string
	switch {
	case c.register != "":
		for _, key := range m.book.Keys(c.register) {
			if _, ok := m.book.At(c.register, key, m.at); ok {
				items = append(items, entryText(m.book, c.register, key, m.at))
			}
		}
	case c.kind == yesOrNo:
		items = []string{"yes", "no"}
	default:
		items = c.choices
	}
	if m.listed == nil {
		m.listed = map[string]bool{}
	}
	m.listed[name] = true
	m.form.Lists = append(m.form.Lists, cells.List{Name: name, Items: items})
	return name
}

// sheet makes the sheet that is filled in: its head, then the sections one below the other.
func (m *formMaker) sheet(title, about string, head [][]headField, sections []section) {
	s := cells.FormSheet{Name: title, Landscape: true, Widths: []float64{13}}
	for range 11 {
		s.Widths = append(s.Widths, 15)
	}
	s.Rows = append(s.Rows, []cells.FormCell{cells.Words(cells.Title, title)}, []cells.FormCell{cells.Words(cells.Note, "")})
	s.Rows[1][0] = cells.Words(cells.Plain, about)
	for _, fields := range head {
		row := []cells.FormCell{}
		for _, f := range fields {
			if f.register != "" {
				s.Choices = append(s.Choices, cells.Choice{Range: cellRange(len(s.Rows)+1, len(row)+2), List: m.list(&column{register: f.register})})
			}
			row = append(row, cells.Words(cells.Label, f.label), m.headCell(f), cells.FormCell{})
		}
		s.Rows = append(s.Rows, row[:len(row)-1])
	}
	s.Freeze = len(s.Rows)
	for i := range sections {
		m.section(&s, &sections[i])
	}
	m.form.Sheets = append(m.form.Sheets, s)
}

func cellRange(row, column int) cells.Range {
	return cells.Range{FirstRow: row, FirstColumn: column, LastRow: row, LastColumn: column}
}

func (m *formMaker) headCell(f headField) cells.FormCell {
	cell := cells.FormCell{Look: f.look}
	entry := func(r events.Register, key string) {
		if key != "" {
			cell = cells.Words(f.look, entryText(m.book, r, key, m.at))
		}
	}
	switch f.label {
	case "Truck":
		entry(f.register, string(m.prefill.Truck))
	case "Driver":
		entry(f.register, string(m.prefill.Operator))
	case "Job where a line has none":
		entry(f.register, string(m.prefill.Job))
	case "Time zone":
		cell = cells.Words(f.look, m.prefill.Zone)
	case "Sheet no.":
		cell.Cell = cells.Cell{Kind: cells.Number, Text: "1"}
	case "Date":
		if t, err := time.Parse(time.DateOnly, m.prefill.Date); err == nil {
			cell.Cell = cells.Cell{Kind: cells.Moment, Text: strconv.Itoa(int(t.Sub(dayZero).Hours() / 24))}
		}
	}
	return cell
}

// dayZero is the day that spreadsheets count days from.
var dayZero = time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)

func (m *formMaker) section(s *cells.FormSheet, sec *section) {
	s.Rows = append(s.Rows, []cells.FormCell{}, []cells.FormCell{cells.Words(cells.Section, sec.title), {}, {}, cells.Words(cells.Plain, sec.note)})
	heads, example := []cells.FormCell{cells.Words(cells.Heading, numberHeading)}, []cells.FormCell{cells.Words(cells.Example, exampleMark)}
	first, last := len(s.Rows)+3, len(s.Rows)+2+sec.lines
	for i := range sec.columns {
		c := &sec.columns[i]
		heads = append(heads, cells.Words(cells.Heading, c.heading))
		text := c.example
		if c.register != "" {
			if keys := m.book.Keys(c.register); text == "" && len(keys) > 0 {
				text = keys[0]
			}
		}
		example = append(example, cells.Words(cells.Example, text))
		if name := m.list(c); name != "" {
			s.Choices = append(s.Choices, cells.Choice{Range: cells.Range{FirstRow: first, FirstColumn: i + 2, LastRow: last, LastColumn: i + 2}, List: name})
		}
	}
	s.Rows = append(s.Rows, heads, example)
	for n := range sec.lines {
		row := []cells.FormCell{cells.Words(cells.Code, fmt.Sprintf("%s%d", sec.letter, n+1))}
		for _, c := range sec.columns {
			row = append(row, cells.FormCell{Look: c.look()})
		}
		s.Rows = append(s.Rows, row)
	}
}

func (c *column) look() cells.Look {
	switch c.kind {
	case clock:
		return cells.FillTime
	case day:
		return cells.FillDate
	case litres, cubic, kilos, number, percent:
		return cells.FillNumber
	}
	return cells.Fill
}

// What stands in the first column of a heading and of the example.
const (
	numberHeading = "No."
	exampleMark   = "e.g."
)

func (m *formMaker) guide(lines []string) {
	s := cells.FormSheet{Name: guideSheet, Widths: []float64{100}, Prose: true}
	for i, text := range lines {
		look := cells.Note
		switch {
		case i == 0:
			look = cells.Title
		case strings.HasPrefix(text, "# "):
			look, text = cells.Section, text[2:]
		case strings.HasPrefix(text, "! "):
			look, text = cells.Caution, text[2:]
		}
		s.Rows = append(s.Rows, []cells.FormCell{cells.Words(look, text)})
	}
	m.form.Sheets = append(m.form.Sheets, s)
}

func generalGuide() []string {
	return []string{
		"# Cells",
		"Times: 8:10 or 08:10, as the clock on the wall shows them. In the night when clocks go back, an hour comes twice: write 01:30+01:00 for the first and 01:30+00:00 for the second (the offset from UTC).",
		"Dates: 2026-10-05 or 5.10.2026. Dates such as 05/10/2026 are refused where it is not clear which number is the month.",
		"Numbers: the number alone, 2.4 or 2,4; the unit stands in the heading. 1,234 is refused, because it may mean two things.",
		"Names: choose from the list. The name's key, before the dot, is enough. Names must be in the register on that day.",
		"Values only: no formulas, no merged cells, no macros.",
		"# Lines",
		"The line marked e.g. is an example and is never read. Lines left blank are not read. If lines run out, go on below with the next number, such as L13.",
		"A line keeps its number. Reading the same sheet again changes nothing. A line that says something else than before corrects the entry; you are asked why. A line that was struck out stays recorded until the entry is voided.",
		"All that is wrong is told at once, by cell, and nothing is recorded until all is right.",
	}
}

func dayGuide() []string {
	return append([]string{"How to fill this in",
		"One sheet for one truck and one shift. Print it and fill it in by pen, or type into it; the office enters what is on paper into the same cells. Several sheets can stand in one workbook: copy the sheet “Day sheet” as a whole.",
		"# Head",
		"Truck and date are needed. The date is the day on which the shift began. A second sheet of the same truck and day has the sheet no. 2. The time zone is that of the times.",
		"# What is asked",
		"Loads: the tank's gauge gives slurry in m³. Where nobody read a gauge, say “assumed” under Basis. Material is the job's where it is left blank.",
		"Decants: the outfall, and what was measured. Where clear water ran, leave pH, turbidity and suspended solids blank.",
		"Tips: “Whole tank: yes”, or one of volume, mass and share. Arrived and left are at the facility's gate.",
		"Hours: when the truck was on site, stood by (with the cause), or rested. Loading, decanting, tipping and refilling count from their own lines.",
		"! Emergency stops: a record, not a safety function. Where work can hurt someone, the manufacturer's instructions, local rules and licensed people come first."},
		generalGuide()...)
}

func docketGuide() []string {
	return append([]string{"How to fill this in",
		"Weighbridge dockets: when the load was weighed, the truck, the facility and the docket's number, with net, or with gross and tare. The tip must be recorded already: enter the day sheet first. Where a truck tipped twice at the facility about that time, say under “Tip began at” which tip is meant.",
		"A docket is known by its facility and number: it is recorded once, however often and wherever it is entered.",
		"Meter readings: one line for each reading of a water source's meter. Meters changed: the last reading of the old meter and the first of the new one."},
		generalGuide()...)
}
