package water

import (
	"cmp"
	"maps"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// meterKey identifies a meter; a source whose meter is replaced begins a new series.
type meterKey struct {
	source events.WaterSourceID
	meter  string
}

// mark is a reading of a meter, or a draw without readings of its own.
type mark struct {
	at        events.Time
	what      string // one of the words below
	entry     *reports.Entry
	readingML int64 // or the draw
	limitML   int64 // of a draw
}

// What a mark is.
const (
	isRead  = "read"
	isStart = "refill start"
	isEnd   = "refill end"
	isDraw  = "draw"
)

// readings collects the readings of a truck's refills and of the meters it read.
func (b *builder) readings(truck events.TruckID) {
	entries := b.j.Entries(truck)
	for i := range entries {
		e := &entries[i]
		switch body := e.Body.(type) {
		case events.WaterRefilled:
			b.refillReadings(e, body)
		case events.MeterRead:
			b.mark(body.WaterSource, body.Meter, mark{at: e.Occurred, what: isRead, entry: e, readingML: body.ReadingML})
		}
	}
}

func (b *builder) officeReadings() {
	for i := range b.j.Office {
		e := &b.j.Office[i]
		if body, ok := e.Body.(events.MeterRead); ok {
			b.mark(body.WaterSource, body.Meter, mark{at: e.Occurred, what: isRead, entry: e, readingML: body.ReadingML})
		}
	}
}

func (b *builder) refillReadings(e *reports.Entry, body events.WaterRefilled) {
	source, _ := b.j.Book.WaterSource(body.WaterSource, e.Occurred)
	start, end := e.Interval()
	if start.IsZero() || end.IsZero() {
		start, end = e.Occurred, e.Occurred
	}
	if body.MeterStartML != nil {
		b.mark(body.WaterSource, source.Meter, mark{at: start, what: isStart, entry: e, readingML: *body.MeterStartML})
	}
	if body.MeterEndML != nil {
		b.mark(body.WaterSource, source.Meter, mark{at: end, what: isEnd, entry: e, readingML: *body.MeterEndML})
	}
	if body.Volume != nil && (body.MeterStartML == nil || body.MeterEndML == nil) {
		b.mark(body.WaterSource, source.Meter, mark{at: end, what: isDraw, entry: e, readingML: body.Volume.VolumeML, limitML: statedLimit(*body.Volume)})
	}
}

func (b *builder) mark(source events.WaterSourceID, meter string, m mark) {
	k := meterKey{source, meter}
	b.meters[k] = append(b.meters[k], m)
}

// judgeReadings holds each reading of a meter against the one before it. A meter never
// runs backwards and passes at least what was drawn. It passes no more than that where
// the source has a permit, whose holder answers for all of it; a public standpipe is
// used by others, and so is any source when only one truck was asked for.
func (b *builder) judgeReadings() {
	if b.report.Narrowed {
		return
	}
	for _, k := range slices.SortedFunc(maps.Keys(b.meters), func(x, y meterKey) int {
		return cmp.Or(cmp.Compare(x.source, y.source), cmp.Compare(x.meter, y.meter))
	}) {
		marks := b.meters[k]
		slices.SortStableFunc(marks, func(x, y mark) int {
			if c := cmp.Compare(x.at.UnixMS, y.at.UnixMS); c != 0 {
				return c
			}
			return compareEntries(x.entry, y.entry)
		})
		b.judgeSeries(k, marks)
	}
}

func (b *builder) judgeSeries(k meterKey, marks []mark) {
	var last *mark
	drawnML, limitML := int64(0), int64(0)
	cites := []uint64{}
	for i := range marks {
		m := &marks[i]
		if m.what == isDraw {
			drawnML += m.readingML
			limitML += m.limitML
			cites = append(cites, m.entry.Positions...)
			continue
		}
		r := Reading{Source: k.source, Meter: k.meter, At: m.at, What: m.what, ReadingML: m.readingML, Cites: slices.Clone(m.entry.Positions)}
		if last != nil && b.q.Period.Contains(m.at) && b.asks(m.entry) {
			r.Cites = append(append(slices.Clone(last.entry.Positions), cites...), r.Cites...)
			b.judgeReading(&r, last, m, drawnML, limitML)
		}
		if b.q.Period.Contains(m.at) && b.asks(m.entry) {
			r.Cites = compact(r.Cites)
			b.report.Readings = append(b.report.Readings, r)
		}
		last, drawnML, limitML, cites = m, 0, 0, nil
	}
}

// asks reports whether an entry's truck, if any, was asked for.
func (b *builder) asks(e *reports.Entry) bool {
	return b.q.Filter.Truck == "" || e.Truck == "" || e.Truck == b.q.Filter.Truck
}

func (b *builder) judgeReading(r *Reading, last, m *mark, drawnML, limitML int64) {
	advance := m.readingML - last.readingML
	if advance < 0 {
		r.AdvanceML = &advance
		b.find(reports.MeterBackwards, m.entry, r.Cites, "the meter %s of %s reads %s L, after %s L", r.Meter, r.Source, litres(m.readingML), litres(last.readingML))
		return
	}
	if m.what == isEnd && last.entry == m.entry {
		return // against the entry's own volume it is judged as a draw
	}
	source, _ := b.j.Book.WaterSource(r.Source, m.at)
	allowed := tank.CombinedLimit(meterLimit(source, advance), limitML)
	r.AdvanceML, r.DrawnML, r.AllowedML = &advance, &drawnML, &allowed
	answers := source.Permit != "" && b.q.Filter.Truck == ""
	if drawnML-advance > allowed || answers && advance-drawnML > allowed {
		b.find(reports.MeterDiffers, m.entry, r.Cites, "the meter %s of %s advanced by %s L while %s L were drawn; both together explain %s L",
			r.Meter, r.Source, litres(advance), litres(drawnML), litres(allowed))
	}
}

// litres shows millilitres as litres to the nearest whole.
func litres(ml int64) string { return reports.Decimal(ml, 3, 0) }
