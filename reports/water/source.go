package water

import (
	"cmp"
	"maps"
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// DefaultMeterPermille is the tolerance of a water meter for which the register gives
// none: 2 %, the upper zone of class 2 (OIML R 49).
const DefaultMeterPermille = 20

// refill counts a refill towards its source's day and, when it is asked for, lists it.
func (b *builder) refill(r *tank.Refill, asked bool) {
	e := r.Entry
	source, _ := b.j.Book.WaterSource(r.Source, e.Occurred)
	listed := asked && b.wants(e)
	b.sourceDraw(r, source, listed)
	if !listed {
		return
	}
	body := e.Body.(events.WaterRefilled)
	d := Draw{Refill: *r, Name: source.Name, Backflow: body.BackflowDevice, Required: source.BackflowRequired}
	if d.Required && (d.Backflow == "" || d.Backflow == events.NoDevice) {
		b.find(reports.BackflowMissing, e, e.Positions, "a refill from %s, which asks for a backflow device, records none", r.Source)
	}
	if r.StatedML != nil && r.MeterML != nil && *r.MeterML >= 0 {
		difference, allowed := *r.MeterML-*r.StatedML, tank.CombinedLimit(meterLimit(source, *r.MeterML), statedLimit(*body.Volume))
		d.DifferenceML, d.AllowedML = &difference, &allowed
		if magnitude(difference) > allowed {
			b.find(reports.MeterDiffers, e, e.Positions, "the meter of %s passed %s L, the entry says %s L; both together explain %s L",
				r.Source, litres(*r.MeterML), litres(*r.StatedML), litres(allowed))
		}
	}
	day, line := b.flow(e)
	day.draw(r.Use, r.VolumeML)
	line.draw(r.Use, r.VolumeML)
	b.drawnByMeter(&d, source)
	b.report.Draws = append(b.report.Draws, d)
}

func (b *builder) sourceDraw(r *tank.Refill, source events.WaterSource, listed bool) {
	date := localDate(r.Entry.Occurred, b.zone(source.TimeZone))
	k := placeDay{string(r.Source), date}
	s := b.sources[k]
	if s == nil {
		s = &SourceDay{Source: r.Source, Date: date}
		b.sources[k] = s
	}
	// The version in force at the day's last draw is the one that binds the day.
	if !r.Entry.Occurred.Before(s.binds) { // of all trucks
		s.fill(source)
		s.binds = r.Entry.Occurred
	}
	s.DrawnML += r.VolumeML
	s.parts = append(s.parts, r.VolumeML)
	if listed {
		s.ListML += r.VolumeML
	}
	s.Cites = append(s.Cites, r.Entry.Positions...)
}

func (s *SourceDay) fill(source events.WaterSource) {
	s.Name, s.Use, s.Permit, s.CapML = source.Name, source.Use, source.Permit, source.DailyCapL*1000
}

// sourceDays lists the days of the period: of every source with a cap or a permit all
// of them, a day without a draw as zero, of the others those with a draw.
func (b *builder) sourceDays() {
	touched := map[events.WaterSourceID]map[string]bool{}
	for _, key := range b.j.Book.Keys(events.WaterSourceRegister) {
		id := events.WaterSourceID(key)
		touched[id] = b.boundDays(id)
	}
	for _, k := range slices.SortedFunc(maps.Keys(b.sources), comparePlaces) {
		s := b.sources[k]
		days, known := touched[s.Source]
		bound := known && days[s.Date] && (s.CapML > 0 || s.Permit != "")
		if !bound && s.ListML == 0 {
			continue
		}
		slices.Sort(s.Cites)
		b.report.Sources = append(b.report.Sources, *s)
		if s.Over() && bound {
			f := reports.NewFinding(reports.CapExceeded, "", b.lastOf(s.Cites), b.j.Cited(s.Cites),
				"%s L were drawn from %s on %s; its cap is %s L a day", litres(s.DrawnML), s.Source, s.Date, litres(s.CapML))
			b.report.Findings = append(b.report.Findings, f)
		}
	}
}

// boundDays returns the source's local days that the period touches, and adds a zero
// day for each on which a cap or a permit binds and nobody drew anything.
func (b *builder) boundDays(id events.WaterSourceID) map[string]bool {
	days := map[string]bool{}
	latest, ok := b.j.Book.WaterSource(id, before(b.q.Period.To))
	if !ok {
		return days
	}
	zone := b.zone(latest.TimeZone)
	for _, date := range (reports.Period{From: b.q.Period.From, To: b.q.Period.To, Zone: zone}).EachDay() {
		days[date] = true
		k := placeDay{string(id), date}
		if b.sources[k] != nil {
			continue
		}
		midnight, err := time.ParseInLocation(time.DateOnly, date, zone)
		if err != nil {
			continue // EachDay gives dates only
		}
		source, ok := b.j.Book.WaterSource(id, before(events.TimeOf(midnight.AddDate(0, 0, 1))))
		if ok && (source.DailyCapL > 0 || source.Permit != "") {
			s := &SourceDay{Source: id, Date: date, binds: before(events.TimeOf(midnight.AddDate(0, 0, 1)))}
			s.fill(source)
			b.sources[k] = s
		}
	}
	return days
}

func before(t events.Time) events.Time {
	t.UnixMS--
	return t
}

// lastOf returns when the latest of some events occurred.
func (b *builder) lastOf(positions []uint64) events.Time {
	last := events.Time{}
	for _, p := range positions {
		if r := b.j.Recorded(p); r != nil && (last.IsZero() || last.Before(r.Occurred)) && r.Kind() != events.KindEntryCorrected {
			last = r.Occurred
		}
	}
	return last
}

func comparePlaces(x, y placeDay) int {
	return cmp.Or(cmp.Compare(x.place, y.place), cmp.Compare(x.date, y.date))
}

func meterLimit(source events.WaterSource, ml int64) int64 {
	permille := source.MeterTolerancePermille
	if permille == 0 {
		permille = DefaultMeterPermille
	}
	return reports.MulDiv(ml, permille, 1000)
}

// statedLimit returns the tolerance stated with a volume, or the usual one.
func statedLimit(v events.Volume) int64 {
	if v.ToleranceML > 0 {
		return v.ToleranceML
	}
	return reports.MulDiv(v.VolumeML, tank.DefaultTolerancePPM, 1_000_000)
}

func magnitude(v int64) int64 { return max(v, -v) }
