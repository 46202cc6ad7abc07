package paper

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
)

// line is a numbered line, or a field of the head, that is being read. What is wrong with it is told as it is found.
type line struct {
	*sheet
	row     int
	label   string
	ref     string         // of its number
	at      map[string]int // columns by heading
	found   bool
	columns []column
	broken  bool
}

func (l *line) fail(ref, heading, found, allowed string) {
	l.broken = true
	l.sheet.fail(ref, heading, found, allowed)
}

// cell returns a cell that holds something of its own; ok is false for one that is left blank.
func (l *line) cell(heading string) (c cells.Cell, ref string, ok bool) {
	if !l.found || l.at[heading] == 0 {
		return cells.Cell{}, "", false
	}
	column := l.at[heading]
	ref = cells.Ref(l.row, column)
	if m, joined := l.cells.Joined(l.row, column); joined {
		l.fail(ref, heading, "merged cells "+m.String(), "each cell on its own; undo the merging")
		return cells.Cell{}, ref, false
	}
	c = l.cells.At(l.row, column)
	switch {
	case c.Kind == cells.Formula || c.Kind == cells.Broken:
		l.fail(ref, heading, c.Shown(), "the value itself; copy the cell and paste it as a value")
		return c, ref, false
	case c.Blank():
		return c, ref, false
	}
	return c, ref, true
}

// need tells of a cell that was left blank and must not be.
func (l *line) need(heading, allowed string) {
	if !l.broken {
		l.fail(cells.Ref(l.row, max(l.at[heading], 1)), heading, "nothing", allowed)
	}
}

// minutes reads a time of day, -1 where there is none.
func (l *line) minutes(heading string) (int, string) {
	c, ref, ok := l.cell(heading)
	if !ok {
		return -1, ref
	}
	m, _, problem := clockOf(c)
	if problem != "" {
		l.fail(ref, heading, c.Shown(), problem)
		return -1, ref
	}
	return m, ref
}

// moment returns the instant of a local time, which has to be there once.
func (l *line) moment(date time.Time, minutes int, ref, heading string) (events.Time, bool) {
	t := time.Date(date.Year(), date.Month(), date.Day(), 0, minutes, 0, 0, l.zone)
	local := date.Add(time.Duration(minutes) * time.Minute).Format("2006-01-02 15:04")
	if t.Format("2006-01-02 15:04") != local {
		l.fail(ref, heading, local, "a time that there was: the clocks in "+l.zone.String()+" left that hour out")
		return events.Time{}, false
	}
	for _, other := range []time.Time{t.Add(-time.Hour), t.Add(time.Hour)} {
		if other.Format("2006-01-02 15:04") == local {
			first, second := t, other
			if other.Before(t) {
				first, second = other, t
			}
			l.fail(ref, heading, local, "a time with its offset from UTC, for the clocks in "+l.zone.String()+" showed it twice: "+
				first.Format("15:04-07:00")+" or "+second.Format("15:04-07:00"))
			return events.Time{}, false
		}
	}
	return events.TimeOf(t), true
}

// offsetMoment returns the instant of a local time that was written with its offset.
func (l *line) offsetMoment(date time.Time, minutes, offset int, ref, heading string) (events.Time, bool) {
	at := date.Add(time.Duration(minutes-offset) * time.Minute)
	if _, have := at.In(l.zone).Zone(); have != offset*60 {
		l.fail(ref, heading, at.In(time.FixedZone("", offset*60)).Format("15:04-07:00"), "the offset that "+l.zone.String()+" had then, "+at.In(l.zone).Format("-07:00"))
		return events.Time{}, false
	}
	return events.TimeOf(at.In(l.zone)), true
}

// clock reads a time of day on the sheet's day, or on the next where the shift runs past midnight or after is later.
func (l *line) clock(heading string, after events.Time) (events.Time, bool) {
	c, ref, ok := l.cell(heading)
	if !ok {
		return events.Time{}, false
	}
	minutes, offset, problem := clockOf(c)
	if problem != "" {
		l.fail(ref, heading, c.Shown(), problem)
		return events.Time{}, false
	}
	date := l.date
	if l.from >= 0 && minutes < l.from {
		if l.to < 0 || l.to > l.from {
			l.fail(ref, heading, fmt.Sprintf("%02d:%02d", minutes/60, minutes%60), fmt.Sprintf("a time from the shift's start at %02d:%02d on; put the shift right at the head", l.from/60, l.from%60))
			return events.Time{}, false
		}
		date = date.AddDate(0, 0, 1)
	}
	return l.instant(date, minutes, offset, ref, heading, after)
}

