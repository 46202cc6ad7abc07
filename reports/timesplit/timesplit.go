// Package timesplit cuts every shift of every truck into slices, each spent on
// one activity, that never overlap and sum to the shift's length to the
// millisecond. It counts elapsed time, so that midnight and clock changes change
// nothing; local days enter only where a table speaks of days.
//
// For example, a shift from 06:00 to 10:00 with site.arrived 06:40, a load from
// 07:00 to 07:30, standby from 07:20 to 08:00, site.left 08:00, facility.arrived
// 08:30, a tip from 08:40 to 08:50, facility.left 09:10 and shift.ended 10:00 is
//
//	06:00 travel     40 min   to the site, for the job arrived at
//	06:40 on-site    20 min
//	07:00 loading    30 min   wins over the standby from 07:20
//	07:30 standby    30 min
//	08:00 full-dump  haul 30, queue 10, tip 10, wash-out 20, return 50 min
//
// # Which activity wins
//
// Where signals overlap, the first of this list that applies is counted:
// stopped, loading, decanting, tipping, refilling, rest, standby, at a facility
// (queue before the tip, wash-out after it until leaving), on site, travel,
// unexplained. Entries that lose time to another are noted as
// overlapping-entries. Of two entries of the same activity the earlier counts.
//
// # Where a truck is
//
// A truck is at a site from site.arrived to site.left. Where the leaving is
// missing and the truck turns up elsewhere, it is on site until the last entry
// there and unexplained from then on; where the arrival is missing, it is on site
// from the first load of that job and unexplained before. Leaving the site of
// another job than the truck is at is both. Loads with neither an arrival nor a
// leaving are loading and no visit: they do not break the journey that they lie in,
// which goes on before and after them. What fills no time (see Shifts) says nothing
// of where the truck was. A shift that ended on site hands the visit to the
// next shift, unless that one begins with an arrival.
//
// Time between a departure and the next arrival is travel. The shift's start is a
// departure, and its recorded end an arrival once the truck has left a site: the
// way home. Time with no departure or no arrival is unexplained, and a finding
// when a shift has more than a quarter of an hour of it. The end of a shift that
// has no end is no arrival, after a full dump either.
//
// A full dump is the haul (left the site, or began the shift, until the facility),
// queue, tip, wash-out and return (left the facility until the next site or the
// shift's end). A tip whose facility.arrived is missing began the stop, one whose
// facility.left is missing ended it; a tip while the truck is on site, with
// neither, counts as the tip alone. Tips with a load between them are of two
// stops. Between two facilities is the haul of the second. A stop at a facility
// without a tip is part of the journey: travel, haul or return, except what is
// recorded as standby, rest or a refill. A site that it was reached from without
// leaving was left before it.
//
// # Whose time it is
//
// A slice belongs to the job its entry names, else to the visit's. Travel belongs
// to the job arrived at, the way home to the visit left. A full dump belongs to
// the visit left before it; a report that knows what was in the tank can divide
// it among the jobs that filled it.
//
// # Emergency stops
//
// A stop runs from the first press to plant.restarted; further presses join it. A
// reset permits a restart and does not end the stop. A restart without a reset
// since the last press ends it and is flagged. A stop that was never restarted
// ends with its shift, and is flagged when it was not reset either; a press in a
// later shift is another stop. A stop goes on into later shifts only when the
// restart is recorded in one and no load, decant or tip lies between the end of the
// shift it began in and the restart.
//
// # Shifts
//
// A shift runs from shift.started to shift.ended. Without an end it ends with the
// last entry before the next shift begins, and is flagged. Work recorded outside
// any shift is listed and flagged, never counted. Pump signals, pre-start checks,
// care, gauges, meters and water used fill no time of their own.
package timesplit

