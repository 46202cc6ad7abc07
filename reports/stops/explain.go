package stops

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
)

// The names of the tables, all of whose lines can be explained.
const (
	stopTableName    = "Stops"
	truckTableName   = "Trucks"
	sideTableName    = "Sides"
	stationTableName = "Stations"
	eventTableName   = "Presses and resets"
)

// key names a stop by its first press.
func (s *Stop) key() string { return s.Presses[0].Ref().String() }

// Explain returns how a line came about: of a stop the times from press to reset to
// restart and what the record lacks; of a press, a reset or a restart which stop it
// belongs to; of a truck, a side or a station the stops that it counts.
func (r *Report) Explain(table, key string) (reports.Explanation, bool) {
	x := &exposition{r: r, Explanation: reports.Explanation{Report: "stops", Table: table, Key: key}}
	switch table {
	case stopTableName:
		for i := range r.Stops {
			if r.Stops[i].key() == key {
				x.stop(&r.Stops[i])
			}
		}
	case eventTableName:
		for _, v := range r.Events {
			if v.Entry.Ref().String() == key {
				x.event(v)
			}
		}
	case truckTableName:
		x.sum("truck "+key, func(s *Stop) bool { return truckOf(s) == key })
	case sideTableName:
		x.sum("a cause on the side "+key, func(s *Stop) bool { return sideOf(s) == key })
	case stationTableName:
		x.station(key)
	}
	if x.Says == "" {
		return reports.Explanation{}, false
	}
	x.Follow("this program's rule", "This is a record, not a safety function: it stops nothing and permits nothing. Defer to the manufacturer, local rules and licensed people.")
	x.Gather()
	return x.Explanation, true
}

// exposition gathers the explanation of one line.
type exposition struct {
	reports.Explanation
	r *Report
}

const (
	directive = "Machinery Directive 2006/42/EC, annex I, 1.2.4.3"
	ownRule   = "this program's rule"
)

// since reckons times as they were after a midnight, so that a reader can take them
// from the clock; elapsed time, of which a clock change adds and takes nothing.
type since struct {
	period   reports.Period
	midnight events.Time
	ruler    arithmetic.Ruler
}

func sinceMidnight(p reports.Period, first events.Time, others ...events.Time) since {
	day := p.Local(first)
	m := since{period: p, midnight: events.TimeOf(reports.StartOfDay(day.Year(), day.Month(), day.Day(), p.Zone))}
	lengths := []int64{first.UnixMS - m.midnight.UnixMS}
	for _, t := range others {
		lengths = append(lengths, t.UnixMS-m.midnight.UnixMS)
	}
	m.ruler = arithmetic.RulerFor(lengths...)
	return m
}

// says names the unit and the midnight.
func (m *since) says() string {
	return "in " + m.ruler.Unit() + " since " + m.period.Local(m.midnight).Format("2006-01-02 15:04")
}

// less returns the arithmetic of one time after another, and its result.
func (m *since) less(to, from events.Time) (sum, result string) {
	return m.ruler.Number(to.UnixMS-m.midnight.UnixMS) + " − " + m.ruler.Number(from.UnixMS-m.midnight.UnixMS), m.ruler.Result(to.UnixMS - from.UnixMS)
}

// clock writes a time in the period's zone, with no more digits than it needs.
func (x *exposition) clock(t events.Time) string {
	local := x.r.Request.Period.Local(t)
	switch {
	case local.Nanosecond() != 0:
		return local.Format("2006-01-02 15:04:05.000")
	case local.Second() != 0:
		return local.Format(time.DateTime)
	}
	return local.Format("2006-01-02 15:04")
}

func (x *exposition) stop(s *Stop) {
	x.Says = fmt.Sprintf("The emergency stop of %s was pressed %s at %s", s.Truck, x.clock(s.From), stationNames(s.Stations))
	x.Says += ", " + cmp.Or(s.Cause, "nobody wrote down why")
	if down, ok := s.DowntimeMS(); ok {
		x.Says += ", and the plant stood " + length(down) + "."
	} else {
		x.Says += "; no restart is on record, so nobody knows how long the plant stood."
	}
	if lacks := s.lacks(); lacks != "" {
		x.Says += " Not on record: " + lacks + "."
	}
	x.Gather(s.Cites...)
	x.durations(s)
	x.Follow(directive, "The control stays engaged when it was used; disengaging it must not restart the machinery but only permit restarting. So a reset does not end a stop, and downtime runs from the first press to the restart.")
	x.Follow(ownRule, "A stop pressed again before it was restarted is one stop, and a reset before the last press is void. Without a restart a stop ends with the shift it began in, once the plant worked in a later one.")
	x.Follow("common practice", "The cause is the first that was stated; the side is unknown unless every press of the stop says the same. A stop belongs to the job of its first press.")
	x.register(s.Truck, s.Job, s.From)
}

// length writes milliseconds as hours, minutes and, where there are any, seconds.
func length(ms int64) string {
	text := fmt.Sprintf("%d h %02d min", ms/3_600_000, ms/60_000%60)
	if rest := ms % 60_000; rest != 0 {
		text += " " + arithmetic.Number(rest, 3) + " s"
	}
	return text
}

