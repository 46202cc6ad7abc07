// Package timeline draws out one day of trucks for those who run it: what the time went to, what was recorded, and what the two tanks held at
// each moment. It decides nothing of its own. The time is the partition of a time split, cut at the bounds of the day; quantities and levels
// are those of the tank's fold; so that a picture of the day and the reports of it can not disagree.
//
// For example, a truck whose shift began 06:30, with an arrival at 07:40 and a load of 3 m3 from 08:00 to 08:30, has at noon
//
//	time      06:30 travel, 07:40 on site, 08:00 loading, 08:30 on site
//	recorded  06:30 shift started, 07:40 arrived, 08:00 to 08:30 load of 3.00 m3
//	debris    0 m3 from 00:00, 3.00 m3 from 08:30
//
// A day is the half-open period between two local midnights; it can have 23 or 25 hours, and what lies across a midnight is in both days with
// its whole length beside the part. A load, a decant or a tip counts at the moment at which it occurred, which is when it was over, so levels
// are steps and not slopes.
package timeline

import (
	"cmp"
	"slices"
	"sort"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
	"spoilbook/reports/timesplit"
	"spoilbook/reports/yard"
)

// Report is one day of some trucks.
type Report struct {
	Period   reports.Period
	Position uint64 // the last ledger position covered
	Trucks   []Truck
}

// Truck is one truck's day. Lists are in the order of time.
type Truck struct {
	Truck      events.TruckID
	Name       string // by the register; empty where it has no such truck
	Plate      string
	Shifts     []Shift
	Slices     []Slice             // of all shifts, none overlapping
	Outside    []timesplit.Outside // work that no shift accounts for and that touches the day
	Marks      []Mark
	Levels     []Level    // the first is what the tanks held when the day began
	Capacities []Capacity // the first holds when the day begins
	Findings   []yard.Found
	Lacks      []Lack // what the record of the day still lacks
}

// Shift is a shift of which some part lies in the day.
type Shift struct {
	From, To  events.Time // of the whole shift
	Open      bool        // no end is recorded
	Aboard    []string    // driver first, by name where the register has it
	Positions []uint64
}

// Slice is a slice of a time split, cut at the bounds of the day.
type Slice struct {
	timesplit.Slice
	Began, Ended events.Time // of the whole slice
	Open         bool        // it is the last of a shift without an end
	Place        string      // the site or the facility, by name where the register has it
}

// LengthMS returns the length of the part inside the day in milliseconds.
func (s *Slice) LengthMS() int64 { return s.Slice.LengthMS() }

// Level is what the tanks hold from a time on, by the account.
type Level struct {
	At                events.Time
	DebrisML          int64
	DebrisToleranceML int64 // two standard uncertainties
	FreshML           int64
	Position          uint64 // of the entry that made it so; 0 where there was none
}

// Capacity is what the register says that the tanks can hold from a time on; 0 where it does not say.
type Capacity struct {
	From              events.Time
	DebrisML, FreshML int64
}

// Hours returns how the time of the day that lies in shifts was spent, in milliseconds by activity.
func (t *Truck) Hours() map[events.Activity]int64 {
	sum := map[events.Activity]int64{}
	for i := range t.Slices {
		sum[t.Slices[i].Activity] += t.Slices[i].LengthMS()
	}
	return sum
}

// LevelAt returns what the tanks held at a moment of the day.
func (t *Truck) LevelAt(at events.Time) Level {
	n := sort.Search(len(t.Levels), func(i int) bool { return at.Before(t.Levels[i].At) })
	return t.Levels[max(0, n-1)]
}

// Options selects how a day is drawn. The zero value is the usual one.
type Options struct {
	Tank tank.Options
	Now  events.Time // what is due by later is not lacking yet; zero means that the day is over
}

// Busy divides the trucks of the journal, those of the register at the end of the day among them, into those that the day has something of and
// those that it has nothing of. With some named, only those are looked at.
func Busy(j *reports.Journal, day reports.Period, only []events.TruckID) (busy, idle []events.TruckID) {
	for _, id := range yard.Trucks(j, only, events.Time{UnixMS: day.To.UnixMS - 1}) {
		if worked(j.Entries(id), day) {
			busy = append(busy, id)
		} else {
			idle = append(idle, id)
		}
	}
	return busy, idle
}

// worked reports whether an entry touches the day, or a shift lies over all of it.
func worked(entries []reports.Entry, day reports.Period) bool {
	first := sort.Search(len(entries), func(i int) bool { return !entries[i].Occurred.Before(day.From) })
	for i := first; i < len(entries); i++ {
		if touches(&entries[i], day) {
			return true
		}
		if entries[i].Occurred.UnixMS >= day.To.UnixMS+longestMS {
			break
		}
	}
	for i := first - 1; i >= 0 && first < len(entries); i-- {
		switch entries[i].Kind() {
		case events.KindShiftStarted:
			return true
		case events.KindShiftEnded:
			return false
		}
	}
	return false
}

// longestMS is the longest that an entry's interval may be.
const longestMS = 24 * 60 * 60 * 1000

// touches reports whether an entry occurred in the day, or whether any part of its interval lies in it.
func touches(e *reports.Entry, day reports.Period) bool {
	from, to := e.Interval()
	return day.Contains(e.Occurred) || from.Before(day.To) && day.From.Before(to)
}

