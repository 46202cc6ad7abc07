// Package care shows what daily care was due on each truck, what was done in time,
// late, or not at all, and what the crew's readings say of the plant: a filter that
// blocks or was found damaged, hydraulic oil that ran hot, a pre-start item that was
// not in order when work began.
//
// What is due follows from what the truck did. A shift from 06:30 to 15:00 with the
// arrival on site at 07:40, a tip that ended 11:05, the next load at 12:20 and no flush is
//
//	prestart-check        due before 07:40              done 06:38
//	final-filter-checked  due before 15:00              done 06:43
//	separator-emptied     due from 11:05, before 12:20  done 11:08
//	vacuum-pump-flushed   due before 15:00              missed
//
// The rules are common practice of the trade, kept in one table ([CommonPractice]);
// no published source fixes them. The maker's manual and local rules come first, and
// [Options] takes other rules and limits.
//
// # Days, shifts and windows
//
// Care belongs to shifts, as a time split cuts them; work that no shift holds is a
// shift of its own, by local day. Shifts that begin on one local date are one day.
// What is recorded up to two hours before a shift belongs to it, unless the shift
// before was still on. What comes after a shift's end, and before the next one's
// window, is late for it. While a truck's last shift has no end on record, what is due
// by its end is due and not missed.
package care