// durations reckons the parts of a stop and its whole.
func (x *exposition) durations(s *Stop) {
	times := []events.Time{}
	for _, e := range s.Presses {
		times = append(times, e.Occurred)
	}
	for _, e := range []*reports.Entry{s.Reset, s.Restart} {
		if e != nil {
			times = append(times, e.Occurred)
		}
	}
	m := sinceMidnight(x.r.Request.Period, s.From, times...)
	step := func(what string, to, from *reports.Entry) {
		sum, result := m.less(to.Occurred, from.Occurred)
		x.Reckon(what+", "+m.says(), sum, result, append(append([]uint64{}, from.Positions...), to.Positions...)...)
	}
	first := s.Presses[0]
	for _, e := range s.Presses[1:] {
		_, station, _ := told(e)
		step("first press to the press at "+station, e, first)
	}
	if s.Reset != nil {
		step("first press to the reset that counts", s.Reset, first)
	}
	if s.Restart == nil {
		return
	}
	if s.Reset != nil {
		step("reset to restart", s.Restart, s.Reset)
		toReset, _ := s.ToResetMS()
		down, _ := s.DowntimeMS()
		x.Reckon("downtime: to the reset, and from it to the restart", m.ruler.Sum([]int64{toReset, down - toReset}), m.ruler.Result(down))
		return
	}
	step("downtime: first press to restart", s.Restart, first)
}

// register adds the truck and the job as they read.
func (x *exposition) register(truck events.TruckID, job events.JobID, at events.Time) {
	book := x.r.journal.Book
	if t, ok := book.Truck(truck, at); ok {
		x.Read(x.r.journal, events.TruckRegister, string(truck), at, t.Name+", number plate "+t.Registration)
	}
	if j, ok := book.Job(job, at); ok {
		x.Read(x.r.journal, events.JobRegister, string(job), at, j.Name+", "+j.SiteAddress+", client "+string(j.Client))
	}
}

func (x *exposition) event(v Event) {
	e := v.Entry
	what, station, note := told(e)
	x.Says = fmt.Sprintf("%s, %s: %s", x.clock(e.Occurred), e.Truck, what)
	for _, more := range []string{station, note} {
		if more != "" {
			x.Says += ", " + more
		}
	}
	x.Gather(e.Positions...)
	x.Follow(directive, "Press, reset and restart are three different events: a reset permits a restart and is not one.")
	x.register(e.Truck, e.Job, e.Occurred)
	if v.Stop < 0 {
		x.Says += ". It belongs to no stop on record."
		x.Follow(ownRule, "A reset belongs to the stop in force when it occurred, a restart ends it. Where none was in force it stands alone, is listed and changes nothing: the press may come late, or a restart came before its reset.")
		return
	}
	s := &x.r.Stops[v.Stop]
	x.Says += fmt.Sprintf(". It belongs to the stop of %s.", x.clock(s.From))
	x.Follow(ownRule, "Presses of a stop still in force join it; resets and the restart belong to the stop in force when they occurred.")
	m := sinceMidnight(x.r.Request.Period, s.From, e.Occurred)
	sum, result := m.less(e.Occurred, s.From)
	x.Reckon("after the first press, "+m.says(), sum, result, append(append([]uint64{}, s.Presses[0].Positions...), e.Positions...)...)
}

// sum counts the stops that belong to a line, stop by stop.
func (x *exposition) sum(of string, belongs func(*Stop) bool) {
	total, list := sum{}, []*Stop{}
	lengths := []int64{}
	for i := range x.r.Stops {
		if s := &x.r.Stops[i]; belongs(s) {
			total.add(s)
			list = append(list, s)
			if ms, ok := s.DowntimeMS(); ok {
				lengths = append(lengths, ms)
			}
		}
	}
	if len(list) == 0 {
		return
	}
	u := arithmetic.RulerFor(lengths...)
	x.Says = fmt.Sprintf("With %s: %s, presses: %d, %s of downtime on record.", of, reports.Counted(total.stops, "stop"), total.presses, length(total.downMS))
	x.count("stops", list, func(*Stop) int64 { return 1 }, total.stops)
	x.count("presses", list, func(s *Stop) int64 { return int64(len(s.Presses)) }, total.presses)
	if len(lengths) > 0 {
		x.Reckon("downtime, stop by stop, of those with a restart on record, in "+u.Unit(), u.Sum(lengths), u.Result(total.downMS))
	}
	x.count("without a cause", list, func(s *Stop) int64 { return truth(s.Cause == "") }, total.noCause)
	x.count("without a reset", list, func(s *Stop) int64 { return truth(s.Reset == nil) }, total.noReset)
	x.count("without a restart", list, func(s *Stop) int64 { return truth(s.Restart == nil) }, total.noRestart)
	x.Follow(directive, "Downtime runs from the first press to the restart; a reset does not end it.")
	x.Follow(ownRule, "A stop without a restart on record has no downtime here.")
}

func truth(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// count adds up what each stop counts.
func (x *exposition) count(what string, list []*Stop, of func(*Stop) int64, total int64) {
	terms, cites := []string{}, []uint64{}
	for _, s := range list {
		terms = append(terms, fmt.Sprint(of(s)))
		cites = append(cites, s.Cites...)
	}
	x.Reckon(what+", stop by stop", strings.Join(terms, " + "), fmt.Sprint(total), cites...)
}

// station counts the presses at a station.
func (x *exposition) station(name string) {
	terms, cites := []string{}, []uint64{}
	total := 0
	for i := range x.r.Stops {
		n := 0
		for _, e := range x.r.Stops[i].Presses {
			if b, ok := e.Body.(events.EmergencyStopPressed); ok && string(b.Station) == name {
				n++
				cites = append(cites, e.Positions...)
			}
		}
		if n > 0 {
			terms = append(terms, fmt.Sprint(n))
		}
		total += n
	}
	if total == 0 {
		return
	}
	x.Says = fmt.Sprintf("Presses of the stop at %s: %d.", name, total)
	x.Reckon("presses there, stop by stop", strings.Join(terms, " + "), fmt.Sprint(total), cites...)
	x.Follow(ownRule, "Every press counts, also those of a stop that was in force already.")
}