// Compute draws out the day of the trucks named, in their order. It costs a partition and a fold of each truck's whole history.
func Compute(j *reports.Journal, day reports.Period, trucks []events.TruckID, o Options) *Report {
	o.Tank.OmitMovements, o.Tank.KeepLevels = true, true
	r := &Report{Period: day, Position: j.Position}
	for _, id := range trucks {
		d := &drawing{j: j, day: day, o: o, Truck: Truck{Truck: id}}
		d.shifts, d.outside, d.found = timesplit.PartitionAll(j, id)
		d.account = tank.Fold(j, id, o.Tank)
		d.identity()
		d.time()
		d.levels()
		d.capacities()
		d.marks()
		d.findings()
		d.lacks()
		r.Trucks = append(r.Trucks, d.Truck)
	}
	return r
}

// drawing is the working state of one truck.
type drawing struct {
	Truck
	j       *reports.Journal
	day     reports.Period
	o       Options
	shifts  []timesplit.Shift
	outside []timesplit.Outside
	found   []reports.Finding
	account *tank.Account
}

func (d *drawing) identity() {
	if t, ok := d.j.Book.Truck(d.Truck.Truck, events.Time{UnixMS: d.day.To.UnixMS - 1}); ok {
		d.Name, d.Plate = t.Name, t.Registration
	}
}

// time cuts the shifts at the bounds of the day.
func (d *drawing) time() {
	for k := range d.shifts {
		whole := &d.shifts[k]
		if !whole.From.Before(d.day.To) {
			break
		}
		if !d.day.From.Before(whole.To) && !d.day.Contains(whole.From) {
			continue
		}
		s := Shift{From: whole.From, To: whole.To, Open: whole.Open, Positions: whole.Positions}
		for _, id := range append([]events.OperatorID{whole.Operator}, whole.Crew...) {
			if id != "" {
				s.Aboard = append(s.Aboard, d.operator(id, whole.From))
			}
		}
		d.Shifts = append(d.Shifts, s)
		d.cut(whole)
	}
	for _, e := range d.outside {
		if d.day.Contains(e.From) || e.From.Before(d.day.To) && d.day.From.Before(e.To) {
			d.Outside = append(d.Outside, e)
		}
	}
}

func (d *drawing) cut(whole *timesplit.Shift) {
	for i := range whole.Slices {
		c := whole.Slices[i]
		s := Slice{Slice: c, Began: c.From, Ended: c.To, Open: whole.Open && i == len(whole.Slices)-1}
		if c.From.Before(d.day.From) {
			s.From = d.day.From
		}
		if d.day.To.Before(c.To) {
			s.To = d.day.To
		}
		if !s.From.Before(s.To) {
			continue
		}
		switch {
		case c.Dump >= 0:
			s.Place = d.facility(whole.Dumps[c.Dump].Facility, c.From)
		case c.Job != "":
			s.Place = d.job(c.Job, c.From)
		}
		d.Slices = append(d.Slices, s)
	}
}

func (d *drawing) levels() {
	all := d.account.Levels
	n := sort.Search(len(all), func(i int) bool { return !all[i].Entry.Occurred.Before(d.day.From) })
	opening := Level{At: d.day.From}
	if n > 0 {
		opening = levelOf(&all[n-1])
		opening.At = d.day.From
	}
	d.Levels = []Level{opening}
	for i := n; i < len(all) && all[i].Entry.Occurred.Before(d.day.To); i++ {
		d.Levels = append(d.Levels, levelOf(&all[i]))
	}
}

func levelOf(l *tank.Level) Level {
	return Level{At: l.Entry.Occurred, DebrisML: l.DebrisML, DebrisToleranceML: l.DebrisToleranceML, FreshML: l.FreshML, Position: l.Entry.Positions[0]}
}

func (d *drawing) capacities() {
	add := func(at events.Time) {
		c := Capacity{From: at}
		if t, ok := d.j.Book.Truck(d.Truck.Truck, at); ok {
			c.DebrisML, c.FreshML = t.DebrisCapacityL*1000, t.FreshCapacityL*1000
		}
		if n := len(d.Capacities); n == 0 || d.Capacities[n-1].DebrisML != c.DebrisML || d.Capacities[n-1].FreshML != c.FreshML {
			d.Capacities = append(d.Capacities, c)
		}
	}
	add(d.day.From)
	for _, r := range d.j.Book.History(events.TruckRegister, string(d.Truck.Truck)) {
		if d.day.Contains(r.From) {
			add(r.From)
		}
	}
}

func (d *drawing) findings() {
	list := yard.FindingsOf(d.j, d.account, d.found)
	for _, f := range d.j.Findings {
		if f.Truck == d.Truck.Truck {
			list = append(list, yard.Found{Finding: f, Report: "timesplit"})
		}
	}
	for _, f := range list {
		if f.Touches(d.day) {
			d.Findings = append(d.Findings, f)
		}
	}
	slices.SortStableFunc(d.Findings, func(a, b yard.Found) int { return cmp.Compare(a.At.UnixMS, b.At.UnixMS) })
}

// The names that people use, where the register has them.

func (d *drawing) operator(id events.OperatorID, at events.Time) string {
	if o, ok := d.j.Book.Operator(id, at); ok && o.Name != "" {
		return o.Name
	}
	return string(id)
}

func (d *drawing) job(id events.JobID, at events.Time) string {
	if job, ok := d.j.Book.Job(id, at); ok && job.Name != "" {
		return string(id) + ", " + job.Name
	}
	return string(id)
}

func (d *drawing) facility(id events.FacilityID, at events.Time) string {
	if f, ok := d.j.Book.Facility(id, at); ok && f.Name != "" {
		return f.Name
	}
	return string(id)
}
