package water

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Compute makes the water use of the period, trucks, jobs or client asked for. Every
// truck of the journal is folded, for sources and outfalls are shared.
func Compute(j *reports.Journal, q reports.Request, o Options) *Report {
	if o.Zones == nil {
		o.Zones = time.LoadLocation
	}
	o.Tank.OmitMovements = false
	b := &builder{j: j, q: q, o: o, zones: map[string]*time.Location{},
		report:   &Report{Request: q, Position: j.Position, Narrowed: q.Filter.Job != "" || q.Filter.Client != "", journal: j},
		lines:    map[lineKey]int{},
		days:     map[string]int{},
		sources:  map[placeDay]*SourceDay{},
		outfalls: map[placeDay]*OutfallDay{},
		weeks:    map[placeDay]*TurbidityWeek{},
		banks:    map[events.JobID]*BankWater{},
		meters:   map[meterKey][]mark{},
		changes:  map[events.WaterSourceID][]reports.MeterChange{},
		ways:     map[wayKey]*Known{},
		seenIn:   map[placeDay]bool{}}
	for _, date := range q.Period.EachDay() {
		b.days[date] = len(b.report.Days)
		b.report.Days = append(b.report.Days, Day{Date: date})
	}
	b.breaks()
	for _, id := range j.Trucks() {
		b.truck(tank.Fold(j, id, o.Tank))
	}
	b.officeReadings()
	b.finish()
	return b.report
}

// builder collects the report.
type builder struct {
	j      *reports.Journal
	q      reports.Request
	o      Options
	report *Report

	zones    map[string]*time.Location
	days     map[string]int // index into report.Days
	lines    map[lineKey]int
	sources  map[placeDay]*SourceDay
	outfalls map[placeDay]*OutfallDay
	weeks    map[placeDay]*TurbidityWeek
	seenIn   map[placeDay]bool // outfall days and weeks with a decant of the report
	banks    map[events.JobID]*BankWater
	meters   map[meterKey][]mark
	changes  map[events.WaterSourceID][]reports.MeterChange
	ways     map[wayKey]*Known
}

type lineKey struct {
	date  string
	truck events.TruckID
	job   events.JobID
}

// placeDay is a place's local day, or the Monday of its week.
type placeDay struct{ place, date string }

func (b *builder) truck(a *tank.Account) {
	asked := b.q.Filter.Truck == "" || b.q.Filter.Truck == a.Truck
	for i := range a.Refills {
		b.refill(&a.Refills[i], asked)
	}
	for i := range a.Decants {
		b.decant(&a.Decants[i], asked)
	}
	b.readings(a.Truck)
	if !asked {
		return
	}
	for i := range a.Loads {
		b.load(&a.Loads[i])
	}
	for i := range a.Uses {
		u := &a.Uses[i]
		b.use(Use{Entry: u.Entry, Purpose: u.Purpose, VolumeML: u.VolumeML, IntoDebrisTank: u.IntoDebrisTank,
			Basis: u.Entry.Body.(events.WaterUsed).Volume.Basis})
	}
	b.total(a)
	if !b.report.Narrowed {
		b.fresh(a)
		b.leftByLevel(a)
	}
	b.accountFindings(a)
}

// wants reports whether an entry of a truck asked for makes a line.
func (b *builder) wants(e *reports.Entry) bool {
	return b.q.Period.Contains(e.Occurred) && b.q.WantsJob(b.j, e.Job, e.Occurred)
}

// flow returns the flows of the day and of the line that an entry belongs to, which
// cite it from now on.
func (b *builder) flow(e *reports.Entry) (day, line *Flow) {
	date := b.q.Period.Day(e.Occurred)
	k := lineKey{date, e.Truck, e.Job}
	i, ok := b.lines[k]
	if !ok {
		i = len(b.report.Lines)
		b.lines[k] = i
		b.report.Lines = append(b.report.Lines, Line{Date: date, Truck: e.Truck, Job: e.Job})
	}
	d, l := &b.report.Days[b.days[date]], &b.report.Lines[i]
	d.Cites = append(d.Cites, e.Positions...)
	l.Cites = append(l.Cites, e.Positions...)
	return &d.Flow, &l.Flow
}

func (b *builder) load(l *tank.Load) {
	if !b.wants(l.Entry) {
		return
	}
	body := l.Entry.Body.(events.LoadCollected)
	if body.JettingWater != nil {
		b.use(Use{Entry: l.Entry, Purpose: forJetting, VolumeML: l.JettingML, IntoDebrisTank: l.LostML == 0, Basis: body.JettingWater.Basis})
	}
	b.jettedByNozzle(l)
	w := b.banks[l.Job]
	if w == nil {
		w = &BankWater{Job: l.Job}
		b.banks[l.Job] = w
	}
	if l.BankML <= 0 || body.JettingWater == nil {
		w.Unknown++
		return
	}
	w.Loads++
	w.JettingML += l.JettingML
	w.BankML += l.BankML
	w.Cites = append(w.Cites, l.Entry.Positions...)
}