func (l *line) instant(date time.Time, minutes int, offset *int, ref, heading string, after events.Time) (events.Time, bool) {
	on := func(date time.Time) (events.Time, bool) {
		if offset != nil {
			return l.offsetMoment(date, minutes, *offset, ref, heading)
		}
		return l.moment(date, minutes, ref, heading)
	}
	at, ok := on(date)
	if ok && !after.IsZero() && at.Before(after) {
		if at, ok = on(date.AddDate(0, 0, 1)); ok && at.UnixMS-after.UnixMS > 18*3_600_000 {
			l.fail(ref, heading, at.Std().In(l.zone).Format("15:04"), "a time after "+after.Std().In(l.zone).Format("15:04"))
			return at, false
		}
	}
	return at, ok
}

// span reads from and to, which both have to be there. Where they are not, it returns the day's noon, for the rest of the line to be read.
func (l *line) span() (start, end events.Time) {
	noon := events.TimeOf(l.date.Add(12 * time.Hour))
	start, ok := l.clock("From", events.Time{})
	if !ok {
		l.need("From", "a time such as 08:10")
		start = noon
	}
	after := start
	if !ok {
		after = events.Time{}
	}
	end, ok = l.clock("To", after)
	if !ok {
		if l.cells.At(l.row, l.at["To"]).Blank() {
			l.broken = false
			l.need("To", "a time such as 08:35")
		}
		end = start
	}
	return start, end
}

// name reads the key of a register's entry that was in force at a time.
func (l *line) name(heading string, r events.Register, at events.Time, needed bool) string {
	c, ref, ok := l.cell(heading)
	if !ok {
		if needed {
			l.need(heading, "an entry of the register: "+l.some(r, at))
		}
		return ""
	}
	text := c.Says()
	if c.Kind == cells.Number {
		text = c.Text
	}
	key, _, _ := strings.Cut(text, separator)
	key = strings.TrimSpace(key)
	if _, ok := l.Book.At(r, key, at); !ok {
		if first, _, two := strings.Cut(key, " "); two {
			if _, ok := l.Book.At(r, first, at); ok {
				return first
			}
		}
		found := c.Shown()
		if l.Book.Known(r, key) {
			found += ", which takes effect later"
		}
		l.fail(ref, heading, found, "an entry of the register on that day: "+l.some(r, at))
		return ""
	}
	return key
}

// some names a few entries of a register that are in force.
func (l *line) some(r events.Register, at events.Time) string {
	keys := slices.DeleteFunc(l.Book.Keys(r), func(key string) bool { _, ok := l.Book.At(r, key, at); return !ok })
	switch n := len(keys); {
	case n == 0:
		return "it has none yet"
	case n > 8:
		return strings.Join(keys[:8], ", ") + fmt.Sprintf(" and %d more", n-8)
	}
	return strings.Join(keys, ", ")
}

// amount reads a number as whole units of 10^-scale; nil where the cell is blank.
func (l *line) amount(heading string, scale int) *int64 {
	c, ref, ok := l.cell(heading)
	if !ok {
		return nil
	}
	v, problem := numberOf(c, scale)
	if problem != "" {
		l.fail(ref, heading, c.Shown(), problem)
		return nil
	}
	return &v
}

// word reads one of the words that a column offers, with hyphens as events have them.
func (l *line) word(heading string) string {
	c, ref, ok := l.cell(heading)
	if !ok {
		return ""
	}
	i := slices.IndexFunc(l.columns, func(c column) bool { return c.heading == heading })
	said := strings.ReplaceAll(strings.ToLower(c.Says()), "-", " ")
	for _, w := range l.columns[i].choices {
		if strings.ReplaceAll(w, "-", " ") == said {
			return strings.ReplaceAll(w, " ", "-")
		}
	}
	l.fail(ref, heading, c.Shown(), strings.Join(l.columns[i].choices, ", "))
	return ""
}

// yes reads yes or no; said is false where the cell is blank.
func (l *line) yes(heading string) (yes, said bool) {
	c, ref, ok := l.cell(heading)
	if !ok {
		return false, false
	}
	if c.Kind == cells.Truth {
		return c.Text == "true", true
	}
	switch strings.ToLower(c.Says()) {
	case "yes", "y", "x":
		return true, true
	case "no", "n":
		return false, true
	}
	l.fail(ref, heading, c.Shown(), "yes or no")
	return false, false
}

