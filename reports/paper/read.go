package paper

import (
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
	"spoilbook/reports/register"
)

// Tip is a tip that dockets can belong to, as it stands in the ledger.
type Tip struct {
	Ref        events.Ref
	Truck      events.TruckID
	Facility   events.FacilityID
	Start, End events.Time
}

// Options are what a reading rests on beside the workbook.
type Options struct {
	Book  *register.Book
	Zones func(string) (*time.Location, error)
	Zone  string // where a sheet names none
	Tips  []Tip
}

// Line is an event that stands on a sheet, and where. The event has no number yet: who records it counts.
type Line struct {
	Sheet, Cell string // of the line's number, or of what was filled in at the head
	Label       string // "L3", "Shift from"
	Event       events.Event
}

// MaxLines is how many lines one workbook can have.
const MaxLines = 2_000

// Read returns the events on all sheets of a workbook that were made as forms, in the order of sheets and lines. What is wrong is a
// [*cells.Problems] with all of it. A workbook without such a sheet, and one in which nothing is filled in, is wrong.
func Read(wb *cells.Workbook, o Options) ([]Line, error) {
	r := &reading{Options: o, problems: &cells.Problems{}, seen: map[events.Ref]Line{}}
	forms := 0
	for i := range wb.Sheets {
		s := &wb.Sheets[i]
		switch strings.ToLower(s.At(1, 1).Says()) {
		case strings.ToLower(dayTitle):
			forms++
			r.form(s, daySections(), true)
		case strings.ToLower(docketsTitle):
			forms++
			r.form(s, docketSections(), false)
		}
	}
	switch {
	case forms == 0:
		r.problems.Add(cells.Problem{Sheet: "(all)", Cell: "A1", Found: "no sheet that is a form", Allowed: fmt.Sprintf("%q or %q in cell A1; take the form that this program makes", dayTitle, docketsTitle)})
	case len(r.lines) == 0 && len(r.problems.List) == 0:
		r.problems.Add(cells.Problem{Sheet: "(all)", Found: "nothing that is filled in", Allowed: "lines with a number, filled in; the line marked e.g. is not read"})
	}
	if err := r.problems.Err(); err != nil {
		return nil, err
	}
	return r.lines, nil
}

// reading gathers the lines and what is wrong with them.
type reading struct {
	Options
	problems *cells.Problems
	lines    []Line
	seen     map[events.Ref]Line
}

// sheet is a form that is being read.
type sheet struct {
	*reading
	cells    *cells.Sheet
	zone     *time.Location
	date     time.Time // of the day, at UTC midnight; zero where the form has none
	number   int
	truck    events.TruckID
	driver   events.OperatorID
	crew     []events.OperatorID
	job      events.JobID
	from, to int // of the shift in minutes, -1 where it is not said
	fromRef  string
	toRef    string
}

func (s *sheet) fail(ref, heading, found, allowed string) {
	s.problems.Add(cells.Problem{Sheet: s.cells.Name, Cell: ref, Column: heading, Found: found, Allowed: allowed})
}

// form reads one sheet.
func (r *reading) form(c *cells.Sheet, sections []section, ofDay bool) {
	s := &sheet{reading: r, cells: c, number: 1, from: -1, to: -1}
	body := s.firstHeading()
	if !s.head(body, ofDay) {
		return
	}
	if ofDay {
		s.shift()
	}
	s.body(body, sections)
}

// firstHeading returns the row in which the first section's headings stand; before it is the head.
func (s *sheet) firstHeading() int {
	for row := 1; row <= len(s.cells.Rows); row++ {
		if s.cells.At(row, 1).Says() == numberHeading {
			return row
		}
	}
	return len(s.cells.Rows) + 1
}

// find returns the cell to the right of a label in the head.
func (s *sheet) find(label string, before int) (row, column int, ok bool) {
	for row = 1; row < before; row++ {
		for column = range len(s.cells.Rows[row-1]) {
			if strings.EqualFold(s.cells.At(row, column+1).Says(), label) {
				return row, column + 2, true
			}
		}
	}
	return 0, 0, false
}

