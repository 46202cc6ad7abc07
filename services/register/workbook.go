package register

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/cells"
	"spoilbook/reports/fields"
)

// Headings of the columns that every register has.
const (
	keyHeading    = "Key"
	fromHeading   = "Holds from"
	authorHeading = "Author"
	noteHeading   = "Note"
)

// headingRow is the row in which the headings of a register's sheet stand.
const headingRow = 3

// Workbook returns revs as a workbook with one sheet for each register that they are of, named as the register is. Each revision is a row; the
// items of its lists go on in the rows below, which have no key. [Loader.Workbook] of it returns the same revisions, each sheet's by key and time.
func Workbook(revs []events.RegisterRevised) (*cells.Form, error) {
	form := &cells.Form{Title: "Register"}
	for _, reg := range events.Registers() {
		var list []events.RegisterRevised
		for _, rev := range revs {
			if rev.Document != nil && rev.Document.Register() == reg {
				list = append(list, rev)
			}
		}
		if len(list) == 0 {
			continue
		}
		sheet, err := registerSheet(reg, list)
		if err != nil {
			return nil, fmt.Errorf("register workbook: %s: %w", reg, err)
		}
		form.Sheets = append(form.Sheets, sheet)
	}
	form.Sheets = append(form.Sheets, cells.FormSheet{Name: "How to fill this in", Prose: true, Widths: []float64{100}, Rows: workbookGuide()})
	return form, nil
}

func workbookGuide() [][]cells.FormCell {
	rows := [][]cells.FormCell{{cells.Words(cells.Title, "How to fill this in")}}
	for _, text := range []string{
		"Each sheet is one register and each row with a key is an entry as it reads from a time on. To revise an entry from another time on, add a row with the same key and the new time; all of the entry stands in it.",
		"Holds from is a day (2026-11-01, its first instant in the time zone that is said when the workbook is handed in) or a time with its offset from UTC (2026-11-01T06:00:00+00:00).",
		"Lists, such as the axles of a truck or the rates of a rate card, have a column for each member, headed by the list's name. The first item stands in the entry's own row, the others in the rows below it, which have no key.",
		"Several words in one cell have commas between them. Units stand in the headings. Money keeps its decimals: 85.00.",
		"Entries that say what is recorded are not recorded again. All that is wrong is told at once, by cell, and nothing is recorded until all is right.",
	} {
		rows = append(rows, []cells.FormCell{cells.Words(cells.Note, text)})
	}
	return rows
}

// columnOf is a column of a register's sheet: a field of the entry, or of the items of a list.
type columnOf struct {
	heading string
	field   *fields.Field
	group   *fields.Group // nil for a field of the entry
}

// path returns where the column's value of the n-th item goes.
func (c *columnOf) path(n int) string {
	if c.group == nil {
		return c.field.Path
	}
	return fields.ItemPath(c.group.Path, n, c.field.Path)
}

// columnsOf returns the columns of a register's sheet, behind those that every register has.
func columnsOf(s *fields.Schema) []columnOf {
	var list []columnOf
	heading := func(f *fields.Field, before string) string {
		if f.Unit != "" {
			return before + f.Label + " (" + f.Unit + ")"
		}
		return before + f.Label
	}
	for i := range s.Fields {
		list = append(list, columnOf{heading: heading(&s.Fields[i], ""), field: &s.Fields[i]})
	}
	for i := range s.Groups {
		g := &s.Groups[i]
		for k := range g.Fields {
			list = append(list, columnOf{heading: heading(&g.Fields[k], g.Label+": "), field: &g.Fields[k], group: g})
		}
	}
	return list
}

