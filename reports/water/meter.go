package water

import (
	"cmp"
	"maps"
	"slices"
	"strings"

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
	carries   bool  // of a break: the meter rolled over, so that what passed goes on across it
}

// What a mark is.
const (
	isRead  = "read"
	isStart = "refill start"
	isEnd   = "refill end"
	isDraw  = "draw"
	isLast  = "last before it was " // and the cause
	isFirst = "first after it was "
)

// breaks adds the breaks in the readings of every source's meters.
func (b *builder) breaks() {
	for _, key := range b.j.Book.Keys(events.WaterSourceRegister) {
		source := events.WaterSourceID(key)
		for _, c := range b.j.MeterChanges(source) {
			carries := c.Cause == events.MeterRolledOver && c.Meter == c.NextMeter
			cause := map[events.MeterCause]string{events.MeterRolledOver: "rolled over", events.MeterReplaced: "replaced", events.MeterReset: "set anew"}[c.Cause]
			b.changes[source] = append(b.changes[source], c)
			b.mark(source, c.Meter, mark{at: c.Entry.Occurred, what: isLast + cause, entry: c.Entry, readingML: c.FinalML, carries: carries})
			b.mark(source, c.NextMeter, mark{at: c.Entry.Occurred, what: isFirst + cause, entry: c.Entry, readingML: c.StartML, carries: carries})
		}
	}
}

// meterAt returns the meter that a source had at a time: the register's, or the one
// that replaced it where the register does not know that yet.
func (b *builder) meterAt(source events.WaterSourceID, at events.Time) string {
	doc, _ := b.j.Book.WaterSource(source, at)
	meter := doc.Meter
	for _, c := range b.changes[source] {
		if !at.Before(c.Entry.Occurred) && c.Meter == meter {
			meter = c.NextMeter
		}
	}
	return meter
}

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
	start, end := e.Interval()
	if start.IsZero() || end.IsZero() {
		start, end = e.Occurred, e.Occurred
	}
	if body.MeterStartML != nil {
		b.mark(body.WaterSource, b.meterAt(body.WaterSource, start), mark{at: start, what: isStart, entry: e, readingML: *body.MeterStartML})
	}
	if body.MeterEndML != nil {
		b.mark(body.WaterSource, b.meterAt(body.WaterSource, end), mark{at: end, what: isEnd, entry: e, readingML: *body.MeterEndML})
	}
	if body.Volume != nil && (body.MeterStartML == nil || body.MeterEndML == nil) {
		b.mark(body.WaterSource, b.meterAt(body.WaterSource, end), mark{at: end, what: isDraw, entry: e, readingML: body.Volume.VolumeML, limitML: statedLimit(*body.Volume)})
	}
}

func (b *builder) mark(source events.WaterSourceID, meter string, m mark) {
	k := meterKey{source, meter}
	b.meters[k] = append(b.meters[k], m)
}

// judgeReadings holds each reading of a meter against the one before it. A meter never
// runs backwards and passes at least what was drawn. It passes no more than that where
// the source has a permit, whose holder answers for all of it; a public standpipe is
// used by others, and so is any source when only one truck was asked for. A meter that
// rolled over goes on across the break; one that was replaced or set anew ends at its
// last reading and begins again.
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
	var started *reports.Entry // the refill whose first reading came last
	drawnML, limitML, carriedML := int64(0), int64(0), int64(0)
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
		first, shown := strings.HasPrefix(m.what, isFirst), b.q.Period.Contains(m.at) && b.asks(m.entry)
		if last != nil && shown && !first {
			r.Cites = append(append(slices.Clone(last.entry.Positions), cites...), r.Cites...)
			ends := m.what == isEnd && (last.entry == m.entry || last.carries && started == m.entry)
			b.judgeReading(&r, last, m, ends, carriedML, drawnML, limitML)
		}
		if shown {
			r.Cites = compact(r.Cites)
			b.report.Readings = append(b.report.Readings, r)
		}
		if m.what == isStart {
			started = m.entry
		}
		if m.carries { // what passed and what was drawn goes on into the next reading
			if !first && last != nil {
				carriedML += max(0, m.readingML-last.readingML)
				cites = append(append(slices.Clone(last.entry.Positions), cites...), m.entry.Positions...)
			}
			last = m
			continue
		}
		last, drawnML, limitML, carriedML, cites = m, 0, 0, 0, nil
	}
}

// asks reports whether an entry's truck, if any, was asked for.
func (b *builder) asks(e *reports.Entry) bool {
	return b.q.Filter.Truck == "" || e.Truck == "" || e.Truck == b.q.Filter.Truck
}

// judgeReading holds a reading against the one before it; ends is true for the second
// reading of a refill that follows its first.
func (b *builder) judgeReading(r *Reading, last, m *mark, ends bool, carriedML, drawnML, limitML int64) {
	advance := m.readingML - last.readingML
	if advance < 0 {
		r.AdvanceML = &advance
		b.find(reports.MeterBackwards, m.entry, r.Cites, "the meter %s of %s reads %s L, after %s L", r.Meter, r.Source, litres(m.readingML), litres(last.readingML))
		return
	}
	if ends {
		return // against the entry's own volume it is judged as a draw
	}
	if m.carries {
		r.AdvanceML = &advance
		return // when it rolled over nobody saw, so it is judged with the next reading
	}
	advance += carriedML
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