import (
	"cmp"
	"math"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// Task is something to be done: the pre-start check, or a task of daily care.
type Task string

// Prestart is the pre-start check; the other tasks have the names of events.CareTask.
const Prestart Task = "prestart-check"

// When says what makes a task due.
type When string

// The occasions.
const (
	BeforeWork  When = "before work"  // in each shift, before its first work
	AfterUnload When = "after unload" // after each tip, before the next load or the end of the shift
	EachDay     When = "each day"     // on each day with work, before its last shift ends
	EndOfDay    When = "end of day"   // after the day's last use of the vacuum pump, before its last shift ends
)

// Rule makes a task due on an occasion.
type Rule struct {
	Task  Task
	When  When
	Basis string // who says so
}

// CommonPractice returns the rules that are used where nobody chose others. They are
// what crews usually do; no published source fixes them.
func CommonPractice() []Rule {
	const basis = "common practice; the maker's manual and local rules come first"
	return []Rule{
		{Prestart, BeforeWork, basis},
		{Task(events.SeparatorEmptied), AfterUnload, basis},
		{Task(events.StrainerChecked), EachDay, basis},
		{Task(events.FinalFilterCheck), EachDay, basis},
		{Task(events.VacuumPumpFlushed), EndOfDay, basis},
	}
}

// Options selects rules and limits. The zero value is common practice at sea level.
type Options struct {
	Rules         []Rule // nil for CommonPractice
	LeadMS        int64  // how long before a shift a record belongs to it; 0 for two hours
	GaugeKPa      int64  // gauges disagree by more than this, 0 for 3 kPa,
	GaugePercent  int64  // and by more than this of the deeper reading, 0 for 5 %
	OilStopDegC   int64  // the plant shuts itself down; 0 for 80
	OilNoteDegC   int64  // worth knowing; 0 for 70
	FlushLeastMS  int64  // a flush is about two seconds: 0 for one second
	FlushMostMS   int64  // 0 for five seconds
	AltitudeM     int64  // of the sites, for the deepest vacuum there can be
	AirPermille   int64  // that the weather adds to the standard air pressure; 0 for 30
	MaxBlockCites int    // readings that a finding of a blocking filter cites; 0 for 50
}

func (o Options) withDefaults() Options {
	if o.Rules == nil {
		o.Rules = CommonPractice()
	}
	o.LeadMS = cmp.Or(o.LeadMS, 2*60*60*1000)
	o.GaugeKPa, o.GaugePercent = cmp.Or(o.GaugeKPa, 3), cmp.Or(o.GaugePercent, 5)
	o.OilStopDegC, o.OilNoteDegC = cmp.Or(o.OilStopDegC, 80), cmp.Or(o.OilNoteDegC, 70)
	o.FlushLeastMS, o.FlushMostMS = cmp.Or(o.FlushLeastMS, 1_000), cmp.Or(o.FlushMostMS, 5_000)
	o.AirPermille, o.MaxBlockCites = cmp.Or(o.AirPermille, 30), cmp.Or(o.MaxBlockCites, 50)
	return o
}

// State is what became of a task.
type State string

// The states.
const (
	Done   State = "done"
	Late   State = "late"    // done after it was due
	Missed State = "missed"  // no record of it
	Due    State = "due"     // no record yet, and the shift has no end on record
	NotDue State = "not due" // nothing happened that makes it due
)

// Row is one task on one occasion.
type Row struct {
	Truck       events.TruckID
	Day         string // local date on which the day's first shift began
	Rule        Rule
	From, DueBy events.Time // zero when the task was not due
	Why         string      // what makes it due, or why it is not
	State       State
	Done        *reports.Entry // of the journal, not to be changed; nil when there is none
	Detail      string
	Cites       []uint64

	rule   int         // index of Rule, for the order
	key    string      // its line's name
	lo, hi events.Time // where its record was looked for, both included
}

// LateMS returns how long after it was due a task was done; ok is false when it was
// not late, or not done.
func (w *Row) LateMS() (ms int64, ok bool) {
	if w.State != Late {
		return 0, false
	}
	return w.Done.Occurred.UnixMS - w.DueBy.UnixMS, true
}

// Report is the care of a period. Rows are those of the days whose first shift began
// in it, records and items those that occurred in it.
type Report struct {
	Request  reports.Request
	Position uint64 // the last ledger position covered
	Narrowed bool   // a job or a client was asked for: only days with work for it
	Options  Options
	Rows     []Row
	Records  []Record
	Items    []Item
	Findings []reports.Finding

	journal *reports.Journal
}

// Compute makes the care report of the period asked for.
func Compute(j *reports.Journal, q reports.Request, o Options) *Report {
	r := &Report{Request: q, Position: j.Position, Options: o.withDefaults(), Narrowed: q.Filter.Job != "" || q.Filter.Client != "", journal: j}
	for _, id := range q.Trucks(j) {
		c := &truckCare{r: r, j: j, truck: id, entries: j.Entries(id), begun: byBegin(j.Entries(id))}
		c.findSessions()
		c.findDays()
		for i := range c.days {
			if d := &c.days[i]; d.wanted && q.Period.Contains(c.sessions[d.first].from) {
				c.judge(d)
			}
		}
		c.findItems()
		c.readRecords()
		c.findDamage()
	}
	slices.SortStableFunc(r.Rows, func(a, b Row) int {
		return cmp.Or(cmp.Compare(a.Day, b.Day), cmp.Compare(a.Truck, b.Truck), cmp.Compare(a.DueBy.UnixMS, b.DueBy.UnixMS), cmp.Compare(a.rule, b.rule))
	})
	r.nameRows()
	slices.SortStableFunc(r.Records, func(a, b Record) int {
		return cmp.Or(cmp.Compare(a.Entry.Occurred.UnixMS, b.Entry.Occurred.UnixMS), cmp.Compare(a.Entry.Truck, b.Entry.Truck))
	})
	slices.SortStableFunc(r.Items, func(a, b Item) int {
		return cmp.Or(cmp.Compare(a.Check.Occurred.UnixMS, b.Check.Occurred.UnixMS), cmp.Compare(a.Check.Truck, b.Check.Truck))
	})
	reports.SortFindings(r.Findings)
	return r
}

// truckCare is the working state of one truck.
type truckCare struct {
	r        *Report
	j        *reports.Journal
	truck    events.TruckID
	entries  []reports.Entry
	begun    map[events.Kind][]*reports.Entry // loads and tips, in the order in which they began
	sessions []session
	days     []day
}

func (c *truckCare) find(code reports.Code, job events.JobID, at events.Time, cites []uint64, format string, args ...any) {
	f := reports.NewFinding(code, c.truck, at, c.j.Cited(cites), format, args...)
	f.Job = job
	c.r.Findings = append(c.r.Findings, f)
}

// taskOf returns the task that an entry records; ok is false for other entries.
func taskOf(e *reports.Entry) (task Task, ok bool) {
	switch b := e.Body.(type) {
	case events.PrestartChecked:
		return Prestart, true
	case events.CareRecorded:
		return Task(b.Task), true
	}
	return "", false
}

// isWork reports whether an entry shows the truck at work: on its way to a place, or
// its plant running.
func isWork(k events.Kind) bool {
	switch k {
	case events.KindPumpEngaged, events.KindLoadCollected, events.KindWaterDecanted, events.KindSpoilTipped,
		events.KindWaterRefilled, events.KindWaterUsed, events.KindSiteArrived, events.KindFacilityArrived:
		return true
	}
	return false
}

// vacuumUse returns when an entry says that the vacuum pump ran: the end of a load, or
// when the pump was engaged.
func vacuumUse(e *reports.Entry) (from, to events.Time, ok bool) {
	switch b := e.Body.(type) {
	case events.LoadCollected:
		return b.Start, b.End, true
	case events.PumpEngaged:
		return e.Occurred, e.Occurred, b.Pump == events.VacuumPump
	}
	return from, to, false
}

// forever is after every time.
var forever = events.Time{UnixMS: math.MaxInt64}