func registerSheet(reg events.Register, list []events.RegisterRevised) (cells.FormSheet, error) {
	schema := fields.Of(reg)
	columns := columnsOf(&schema)
	sheet := cells.FormSheet{Name: string(reg), Freeze: headingRow, Landscape: true, Widths: []float64{14, 30, 18, 24}}
	sheet.Rows = append(sheet.Rows, []cells.FormCell{cells.Words(cells.Title, "Register: "+strings.ReplaceAll(string(reg), "-", " "))}, nil)
	heads := []cells.FormCell{}
	for _, h := range []string{keyHeading, fromHeading, authorHeading, noteHeading} {
		heads = append(heads, cells.Words(cells.Heading, h))
	}
	for i := range columns {
		sheet.Widths = append(sheet.Widths, 18)
		heads = append(heads, cells.Words(cells.Heading, columns[i].heading))
	}
	sheet.Rows = append(sheet.Rows, heads)
	slices.SortStableFunc(list, func(a, b events.RegisterRevised) int {
		if a.Key != b.Key {
			return strings.Compare(a.Key, b.Key)
		}
		return int(min(max(a.EffectiveFrom.UnixMS-b.EffectiveFrom.UnixMS, -1), 1))
	})
	for _, rev := range list {
		values, err := schema.Values(rev.Document)
		if err != nil {
			return sheet, err
		}
		rows := 1
		for i := range schema.Groups {
			rows = max(rows, schema.Groups[i].Items(values))
		}
		for n := range rows {
			row := make([]cells.FormCell, 4, 4+len(columns))
			if n == 0 {
				row[0], row[1] = cells.Words(cells.Fill, rev.Key), cells.Words(cells.Fill, rev.EffectiveFrom.String())
				row[2], row[3] = cells.Words(cells.Fill, rev.Author), cells.Words(cells.Fill, rev.Note)
			}
			for i := range columns {
				row = append(row, columns[i].cell(n, values))
			}
			sheet.Rows = append(sheet.Rows, row)
		}
	}
	return sheet, nil
}

// cell is what stands in a column for the n-th row of an entry.
func (c *columnOf) cell(n int, values map[string]string) cells.FormCell {
	text := values[c.path(n)]
	switch {
	case c.group == nil && n > 0, text == "":
		return cells.FormCell{Look: cells.Fill}
	case c.field.Kind == fields.Whole:
		return cells.FormCell{Look: cells.FillNumber, Cell: cells.Cell{Kind: cells.Number, Text: text}}
	}
	return cells.Words(cells.Fill, text)
}

// Workbook returns the revisions that stand in a workbook, by sheet and row. Days are of zone. What is wrong is a [*cells.Problems] with all
// of it, and then nothing is returned.
func (l Loader) Workbook(wb *cells.Workbook, author string, zone *time.Location) ([]events.RegisterRevised, error) {
	r := &workbookReading{reading: reading{loader: l, problems: &Problems{}}, told: &cells.Problems{}, author: author, zone: zone}
	sheets := 0
	for i := range wb.Sheets {
		s := &wb.Sheets[i]
		if events.NewDocument(events.Register(s.Name)) != nil {
			sheets++
			r.sheet(s, events.Register(s.Name))
		}
	}
	if sheets == 0 {
		r.told.Add(cells.Problem{Sheet: "(all)", Found: "no sheet that is named as a register is", Allowed: registersAllowed()})
	}
	if r.told.Err() == nil && len(r.items) == 0 {
		r.told.Add(cells.Problem{Sheet: "(all)", Found: "no entry", Allowed: "rows with a key, below the headings"})
	}
	r.broken = r.told.Err() != nil
	r.checkSet()
	for _, p := range r.problems.List { // the place that items give says the sheet and the cell
		r.told.Add(cells.Problem{Sheet: p.File, Cell: p.Entry, Column: p.Field, Found: p.Found, Allowed: p.Allowed})
	}
	if err := r.told.Err(); err != nil {
		return nil, err
	}
	revs := make([]events.RegisterRevised, len(r.items))
	for i, it := range r.items {
		revs[i] = it.revision
	}
	return revs, nil
}

type workbookReading struct {
	reading
	told   *cells.Problems
	author string
	zone   *time.Location
}

// registerRows are the rows of one entry.
type registerRows struct {
	*workbookReading
	sheet   *cells.Sheet
	schema  *fields.Schema
	columns []columnOf
	at      map[string]int // columns by heading
	row     int            // of the key
}