import (
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// Part is a part of a full dump.
type Part string

// The parts of a full dump, in the order they happen.
const (
	Haul    Part = "haul"
	Queue   Part = "queue"
	Tip     Part = "tip"
	WashOut Part = "wash-out"
	Return  Part = "return"
)

// Parts lists the parts of a full dump in the order they happen.
func Parts() []Part { return []Part{Haul, Queue, Tip, WashOut, Return} }

// Slice is half-open time from From to To, spent on one activity.
type Slice struct {
	Activity  events.Activity
	Part      Part // inside a full dump, else empty
	From, To  events.Time
	Job       events.JobID       // empty when nothing says
	Visit     int                // index in Shift.Visits, -1 for none
	Dump      int                // index in Shift.Dumps, -1 for none
	Cause     string             // why, of standby and stops
	Side      events.Attribution // of stops: on whose side the cause lies
	Positions []uint64           // the events it rests on
}

// LengthMS returns the slice's length in milliseconds.
func (s *Slice) LengthMS() int64 { return s.To.UnixMS - s.From.UnixMS }

// Visit is a stay at a job's site.
type Visit struct {
	Job       events.JobID
	Arrived   events.Time // identifies the visit, also in the shift it goes on in
	Left      events.Time // zero when no leaving is recorded
	Positions []uint64
}

// Dump is one full dump: a stop at a facility with at least one tip.
type Dump struct {
	Job      events.JobID
	Facility events.FacilityID // of its first tip
	Visit    int               // index in Shift.Visits, -1 for none
	Tips     []uint64          // ledger positions of the tips' own events
}

// Shift is a truck's shift, cut into slices in order.
type Shift struct {
	Truck     events.TruckID
	Operator  events.OperatorID
	Crew      []events.OperatorID
	From, To  events.Time
	Slices    []Slice
	Visits    []Visit // first the latest of the shifts before, if any, then its own
	Dumps     []Dump
	Open      bool     // no end is recorded
	Positions []uint64 // the shift's start and end
}

// LengthMS returns the shift's length in milliseconds.
func (s *Shift) LengthMS() int64 { return s.To.UnixMS - s.From.UnixMS }

// Clip returns the part of the shift inside the half-open period; ok is false
// when no part is. Visits and dumps keep their places and times.
func (s Shift) Clip(p reports.Period) (clipped Shift, ok bool) {
	if s.From.Before(p.From) {
		s.From = p.From
	}
	if p.To.Before(s.To) {
		s.To = p.To
	}
	if !s.From.Before(s.To) {
		return Shift{}, false
	}
	kept := make([]Slice, 0, len(s.Slices))
	for _, c := range s.Slices {
		c.From, c.To = later(c.From, s.From), earlier(c.To, s.To)
		if c.From.Before(c.To) {
			kept = append(kept, c)
		}
	}
	s.Slices = kept
	return s, true
}

// Outside is a work entry that no shift accounts for, and why.
type Outside struct {
	Truck     events.TruckID
	Kind      events.Kind
	From, To  events.Time
	Job       events.JobID
	Why       string
	Positions []uint64
}

// Partition cuts every shift of a truck, in order, and says what is wrong with
// the entries. Each shift's slices sum to its length.
func Partition(j *reports.Journal, truck events.TruckID) (shifts []Shift, findings []reports.Finding) {
	shifts, _, findings = PartitionAll(j, truck)
	return shifts, findings
}

// PartitionAll is Partition together with the work that no shift accounts for, by
// when it began.
func PartitionAll(j *reports.Journal, truck events.TruckID) (shifts []Shift, outside []Outside, findings []reports.Finding) {
	d := divide(j.Entries(truck), truck)
	return d.shifts, d.outside, d.findings
}

// division is the working state of one truck's partition.
type division struct {
	truck    events.TruckID
	entries  []reports.Entry
	spans    []span
	runs     []stopRun
	shifts   []Shift
	grounds  []ground // of each shift
	outside  []Outside
	findings []reports.Finding

	last   *Visit // the latest visit, in whichever shift
	onSite bool   // the shift before ended during it
}

// ground is what a shift was cut by: segments that fill it, and claims on top.
type ground struct{ segments, claims []claim }

func divide(entries []reports.Entry, truck events.TruckID) *division {
	d := &division{truck: truck, entries: entries}
	d.findSpans()
	d.assign()
	d.findStops()
	for k := range d.spans {
		d.cut(k)
	}
	slices.SortStableFunc(d.outside, func(a, b Outside) int { return compareTimes(a.From, b.From) })
	reports.SortFindings(d.findings)
	return d
}

// cut turns the span of one shift into a Shift.
func (d *division) cut(k int) {
	sp := &d.spans[k]
	start := &d.entries[sp.start]
	s := Shift{Truck: d.truck, Operator: start.Operator, From: sp.from, To: sp.to, Open: sp.open,
		Positions: slices.Clone(start.Positions)}
	if b, ok := start.Body.(events.ShiftStarted); ok {
		s.Crew = slices.Clone(b.Crew)
	}
	if sp.end >= 0 {
		s.Positions = append(s.Positions, d.entries[sp.end].Positions...)
	}
	base := d.places(k, &s)
	claims := d.claims(k, base)
	d.findOverlaps(claims)
	s.Slices = sweep(&s, base.segments, claims)
	d.grounds = append(d.grounds, ground{base.segments, claims})
	d.checkUnexplained(&s)
	d.shifts = append(d.shifts, s)
}

const unexplainedToleranceMS = 15 * 60 * 1000

func (d *division) checkUnexplained(s *Shift) {
	total := int64(0)
	first := s.From
	for i := range s.Slices {
		if c := &s.Slices[i]; c.Activity == events.Unexplained {
			if total == 0 {
				first = c.From
			}
			total += c.LengthMS()
		}
	}
	if total > unexplainedToleranceMS {
		d.find(reports.TimeUnexplained, "", first, s.Positions, "%s of the shift that began %s are not explained, the first from %s",
			hoursMinutes(total), moment(s.From), moment(first))
	}
}

func (d *division) find(code reports.Code, job events.JobID, at events.Time, cites []uint64, format string, args ...any) {
	f := reports.NewFinding(code, d.truck, at, cites, format, args...)
	f.Job = job
	d.findings = append(d.findings, f)
}

// unused lists an entry that begins or ends nothing.
func (d *division) unused(i int, why string) {
	e := &d.entries[i]
	from, to := e.Interval()
	d.outside = append(d.outside, Outside{Truck: d.truck, Kind: e.Kind(), From: from, To: to, Job: e.Job, Why: why,
		Positions: e.Positions})
}