// text reads what somebody wrote. A number keeps the digits it has.
func (l *line) text(heading string) string {
	c, ref, ok := l.cell(heading)
	if !ok {
		return ""
	}
	switch c.Kind {
	case cells.Text:
		return strings.Join(strings.Fields(c.Text), " ")
	case cells.Number:
		return c.Text
	}
	l.fail(ref, heading, c.Shown(), "text; format the cell as text")
	return ""
}

// basis is measured where nothing else is said.
func (l *line) basis() events.Basis {
	if b := l.word("Basis (blank: measured)"); b != "" {
		return events.Basis(b)
	}
	return events.Measured
}

func volume(ml *int64, b events.Basis) *events.Volume {
	if ml == nil {
		return nil
	}
	return &events.Volume{VolumeML: *ml, Basis: b}
}

func mass(g *int64, b events.Basis) *events.Mass {
	if g == nil {
		return nil
	}
	return &events.Mass{MassG: *g, Basis: b}
}

// jobAt reads the job of a line, or takes the one at the head.
func (l *line) jobAt(at events.Time) events.JobID {
	if l.at["Job"] == 0 {
		return l.job
	}
	if _, _, ok := l.cell("Job"); !ok {
		return l.job
	}
	return events.JobID(l.name("Job", events.JobRegister, at, true))
}

// source is what counts the events of a truck's sheets, or those of no truck.
func source(truck events.TruckID) events.Source {
	desk := "paper"
	if truck != "" {
		desk = "paper-" + string(truck)
	}
	if len(desk) > 40 {
		desk = "paper-" + short(string(truck))
	}
	return events.OfficeSource(desk)
}

// add adds an event that a line of a day sheet says.
func (l *line) add(part string, at events.Time, job events.JobID, body events.Body) {
	id := fmt.Sprintf("%s-%d-%s", l.date.Format("20060102"), l.number, part)
	l.enter(events.Event{ID: id, Source: source(l.truck), Occurred: at, Truck: l.truck, Operator: l.driver, Job: job, Body: body})
}

// enter adds an event, unless something is wrong with it or another line says that it is the same one.
func (l *line) enter(e events.Event) {
	if l.broken {
		return
	}
	e.Origin, e.Seq = events.FromOffice, 1
	if err := e.Validate(); err != nil {
		l.invalid(err)
		return
	}
	e.Seq = 0
	if before, twice := l.seen[e.Ref()]; twice {
		l.fail(l.ref, "", "what line "+before.Label+" in cell "+before.Cell+" of sheet "+before.Sheet+" is already", "each line, docket and reading once")
		return
	}
	one := Line{Sheet: l.cells.Name, Cell: l.ref, Label: l.label, Event: e}
	l.seen[e.Ref()] = one
	l.lines = append(l.lines, one)
}

// invalid tells what the event's own checks found, at the column that filled the member.
func (l *line) invalid(err error) {
	var list *events.ValidationError
	if !errors.As(err, &list) {
		l.fail(l.ref, "", err.Error(), "a line that can be recorded")
		return
	}
	for _, f := range list.Fields {
		ref, heading := l.ref, ""
		for _, c := range l.columns {
			if c.field != "" && (f.Field == c.field || strings.HasPrefix(f.Field, c.field+".") || strings.HasPrefix(c.field, f.Field+".")) {
				ref, heading = cells.Ref(l.row, l.at[c.heading]), c.heading
				break
			}
		}
		l.fail(ref, heading, f.Field+" "+f.Found, f.Allowed)
	}
}

// date reads a day of its own.
func (l *line) dayOf(heading string) (time.Time, bool) {
	c, ref, ok := l.cell(heading)
	if !ok {
		l.need(heading, "a day such as 2026-10-05")
		return time.Time{}, false
	}
	t, problem := dateOf(c)
	if problem != "" {
		l.fail(ref, heading, c.Shown(), problem)
		return t, false
	}
	return t, true
}

// dated reads a day and a time of it.
func (l *line) dated(dayHeading, timeHeading string) (events.Time, bool) {
	date, ok := l.dayOf(dayHeading)
	c, ref, there := l.cell(timeHeading)
	if !there {
		l.need(timeHeading, "a time such as 10:41")
		return events.Time{}, false
	}
	minutes, offset, problem := clockOf(c)
	if problem != "" {
		l.fail(ref, timeHeading, c.Shown(), problem)
		return events.Time{}, false
	}
	if !ok {
		return events.Time{}, false
	}
	return l.instant(date, minutes, offset, ref, timeHeading, events.Time{})
}