func (r *workbookReading) sheet(s *cells.Sheet, reg events.Register) {
	if len(s.Merged) > 0 {
		r.told.Add(cells.Problem{Sheet: s.Name, Cell: s.Merged[0].String(), Found: "merged cells", Allowed: "each cell on its own; undo the merging"})
		return
	}
	schema := fields.Of(reg)
	rows := &registerRows{workbookReading: r, sheet: s, schema: &schema, columns: columnsOf(&schema), at: map[string]int{}}
	if !rows.headings() {
		return
	}
	for row := headingRow + 1; row <= len(s.Rows); {
		if s.At(row, rows.at[keyHeading]).Blank() {
			rows.empty(row)
			row++
			continue
		}
		last := row
		for last+1 <= len(s.Rows) && s.At(last+1, rows.at[keyHeading]).Blank() && rows.goesOn(last+1) {
			last++
		}
		rows.row = row
		rows.entry(last)
		row = last + 1
	}
}

// headings finds the columns; all have to be there, and no others.
func (r *registerRows) headings() bool {
	ok := true
	want := map[string]bool{keyHeading: true, fromHeading: true, authorHeading: true, noteHeading: true}
	for i := range r.columns {
		want[r.columns[i].heading] = true
	}
	if len(r.sheet.Rows) >= headingRow {
		for column := 1; column <= len(r.sheet.Rows[headingRow-1]); column++ {
			text := r.sheet.At(headingRow, column).Says()
			switch {
			case text == "":
			case !want[text] || r.at[text] != 0:
				r.fail(headingRow, column, "", fmt.Sprintf("the heading %.60q", text), "the headings of the workbook as it was made, each once")
				ok = false
			default:
				r.at[text] = column
			}
		}
	}
	for i := range r.columns {
		if h := r.columns[i].heading; r.at[h] == 0 {
			r.fail(headingRow, 1, h, "no such heading", "the headings of the workbook as it was made, in row "+strconv.Itoa(headingRow))
			ok = false
		}
	}
	if r.at[keyHeading] == 0 || r.at[fromHeading] == 0 {
		r.fail(headingRow, 1, "", "no heading Key or Holds from", "both")
		ok = false
	}
	return ok
}

func (r *registerRows) fail(row, column int, heading, found, allowed string) {
	ref := ""
	if column > 0 {
		ref = cells.Ref(row, column)
	}
	r.told.Add(cells.Problem{Sheet: r.sheet.Name, Cell: ref, Column: heading, Found: found, Allowed: allowed})
}

// goesOn reports whether a row without a key holds items of the entry above.
func (r *registerRows) goesOn(row int) bool {
	return slices.ContainsFunc(r.columns, func(c columnOf) bool { return c.group != nil && !r.sheet.At(row, r.at[c.heading]).Blank() })
}

// empty asks that a row without a key holds nothing that would be lost.
func (r *registerRows) empty(row int) {
	for column := 1; column <= len(r.sheet.Rows[row-1]); column++ {
		if c := r.sheet.At(row, column); !c.Blank() {
			r.fail(row, column, "", c.Shown(), "a key in column A of this row, or an entry above that the row belongs to")
			return
		}
	}
}

// entry reads the rows of an entry up to the last.
func (r *registerRows) entry(last int) {
	rev := events.RegisterRevised{Author: r.author}
	before := len(r.told.List) + r.told.More
	rev.Key, rev.Note = r.text(r.row, keyHeading), r.text(r.row, noteHeading)
	if author := r.text(r.row, authorHeading); author != "" {
		rev.Author = author
	}
	at, problem := r.effective(r.sheet.At(r.row, r.at[fromHeading]))
	if problem != "" {
		r.fail(r.row, r.at[fromHeading], fromHeading, r.sheet.At(r.row, r.at[fromHeading]).Shown(), problem)
	}
	rev.EffectiveFrom = at
	values := map[string]string{}
	for row := r.row; row <= last; row++ {
		for i := range r.columns {
			c := &r.columns[i]
			text := r.value(row, c)
			if text == "" {
				continue
			}
			if c.group == nil && row > r.row {
				r.fail(row, r.at[c.heading], c.heading, strconv.Quote(text), "nothing in a row without a key but items of lists")
				continue
			}
			values[c.path(row-r.row)] = text
		}
	}
	if len(r.told.List)+r.told.More > before {
		return
	}
	d, wrong := r.schema.Document(values)
	rev.Document = d
	if wrong == nil {
		c := &events.Check{}
		rev.Check(c)
		if err := c.Err(); err != nil {
			wrong = err.(*events.ValidationError).Fields
		}
	}
	for _, f := range wrong {
		p := r.place(f.Field)
		r.told.Add(cells.Problem{Sheet: p.File, Cell: p.Entry, Column: p.Field, Found: f.Found, Allowed: f.Allowed})
	}
	if wrong == nil && len(r.items) < MaxEntries {
		at := *r
		r.items = append(r.items, item{rev, at.place})
	}
}