// head reads what stands above the lines; it reports whether the lines can be read at all.
func (s *sheet) head(body int, ofDay bool) bool {
	ok := s.headZone(body)
	if !ofDay {
		return ok
	}
	l := func(label string) *line {
		row, column, found := s.find(label, body)
		if !found {
			s.fail("", label, "no field of that name at the head", "the form as it was made, with "+label+" and a cell to its right")
		}
		return &line{sheet: s, row: row, label: label, at: map[string]int{label: column}, found: found}
	}
	if cell, ref, ok := l("Date").cell("Date"); ok {
		date, problem := dateOf(cell)
		if problem != "" {
			s.fail(ref, "Date", cell.Shown(), problem)
		}
		s.date = date
	}
	ok = ok && !s.date.IsZero()
	if !ok {
		return false
	}
	noon := events.TimeOf(s.date.Add(12 * time.Hour))
	truck := l("Truck")
	s.truck = events.TruckID(truck.name("Truck", events.TruckRegister, noon, true))
	s.driver = events.OperatorID(l("Driver").name("Driver", events.OperatorRegister, noon, false))
	for _, label := range []string{"Crew 1", "Crew 2", "Crew 3"} {
		if name := l(label).name(label, events.OperatorRegister, noon, false); name != "" {
			s.crew = append(s.crew, events.OperatorID(name))
		}
	}
	s.job = events.JobID(l("Job where a line has none").name("Job where a line has none", events.JobRegister, noon, false))
	s.headNumbers(l)
	return ok && s.truck != ""
}

func (s *sheet) headNumbers(l func(string) *line) {
	if row, column, found := s.find("Sheet no.", len(s.cells.Rows)+1); found && !s.cells.At(row, column).Blank() {
		c := s.cells.At(row, column)
		n, err := strconv.Atoi(strings.TrimSpace(c.Text))
		if err != nil || n < 1 || n > 99 {
			s.fail(cells.Ref(row, column), "Sheet no.", c.Shown(), "a whole number from 1 to 99")
		}
		s.number = n
	}
	from, to := l("Shift from"), l("Shift to")
	s.from, s.fromRef = from.minutes("Shift from")
	s.to, s.toRef = to.minutes("Shift to")
}

func (s *sheet) headZone(body int) bool {
	name := s.Zone
	row, column, found := s.find("Time zone", body)
	ref := ""
	if found {
		ref = cells.Ref(row, column)
		if c := s.cells.At(row, column); !c.Blank() {
			name = c.Says()
		}
	}
	zone, err := s.Zones(name)
	if err != nil || name == "" || strings.EqualFold(name, "local") {
		s.fail(ref, "Time zone", fmt.Sprintf("%.40q", name), "an IANA time zone such as Europe/Dublin")
		return false
	}
	s.zone = zone
	return true
}

// shift records when the shift began and ended, as the head says.
func (s *sheet) shift() {
	add := func(minutes int, ref, label, part string, body events.Body) {
		if minutes < 0 {
			return
		}
		l := &line{sheet: s, label: label, ref: ref}
		days := 0
		if part == "to" && s.from >= 0 && s.to <= s.from {
			days = 1
		}
		if at, ok := l.moment(s.date.AddDate(0, 0, days), minutes, ref, label); ok {
			l.add("shift-"+part, at, "", body)
		}
	}
	add(s.from, s.fromRef, "Shift from", "from", events.ShiftStarted{Crew: s.crew})
	add(s.to, s.toRef, "Shift to", "to", events.ShiftEnded{})
}

var lineNumber = regexp.MustCompile(`^([A-Z])([1-9][0-9]{0,2})$`)

