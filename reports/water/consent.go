package water

import (
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// decant counts a decant towards its outfall's day and week and, when it is asked for,
// lists it against the consent in force.
func (b *builder) decant(d *tank.Decant, asked bool) {
	e := d.Entry
	outfall, _ := b.j.Book.Outfall(d.Outfall, e.Occurred)
	zone := b.zone(outfall.TimeZone)
	date := localDate(e.Occurred, zone)
	listed := asked && b.wants(e)
	b.outfallDecant(d, outfall, date, listed)
	b.turbidityReading(d, outfall, zone, listed)
	if !listed {
		return
	}
	line := Decant{Decant: *d, Name: outfall.Name}
	if inForce(outfall, date) {
		line.Consent = outfall.Consent
	}
	line.Result, line.Exceeds = b.judgeDecant(e, d.Outfall, outfall, date)
	day, l := b.flow(e)
	day.DecantedML += d.VolumeML
	l.DecantedML += d.VolumeML
	b.report.Decants = append(b.report.Decants, line)
}

// inForce reports whether an outfall has a consent that covers a local date.
func inForce(o events.Outfall, date string) bool {
	return o.Consent != "" && (o.ConsentFrom == "" || o.ConsentFrom <= date) && (o.ConsentTo == "" || date <= o.ConsentTo)
}

// judgeDecant holds one decant against the limits on single readings, which are
// exceeded only above them, and says what was found. A reading that a limit asks for
// and nobody took is named, and is no finding: a consent says how often to measure.
func (b *builder) judgeDecant(e *reports.Entry, id events.OutfallID, o events.Outfall, date string) (result string, exceeds bool) {
	if !inForce(o, date) {
		switch {
		case id == "":
			b.find(reports.NoConsent, e, e.Positions, "a decant names no outfall")
		case o.Consent == "":
			b.find(reports.NoConsent, e, e.Positions, "water was decanted to %s, for which the register has no consent", id)
		default:
			b.find(reports.NoConsent, e, e.Positions, "water was decanted to %s on %s; consent %s runs from %q to %q", id, date, o.Consent, o.ConsentFrom, o.ConsentTo)
		}
		return "no consent", false
	}
	body := e.Body.(events.WaterDecanted)
	exceeded, missing := limits(o, body)
	if len(exceeded) > 0 {
		b.find(reports.ConsentExceeded, e, e.Positions, "decant to %s under consent %s: %s", id, o.Consent, strings.Join(exceeded, "; "))
	}
	if all := append(exceeded, missing...); len(all) > 0 {
		return strings.Join(all, "; "), len(exceeded) > 0
	}
	return "within", false
}

// limits names the limits on single readings that a decant exceeds, and those for
// which it has no reading.
func limits(o events.Outfall, d events.WaterDecanted) (exceeded, missing []string) {
	check := func(name string, reading *int64, low, high int64, show func(int64) string) {
		switch {
		case low == 0 && high == 0:
		case reading == nil:
			missing = append(missing, name+" not measured")
		case high > 0 && *reading > high:
			exceeded = append(exceeded, name+" "+show(*reading)+" above "+show(high))
		case *reading < low:
			exceeded = append(exceeded, name+" "+show(*reading)+" below "+show(low))
		}
	}
	check("pH", d.PHHundredths, o.PHMinHundredths, o.PHMaxHundredths, func(v int64) string { return fmt.Sprintf("%d.%02d", v/100, v%100) })
	check("suspended solids", d.SuspendedSolidsMGPerL, 0, o.SuspendedSolidsLimitMGPerL, func(v int64) string { return fmt.Sprintf("%d mg/L", v) })
	if o.TurbidityWeeklyAverage {
		if o.TurbidityLimitNTU > 0 && d.TurbidityMilliNTU == nil {
			missing = append(missing, "turbidity not measured")
		}
		return exceeded, missing
	}
	check("turbidity", d.TurbidityMilliNTU, 0, o.TurbidityLimitNTU*1000, turbidity)
	return exceeded, missing
}

func turbidity(milli int64) string { return fmt.Sprintf("%d.%03d NTU", milli/1000, milli%1000) }

func (b *builder) outfallDecant(d *tank.Decant, outfall events.Outfall, date string, listed bool) {
	k := placeDay{string(d.Outfall), date}
	o := b.outfalls[k]
	if o == nil {
		o = &OutfallDay{Outfall: d.Outfall, Date: date}
		b.outfalls[k] = o
	}
	if !d.Entry.Occurred.Before(o.binds) { // of all trucks
		o.Name, o.LimitML, o.binds = outfall.Name, outfall.DailyLimitL*1000, d.Entry.Occurred
	}
	o.DecantedML += d.VolumeML
	o.parts = append(o.parts, d.VolumeML)
	o.Cites = append(o.Cites, d.Entry.Positions...)
	if listed {
		o.ListML += d.VolumeML
		b.seenIn[k] = true
	}
}

// turbidityReading counts a reading towards the week's mean where the consent limits
// that mean.
func (b *builder) turbidityReading(d *tank.Decant, outfall events.Outfall, zone *time.Location, listed bool) {
	body := d.Entry.Body.(events.WaterDecanted)
	if body.TurbidityMilliNTU == nil || !outfall.TurbidityWeeklyAverage || outfall.TurbidityLimitNTU == 0 {
		return
	}
	k := placeDay{"week " + string(d.Outfall), monday(d.Entry.Occurred, zone)}
	w := b.weeks[k]
	if w == nil {
		w = &TurbidityWeek{Outfall: d.Outfall, Monday: k.date}
		b.weeks[k] = w
	}
	if !d.Entry.Occurred.Before(w.binds) { // of all trucks
		w.Name, w.LimitNTU, w.binds = outfall.Name, outfall.TurbidityLimitNTU, d.Entry.Occurred
	}
	w.Readings++
	w.SumMilli += *body.TurbidityMilliNTU
	w.parts = append(w.parts, *body.TurbidityMilliNTU)
	w.Cites = append(w.Cites, d.Entry.Positions...)
	if listed {
		b.seenIn[k] = true
	}
}

// monday returns the date of the Monday of a time's week.
func monday(t events.Time, zone *time.Location) string {
	local := time.UnixMilli(t.UnixMS).In(zone)
	y, m, d := local.Date()
	sinceMonday := (int(local.Weekday()) + 6) % 7
	return time.Date(y, m, d-sinceMonday, 12, 0, 0, 0, zone).Format(time.DateOnly)
}

func (b *builder) outfallDays() {
	for _, k := range slices.SortedFunc(maps.Keys(b.outfalls), comparePlaces) {
		o := b.outfalls[k]
		if !b.seenIn[k] {
			continue
		}
		slices.Sort(o.Cites)
		b.report.Outfalls = append(b.report.Outfalls, *o)
		if o.Over() {
			b.report.Findings = append(b.report.Findings, reports.NewFinding(reports.ConsentExceeded, "", b.lastOf(o.Cites), b.j.Cited(o.Cites),
				"%s L were decanted to %s on %s; its consent allows %s L a day", litres(o.DecantedML), o.Outfall, o.Date, litres(o.LimitML)))
		}
	}
}

func (b *builder) turbidityWeeks() {
	for _, k := range slices.SortedFunc(maps.Keys(b.weeks), comparePlaces) {
		w := b.weeks[k]
		if !b.seenIn[k] {
			continue
		}
		slices.Sort(w.Cites)
		b.report.Weeks = append(b.report.Weeks, *w)
		if w.Over() {
			b.report.Findings = append(b.report.Findings, reports.NewFinding(reports.ConsentExceeded, "", b.lastOf(w.Cites), b.j.Cited(w.Cites),
				"turbidity at %s averaged %s over %d readings of the week from %s; the consent's weekly limit is %d NTU",
				w.Outfall, turbidity(w.MeanMilliNTU()), w.Readings, w.Monday, w.LimitNTU))
		}
	}
}