// place says where a field stands: as the file the sheet, as the entry the cell, and as the field its heading.
func (r *registerRows) place(field string) Problem {
	field = strings.TrimPrefix(field, "document.")
	heads := map[string]string{"key": keyHeading, "effectiveFrom": fromHeading, "author": authorHeading, "note": noteHeading}
	if h, ok := heads[field]; ok {
		return Problem{File: r.sheet.Name, Entry: cells.Ref(r.row, max(r.at[h], 1)), Field: h}
	}
	for i := range r.columns {
		c := &r.columns[i]
		if c.group == nil && c.field.Path == field {
			return Problem{File: r.sheet.Name, Entry: cells.Ref(r.row, r.at[c.heading]), Field: c.heading}
		}
		if c.group == nil {
			continue
		}
		if rest, ok := strings.CutPrefix(field, c.group.Path+"."); ok {
			number, member, _ := strings.Cut(rest, ".")
			member, _, _ = strings.Cut(member, ".")
			if n, err := strconv.Atoi(number); err == nil && (member == c.field.Path || member == "") {
				return Problem{File: r.sheet.Name, Entry: cells.Ref(r.row+n, r.at[c.heading]), Field: c.heading}
			}
		}
	}
	return Problem{File: r.sheet.Name, Entry: cells.Ref(r.row, r.at[keyHeading]), Field: field}
}

// text reads a cell under one of the headings that every register has.
func (r *registerRows) text(row int, heading string) string {
	if r.at[heading] == 0 {
		return ""
	}
	return r.plain(row, r.at[heading], heading)
}

func (r *registerRows) plain(row, column int, heading string) string {
	c := r.sheet.At(row, column)
	switch c.Kind {
	case cells.Text:
		return c.Says()
	case cells.Number:
		return c.Text
	case cells.Empty:
		return ""
	case cells.Truth:
		return map[string]string{"true": "yes", "false": "no"}[c.Text]
	}
	r.fail(row, column, heading, c.Shown(), "the value itself, as text; copy the cell and paste it as a value")
	return ""
}

// value reads the cell of a column, as the field is filled in.
func (r *registerRows) value(row int, c *columnOf) string {
	column := r.at[c.heading]
	found := r.sheet.At(row, column)
	if found.Kind != cells.Moment {
		return r.plain(row, column, c.heading)
	}
	v, err := strconv.ParseFloat(found.Text, 64)
	switch {
	case err == nil && c.field.Kind == fields.Date && v >= 1:
		return dayZero.AddDate(0, 0, int(v)).Format(time.DateOnly)
	case err == nil && v < 1 && c.field.Kind == fields.Text:
		minutes := int(v*1440 + 0.5)
		return fmt.Sprintf("%02d:%02d", minutes/60, minutes%60)
	}
	return r.plain(row, column, c.heading)
}

// dayZero is the day that spreadsheets count days from.
var dayZero = time.Date(1899, 12, 30, 0, 0, 0, 0, time.UTC)

// effective reads the time from which an entry holds.
func (r *registerRows) effective(c cells.Cell) (events.Time, string) {
	const allowed = "a day such as 2026-11-01, or a time such as 2026-11-01T06:00:00+00:00"
	text := c.Says()
	if v, err := strconv.ParseFloat(c.Text, 64); c.Kind == cells.Moment && err == nil && v > 36525 && v < 73051 && v == float64(int(v)) {
		text = dayZero.AddDate(0, 0, int(v)).Format(time.DateOnly)
	}
	if day, err := time.Parse(time.DateOnly, text); err == nil {
		y, m, d := day.Date()
		return events.TimeOf(reports.StartOfDay(y, m, d, r.zone)), ""
	}
	at, err := events.ParseTime(text)
	if err != nil {
		return at, allowed
	}
	return at, ""
}