// body reads the lines below the head.
func (s *sheet) body(first int, sections []section) {
	var headings map[string]int // of the section read last
	var of *section
	for row := first; row <= len(s.cells.Rows); row++ {
		code := s.cells.At(row, 1).Says()
		m := lineNumber.FindStringSubmatch(strings.ToUpper(code))
		switch {
		case code == numberHeading:
			headings, of = s.headings(row), nil
		case m != nil:
			sec := sectionOf(sections, m[1])
			if sec == nil {
				s.stray(sections, row, code)
				continue
			}
			if sec != of && !s.fits(row, sec, headings) {
				return
			}
			of = sec
			s.line(row, m[1]+m[2], sec, headings)
		case code != exampleMark:
			s.stray(sections, row, code)
		}
		if len(s.lines) > MaxLines {
			s.fail(cells.Ref(row, 1), "", "more lines", fmt.Sprintf("at most %d in one workbook", MaxLines))
			return
		}
	}
}

func (s *sheet) headings(row int) map[string]int {
	at := map[string]int{}
	for column := 2; column <= len(s.cells.Rows[row-1]); column++ {
		if text := s.cells.At(row, column).Says(); text != "" {
			at[text] = column
		}
	}
	return at
}

// fits asks that the headings above a section's first line are those of the section.
func (s *sheet) fits(row int, sec *section, headings map[string]int) bool {
	ok := true
	for _, c := range sec.columns {
		if headings[c.heading] == 0 {
			s.fail(cells.Ref(row, 1), c.heading, "no such heading above the lines of "+sec.title, "the form as it was made")
			ok = false
		}
	}
	return ok
}

// stray tells of what was written where nothing is read, so that nobody believes it was. Titles of sections, with what the form has beside
// them, are no entries.
func (s *sheet) stray(sections []section, row int, code string) {
	if slices.ContainsFunc(sections, func(sec section) bool { return sec.title == code }) {
		return
	}
	for column := 2; column <= len(s.cells.Rows[row-1]); column++ {
		if c := s.cells.At(row, column); !c.Blank() {
			s.fail(cells.Ref(row, column), "", c.Shown(), "nothing outside of the numbered lines; give the line the next number of its section in column A, such as L13")
			return
		}
	}
}

// line reads one numbered line.
func (s *sheet) line(row int, code string, sec *section, headings map[string]int) {
	l := &line{sheet: s, row: row, label: code, ref: cells.Ref(row, 1), at: headings, found: true, columns: sec.columns}
	filled := false
	known := map[int]bool{1: true}
	for _, c := range sec.columns {
		known[headings[c.heading]] = true
		filled = filled || !s.cells.At(row, headings[c.heading]).Blank()
	}
	for column := 2; column <= len(s.cells.Rows[row-1]); column++ {
		if c := s.cells.At(row, column); !known[column] && !c.Blank() {
			s.fail(cells.Ref(row, column), "", c.Shown(), "nothing beside the columns of "+sec.title)
		}
	}
	if m, joined := s.cells.Joined(row, 1); joined {
		s.fail(cells.Ref(row, 1), "", "merged cells "+m.String(), "a line's number in a cell of its own")
		return
	}
	if filled {
		sec.make(l)
	}
}

// dateOf reads a day. What is allowed is said where it can not be read.
func dateOf(c cells.Cell) (time.Time, string) {
	const allowed = "a day such as 2026-10-05 or 5.10.2026"
	switch c.Kind {
	case cells.Moment, cells.Number:
		v, err := strconv.ParseFloat(c.Text, 64)
		if err != nil || v < 36526 || v >= 73051 || v != float64(int(v)) { // the years 2000 to 2099
			return time.Time{}, allowed
		}
		return dayZero.AddDate(0, 0, int(v)), ""
	case cells.Text:
		return dateIn(c.Says(), allowed)
	}
	return time.Time{}, allowed
}

