package timeline

import (
	"cmp"
	"slices"
	"sort"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Mark is an entry that touches the day.
type Mark struct {
	Entry       *reports.Entry // of the journal; not to be changed
	From, To    events.Time    // of all of it, the same time twice for what has no length
	Where       string         // site, facility, outfall or water source, by name where the register has it
	Detail      string         // in the words of the entry: material, cause, number of the docket, what was not in order
	Of          reports.Matter // of VolumeML
	VolumeML    int64          // that was moved or gauged, by the account; 0 where none was
	ToleranceML int64          // two standard uncertainties of VolumeML; 0 where it is not known
	MassG       int64          // of a tip by the account, of a docket its net; 0 where there is none
	Basis       events.Basis   // of VolumeML; empty where there is none
	After       *Level         // what the tanks hold after it; nil where it speaks of neither, or not within the day
	Docket      *Docket        // of a tip; nil when none came
	TakenAs     int            // further entries that correct this one
}

// Docket is the docket of a tip.
type Docket struct {
	Number   string
	NetG     int64
	Position uint64
}

// Kind returns the kind of the entry.
func (m *Mark) Kind() events.Kind { return m.Entry.Kind() }

func (d *drawing) marks() {
	entries := d.j.Entries(d.Truck.Truck)
	first := sort.Search(len(entries), func(i int) bool { return !entries[i].Occurred.Before(d.day.From) })
	known := d.quantities()
	after := map[uint64]*Level{}
	for i := range d.Levels {
		if l := &d.Levels[i]; l.Position != 0 {
			after[l.Position] = l
		}
	}
	for i := first; i < len(entries) && entries[i].Occurred.UnixMS < d.day.To.UnixMS+longestMS; i++ {
		e := &entries[i]
		if !touches(e, d.day) {
			continue
		}
		m := known[e.Positions[0]]
		m.Entry, m.TakenAs = e, len(e.Positions)-1
		m.From, m.To = e.Interval()
		if l := after[e.Positions[0]]; l != nil && d.day.Contains(e.Occurred) {
			m.After = l
		}
		d.describe(&m)
		d.Marks = append(d.Marks, m)
	}
	slices.SortStableFunc(d.Marks, func(a, b Mark) int { return cmp.Compare(a.From.UnixMS, b.From.UnixMS) })
}

// quantities returns what the fold of the tank says of entries, by position.
func (d *drawing) quantities() map[uint64]Mark {
	known := map[uint64]Mark{}
	put := func(e *reports.Entry, m Mark) { known[e.Positions[0]] = m }
	a := d.account
	for i := range a.Loads {
		l := &a.Loads[i]
		put(l.Entry, Mark{VolumeML: l.VolumeML, ToleranceML: l.ToleranceML, Basis: l.Basis, Of: reports.SpoilMatter})
	}
	for i := range a.Decants {
		x := &a.Decants[i]
		put(x.Entry, Mark{VolumeML: x.VolumeML, ToleranceML: x.ToleranceML, Basis: x.Entry.Body.(events.WaterDecanted).Volume.Basis, Of: reports.WaterMatter})
	}
	for i := range a.Tips {
		t := &a.Tips[i]
		m := Mark{VolumeML: t.VolumeML, ToleranceML: t.ToleranceML, MassG: t.MassG(), Basis: t.Basis, Of: reports.SpoilMatter}
		if t.Docket != nil {
			m.Docket = &Docket{t.Docket.Number, t.Docket.NetG, t.Docket.Entry.Positions[0]}
		}
		put(t.Entry, m)
	}
	for i := range a.Returns {
		x := &a.Returns[i]
		put(x.Entry, Mark{VolumeML: x.VolumeML, MassG: x.MassG(), Of: reports.SpoilMatter})
	}
	for i := range a.Refills {
		x := &a.Refills[i]
		put(x.Entry, Mark{VolumeML: x.VolumeML, ToleranceML: x.ToleranceML, Basis: x.Basis, Of: reports.WaterMatter})
	}
	for i := range a.Uses {
		x := &a.Uses[i]
		put(x.Entry, Mark{VolumeML: x.VolumeML, Basis: x.Entry.Body.(events.WaterUsed).Volume.Basis, Of: reports.WaterMatter})
	}
	for i := range a.Gauges {
		put(a.Gauges[i].Entry, gauged(&a.Gauges[i]))
	}
	for i := range a.Dockets {
		x := &a.Dockets[i]
		put(x.Entry, Mark{MassG: x.NetG})
	}
	return known
}

func gauged(g *tank.Gauge) Mark {
	m := Mark{VolumeML: g.MeasuredML, Basis: events.Measured, Of: reports.SpoilMatter}
	if g.Tank == events.FreshTank {
		m.Of = reports.WaterMatter
	}
	return m
}

// describe says where an entry was and what else it says.
func (d *drawing) describe(m *Mark) {
	e := m.Entry
	if e.Job != "" {
		m.Where = d.job(e.Job, e.Occurred)
	}
	switch b := e.Body.(type) {
	case events.LoadCollected:
		m.Detail = string(b.Material)
		if x, ok := d.j.Book.Material(b.Material, e.Occurred); ok && x.Description != "" {
			m.Detail = x.Description
		}
	case events.WaterDecanted:
		m.Where = string(b.Outfall)
		if x, ok := d.j.Book.Outfall(b.Outfall, e.Occurred); ok && x.Name != "" {
			m.Where = x.Name
		}
	case events.SpoilTipped:
		m.Where, m.Detail = d.facility(b.Facility, e.Occurred), b.Consignment
	case events.SpoilRefused:
		m.Where, m.Detail = d.facility(b.Facility, e.Occurred), string(b.Reason)
	case events.SpoilReturned:
		m.Where, m.Detail = d.facility(b.Facility, e.Occurred), string(b.Reason)
	case events.FacilityArrived:
		m.Where = d.facility(b.Facility, e.Occurred)
	case events.FacilityLeft:
		m.Where = d.facility(b.Facility, e.Occurred)
	case events.DocketReceived:
		m.Where, m.Detail = d.facility(b.Facility, e.Occurred), b.Number
	case events.WaterRefilled:
		m.Where = string(b.WaterSource)
		if x, ok := d.j.Book.WaterSource(b.WaterSource, e.Occurred); ok && x.Name != "" {
			m.Where = x.Name
		}
	case events.WaterUsed:
		m.Detail = string(b.Purpose)
	case events.TankGauged:
		m.Detail = string(b.Tank)
	case events.StandbyStarted:
		m.Detail = string(b.Cause)
	case events.EmergencyStopPressed:
		m.Detail = string(b.Station)
		if b.Cause != "" {
			m.Detail += ": " + b.Cause
		}
	case events.PumpEngaged:
		m.Detail = string(b.Pump)
	case events.PumpDisengaged:
		m.Detail = string(b.Pump)
	case events.PrestartChecked:
		for _, item := range b.Items {
			if !item.OK {
				m.Detail = joined(m.Detail, item.Item)
			}
		}
	case events.CareRecorded:
		m.Detail = string(b.Task)
	}
}

func joined(list, more string) string {
	if list == "" {
		return more
	}
	return list + ", " + more
}
