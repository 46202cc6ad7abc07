package axles

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// contents is what both tanks hold, with the entry that changed them last.
type contents struct {
	debrisG, freshG, debrisML int64
	cites                     []uint64
	fills                     []fill
}

// fill is what one entry put into the tanks, or took out of them where it is negative.
type fill struct {
	entry           *reports.Entry
	debrisG, freshG int64
}

// change is what an entry did to the tanks.
type change struct{ debrisG, freshG int64 }

func (c *change) add(account tank.AccountName, g int64) {
	switch account {
	case tank.DebrisTank:
		c.debrisG += g
	case tank.FreshTank:
		c.freshG += g
	}
}

// walk follows a truck through its entries.
type walk struct {
	j       *reports.Journal
	q       reports.Request
	o       Options
	r       *Report
	id      events.TruckID
	changes map[uint64]change // by the position of the entry
	volumes map[uint64]int64  // of the debris tank after it, where the account says so
	held    contents
	trip    *Trip // on the way
	place   string
	day     *Day
	last    *reports.Entry // of the period
}

// newWalk folds a truck's account into what each entry did to its tanks: the
// account's movements into and out of them.
func newWalk(j *reports.Journal, q reports.Request, o Options, r *Report, id events.TruckID) *walk {
	a := tank.Fold(j, id, o.Tank)
	w := &walk{j: j, q: q, o: o, r: r, id: id, changes: map[uint64]change{}, volumes: map[uint64]int64{}}
	for i := range a.Movements {
		m := &a.Movements[i]
		c := w.changes[m.Positions[0]]
		c.add(m.To, m.SolidsG+m.WaterG)
		c.add(m.From, -m.SolidsG-m.WaterG)
		if c != (change{}) {
			w.changes[m.Positions[0]] = c
		}
	}
	for i := range a.Loads {
		w.volumes[a.Loads[i].Entry.Positions[0]] = a.Loads[i].After.VolumeML
	}
	for i := range a.Decants {
		w.volumes[a.Decants[i].Entry.Positions[0]] = a.Decants[i].After.VolumeML
	}
	for i := range a.Tips {
		w.volumes[a.Tips[i].Entry.Positions[0]] = a.Tips[i].Heel.VolumeML()
	}
	return w
}

// weight is what the truck weighs now.
func (w *walk) weight(at events.Time) Weight {
	doc, known := w.j.Book.Truck(w.id, at)
	return weigh(w.id, doc, known, w.held, at, w.o.GroupMM)
}

// wants reports whether an entry makes a line.
func (w *walk) wants(job events.JobID, at events.Time) bool {
	return w.q.Period.Contains(at) && w.q.WantsJob(w.j, job, at)
}

func (w *walk) step(e *reports.Entry) {
	w.move(e)
	c, changed := w.changes[e.Positions[0]]
	counts := w.q.Period.Contains(e.Occurred) && (changed || moves(e.Kind()))
	if counts {
		w.last = e
		w.heaviest(e)
	}
	if changed {
		w.held.debrisG += c.debrisG
		w.held.freshG += c.freshG
		w.held.cites = e.Positions
		w.held.fills = append(w.held.fills, fill{e, c.debrisG, c.freshG})
	}
	if ml, ok := w.volumes[e.Positions[0]]; ok {
		w.held.debrisML = ml
	}
	if w.trip != nil && w.trip.Weight.GrossG < w.weight(e.Occurred).GrossG {
		w.trip.Weight = w.weight(e.Occurred)
	}
	if counts {
		w.heaviest(e)
	}
	if b, ok := e.Body.(events.LoadCollected); ok && w.wants(e.Job, e.Occurred) {
		w.load(e, b)
	}
}

// moves reports whether an entry shows the truck at work though nothing went into or
// out of its tanks. Dockets and meter readings come from the office, days later.
func moves(k events.Kind) bool {
	switch k {
	case events.KindShiftStarted, events.KindShiftEnded, events.KindSiteArrived, events.KindSiteLeft,
		events.KindFacilityArrived, events.KindFacilityLeft:
		return true
	}
	return false
}

// heaviest keeps the moment of the largest gross of each day.
func (w *walk) heaviest(e *reports.Entry) {
	date := w.q.Period.Day(e.Occurred)
	if w.day == nil || w.day.Date != date {
		w.closeDay()
		w.day = &Day{Date: date, Truck: w.id, At: e.Occurred, Weight: w.weight(e.Occurred)}
		return
	}
	if now := w.weight(e.Occurred); now.GrossG > w.day.Weight.GrossG {
		w.day.At, w.day.Weight = e.Occurred, now
	}
}

func (w *walk) closeDay() {
	if w.day != nil && !w.r.Narrowed {
		w.r.Days = append(w.r.Days, *w.day)
	}
	w.day = nil
}

// load adds the truck after a load, with the room that is left for more of the same
// material at its typical slurry density.
func (w *walk) load(e *reports.Entry, b events.LoadCollected) {
	l := Load{Entry: e, Weight: w.weight(e.Occurred), key: e.Ref().String()}
	if doc, ok := w.j.Book.Truck(w.id, e.Occurred); ok && l.Weight.Why == "" {
		l.volume = volumeRoom{material: b.Material, capacityL: doc.DebrisCapacityL, densityKgPerM3: tank.DefaultSlurryDensityKgPerM3, assumed: true}
		if m, ok := w.j.Book.Material(b.Material, e.Occurred); ok && m.SlurryDensityKgPerM3 > 0 {
			l.volume.densityKgPerM3, l.volume.assumed = m.SlurryDensityKgPerM3, false
		}
		volumeG := floor(times(doc.DebrisCapacityL*1000-l.Weight.DebrisML, l.volume.densityKgPerM3), 1000)
		l.Room = l.Weight.Beam.Further(l.Weight.GrossMarginG(), doc.DebrisTankFromFrontMM, &volumeG, l.Weight.aboard()...)
		l.HasRoom = true
	}
	w.r.Loads = append(w.r.Loads, l)
}

// finish closes what is open and says how the register describes the truck.
func (w *walk) finish() {
	w.arrive("not on record", events.Time{}, nil)
	w.closeDay()
	if w.last == nil {
		return
	}
	t := Truck{ID: w.id, At: w.last.Occurred, Why: "the register does not have the truck at that time"}
	if doc, ok := w.j.Book.Truck(w.id, t.At); ok {
		t.Doc = doc
		l, why := layoutOf(doc, w.o.GroupMM)
		t.beam, t.Why = l.beam, why
	}
	w.r.Trucks = append(w.r.Trucks, t)
}

// order puts the lists of several trucks into their order.
func (r *Report) order() {
	slices.SortStableFunc(r.Trips, func(a, b Trip) int {
		return cmp.Or(cmp.Compare(a.At().UnixMS, b.At().UnixMS), cmp.Compare(a.Truck, b.Truck))
	})
	slices.SortStableFunc(r.Loads, func(a, b Load) int {
		return cmp.Or(cmp.Compare(a.Entry.Occurred.UnixMS, b.Entry.Occurred.UnixMS), cmp.Compare(a.Entry.Truck, b.Entry.Truck))
	})
	slices.SortStableFunc(r.Days, func(a, b Day) int { return cmp.Or(cmp.Compare(a.Date, b.Date), cmp.Compare(a.Truck, b.Truck)) })
	reports.SortFindings(r.Findings)
}