func dateIn(text, allowed string) (time.Time, string) {
	if t, err := time.Parse("2006-01-02T15:04:05", text); err == nil && t.Equal(t.Truncate(24*time.Hour)) {
		text = t.Format(time.DateOnly) // as some programs write a date
	}
	for _, layout := range []string{time.DateOnly, "2.1.2006"} {
		if t, err := time.Parse(layout, text); err == nil {
			return checkedYear(t, allowed)
		}
	}
	british, err := time.Parse("2/1/2006", text)
	american, err2 := time.Parse("1/2/2006", text)
	switch {
	case err == nil && err2 == nil && !british.Equal(american):
		return time.Time{}, fmt.Sprintf("%s; this may be %s or %s", allowed, british.Format(time.DateOnly), american.Format(time.DateOnly))
	case err == nil:
		return checkedYear(british, allowed)
	case err2 == nil:
		return checkedYear(american, allowed)
	}
	return time.Time{}, allowed
}

func checkedYear(t time.Time, allowed string) (time.Time, string) {
	if t.Year() < 2000 || t.Year() > 2099 {
		return time.Time{}, allowed
	}
	return t, ""
}

var clockText = regexp.MustCompile(`^([0-9]{1,2}):([0-9]{2})(?::00)?(?:(Z|[+-][0-9]{2}:[0-9]{2}))?$`)

// clockOf reads a time of day as minutes after midnight, with the offset from UTC in minutes where one is written.
func clockOf(c cells.Cell) (minutes int, offset *int, problem string) {
	const allowed = "a time such as 8:10 or 08:10"
	switch c.Kind {
	case cells.Moment, cells.Number:
		v, err := strconv.ParseFloat(c.Text, 64)
		minutes = int(v*1440 + 0.5)
		if diff := v*1440 - float64(minutes); err != nil || v < 0 || v > 1 || diff > 0.01 || diff < -0.01 || c.Kind == cells.Number && v == 1 {
			return 0, nil, allowed + ", to the minute and without a day"
		}
		return minutes, nil, ""
	case cells.Text:
		m := clockText.FindStringSubmatch(c.Says())
		if m == nil {
			return 0, nil, allowed
		}
		h, _ := strconv.Atoi(m[1])
		mi, _ := strconv.Atoi(m[2])
		if h > 24 || mi > 59 || h == 24 && mi > 0 {
			return 0, nil, allowed + ", to 24:00"
		}
		if m[3] != "" {
			t, err := events.ParseTime("2026-01-01T00:00:00" + m[3])
			if err != nil {
				return 0, nil, allowed + ", with an offset such as +01:00"
			}
			o := int(t.OffsetMinutes)
			offset = &o
		}
		return h*60 + mi, offset, ""
	}
	return 0, nil, allowed
}

var (
	pointNumber = regexp.MustCompile(`^[0-9]{1,15}(\.[0-9]{1,12})?$`)
	commaNumber = regexp.MustCompile(`^[0-9]{1,15},[0-9]{1,12}$`)
)

// numberOf reads a number that is not negative as whole units of 10^-scale, to the nearest.
func numberOf(c cells.Cell, scale int) (int64, string) {
	const allowed = "a number such as 2.4 or 2,4, without its unit"
	text := c.Text
	switch c.Kind {
	case cells.Text:
		text = c.Says()
		if commaNumber.MatchString(text) {
			if _, decimals, _ := strings.Cut(text, ","); len(decimals) == 3 {
				return 0, allowed + "; a comma before three digits may mean two things, so write " + strings.Replace(text, ",", "", 1) + " or " + strings.Replace(text, ",", ".", 1) + "0"
			}
			text = strings.Replace(text, ",", ".", 1)
		}
		if !pointNumber.MatchString(text) {
			return 0, allowed
		}
	case cells.Number:
	default:
		return 0, allowed
	}
	v, err := strconv.ParseFloat(text, 64)
	for range scale {
		v *= 10
	}
	if err != nil || v < 0 || v > 1e17 {
		return 0, allowed + ", not below zero"
	}
	return int64(v + 0.5), ""
}

// Wants reports which forms a workbook holds.
func Wants(wb *cells.Workbook) (days, dockets bool) {
	for i := range wb.Sheets {
		title := wb.Sheets[i].At(1, 1).Says()
		days = days || strings.EqualFold(title, dayTitle)
		dockets = dockets || strings.EqualFold(title, docketsTitle)
	}
	return days, dockets
}