func (b *builder) use(u Use) {
	if !b.wants(u.Entry) {
		return
	}
	day, line := b.flow(u.Entry)
	day.use(u.Purpose, u.VolumeML)
	line.use(u.Purpose, u.VolumeML)
	b.report.Uses = append(b.report.Uses, u)
}

// total adds an account to the report's own sums, from its movements for what passed
// through the fresh tank and from its list for what was decanted.
func (b *builder) total(a *tank.Account) {
	t := &b.report.Totals
	for i := range a.Movements {
		m := &a.Movements[i]
		if m.To != tank.FreshTank && m.From != tank.FreshTank || !b.q.Period.Contains(m.At) || !b.q.WantsJob(b.j, m.Job, m.At) {
			continue
		}
		source, drawn := strings.CutPrefix(string(m.From), string(tank.WaterSourceAccount("")))
		purpose, used := strings.CutPrefix(string(m.To), string(tank.UsedAccount("")))
		switch {
		case drawn:
			w, _ := b.j.Book.WaterSource(events.WaterSourceID(source), m.At)
			t.draw(w.Use, m.WaterG)
		case used:
			t.use(events.Purpose(purpose), m.WaterG)
		case m.To == tank.Jetted || m.To == tank.DebrisTank && m.Note == "":
			t.use(forJetting, m.WaterG)
		case m.To == tank.DebrisTank:
			t.use(events.Purpose(m.Note), m.WaterG)
		}
	}
	for i := range a.Decants {
		if b.wants(a.Decants[i].Entry) {
			t.DecantedML += a.Decants[i].VolumeML
		}
	}
	for i := range a.Loads {
		if l := &a.Loads[i]; l.BankML > 0 && l.Entry.Body.(events.LoadCollected).JettingWater != nil && b.wants(l.Entry) {
			t.BankML += l.BankML
			t.BankJets += l.JettingML
		}
	}
}

// accountFindings passes on what the fold found about water.
func (b *builder) accountFindings(a *tank.Account) {
	for _, f := range a.Findings {
		switch f.Code {
		case reports.FreshOverdrawn, reports.FreshOverCapacity, reports.GaugeDiffers, reports.LevelUnusable,
			reports.DecantOverFree, reports.DecantOverHeld, reports.UnknownReference:
			if b.q.Period.Contains(f.At) && b.q.WantsJob(b.j, f.Job, f.At) {
				b.report.Findings = append(b.report.Findings, f)
			}
		}
	}
}

func (b *builder) find(code reports.Code, e *reports.Entry, cites []uint64, format string, args ...any) {
	f := reports.NewFinding(code, e.Truck, e.Occurred, cites, format, args...)
	f.Job = e.Job
	b.report.Findings = append(b.report.Findings, f)
}

// zone returns a time zone by name, or the period's.
func (b *builder) zone(name string) *time.Location {
	z, ok := b.zones[name]
	if !ok {
		z = b.q.Period.Zone
		if found, err := b.o.Zones(name); err == nil && name != "" && name != "Local" {
			z = found
		}
		b.zones[name] = z
	}
	return z
}

func localDate(t events.Time, zone *time.Location) string {
	return time.UnixMilli(t.UnixMS).In(zone).Format(time.DateOnly)
}

// compareEntries orders entries of several trucks as the journal orders those of one,
// so that the order of arrival never shows.
func compareEntries(x, y *reports.Entry) int {
	if c := cmp.Compare(x.Occurred.UnixMS, y.Occurred.UnixMS); c != 0 {
		return c
	}
	return cmp.Or(cmp.Compare(x.Truck, y.Truck), cmp.Compare(x.Source, y.Source), cmp.Compare(x.Seq, y.Seq), cmp.Compare(x.ID, y.ID))
}

// finish puts everything in its order.
func (b *builder) finish() {
	r := b.report
	slices.SortFunc(r.Lines, func(x, y Line) int {
		return cmp.Or(cmp.Compare(x.Date, y.Date), cmp.Compare(x.Truck, y.Truck), cmp.Compare(x.Job, y.Job))
	})
	slices.SortFunc(r.Draws, func(x, y Draw) int { return compareEntries(x.Entry, y.Entry) })
	slices.SortFunc(r.Uses, func(x, y Use) int { return compareEntries(x.Entry, y.Entry) })
	slices.SortFunc(r.Decants, func(x, y Decant) int { return compareEntries(x.Entry, y.Entry) })
	slices.SortFunc(r.Gauges, func(x, y tank.Gauge) int { return compareEntries(x.Entry, y.Entry) })
	slices.SortStableFunc(r.Fresh, func(x, y FreshDay) int {
		return cmp.Or(cmp.Compare(x.Date, y.Date), cmp.Compare(x.Truck, y.Truck))
	})
	for _, w := range b.banks {
		r.Banks = append(r.Banks, *w)
	}
	slices.SortFunc(r.Banks, func(x, y BankWater) int { return cmp.Compare(x.Job, y.Job) })
	b.sourceDays()
	b.outfallDays()
	b.turbidityWeeks()
	b.judgeReadings()
	b.judgeWays()
	for i := range r.Days {
		slices.Sort(r.Days[i].Cites)
		r.Days[i].Cites = slices.Compact(r.Days[i].Cites)
	}
	reports.SortFindings(r.Findings)
}
