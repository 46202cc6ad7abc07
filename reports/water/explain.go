package water

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// The names of the tables whose lines can be explained, beside that of the days.
const (
	lineTableName    = "Water by truck and job"
	drawTableName    = "Draws"
	sourceTableName  = "Sources by day"
	outfallTableName = "Outfalls by day"
	weekTableName    = "Turbidity by week"
)

func (l *Line) key() string { return l.Date + "/" + string(l.Truck) + "/" + string(l.Job) }

func (d *Draw) key() string { return d.Entry.Ref().String() }

func (s *SourceDay) key() string { return string(s.Source) + "/" + s.Date }

func (o *OutfallDay) key() string { return string(o.Outfall) + "/" + o.Date }

func (w *TurbidityWeek) key() string { return string(w.Outfall) + "/" + w.Monday }

// Explain returns how a line came about: a day, or a truck and job on a day, from its
// entries; a refill from its readings; a source's or an outfall's day against its limit
// and a week's mean turbidity from everything that counts towards them; and what a
// meter, a gauge or a nozzle says from the readings and settings.
func (r *Report) Explain(table, key string) (reports.Explanation, bool) {
	x := &exposition{r: r, Explanation: reports.Explanation{Report: "water", Table: table, Key: key}}
	found := false
	switch table {
	case dayTableName:
		found = reports.ExplainKeyed(r.Days, key, func(d *Day) string { return d.Date }, x.day)
	case lineTableName:
		found = reports.ExplainKeyed(r.Lines, key, (*Line).key, x.line)
	case drawTableName:
		found = reports.ExplainKeyed(r.Draws, key, (*Draw).key, x.draw)
	case sourceTableName:
		found = reports.ExplainKeyed(r.Sources, key, (*SourceDay).key, x.source)
	case outfallTableName:
		found = reports.ExplainKeyed(r.Outfalls, key, (*OutfallDay).key, x.outfall)
	case waysTableName:
		found = reports.ExplainKeyed(r.Ways, key, (*Known).key, x.way)
	case weekTableName:
		found = reports.ExplainKeyed(r.Weeks, key, (*TurbidityWeek).key, x.week)
	}
	if !found {
		return reports.Explanation{}, false
	}
	x.Gather()
	return x.Explanation, true
}

// exposition gathers the explanation of one line.
type exposition struct {
	reports.Explanation
	r *Report
}

// plain writes units of 10^-scale as a decimal number without separators or zeros at
// its end, as arithmetic reads it.
func plain(v int64, scale int) string {
	text := strings.ReplaceAll(reports.Decimal(v, scale, scale), ",", "")
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

func num(ml int64) string { return plain(ml, 3) }

func inL(ml int64) string { return reports.Decimal(ml, 3, 3) + " L" }

// sum is figures that are added up, with the entries that said them.
type sum struct {
	terms []string
	ml    int64
	cites []uint64
}

func (s *sum) add(ml int64, cites ...uint64) {
	term := num(ml)
	if ml < 0 {
		term = "(" + term + ")"
	}
	s.terms = append(s.terms, term)
	s.ml += ml
	s.cites = append(s.cites, cites...)
}

func (s *sum) text() string {
	if len(s.terms) == 0 {
		return "0"
	}
	return strings.Join(s.terms, " + ")
}

func (x *exposition) day(d *Day) {
	x.Says = fmt.Sprintf("On %s %s were drawn, %s used and %s decanted.", d.Date, reports.Litres(d.DrawnML()), reports.Litres(d.UsedML()), reports.Litres(d.DecantedML))
	x.flows(&d.Flow, func(e *reports.Entry) bool { return x.r.Request.Period.Day(e.Occurred) == d.Date })
	x.Cites = append(x.Cites, d.Cites...)
}

func (x *exposition) line(l *Line) {
	x.Says = fmt.Sprintf("On %s truck %s, job %s: %s drawn, %s used and %s decanted.", l.Date, l.Truck, cmp.Or(string(l.Job), "none"),
		reports.Litres(l.DrawnML()), reports.Litres(l.UsedML()), reports.Litres(l.DecantedML))
	x.flows(&l.Flow, func(e *reports.Entry) bool {
		return e.Truck == l.Truck && e.Job == l.Job && x.r.Request.Period.Day(e.Occurred) == l.Date
	})
	x.Cites = append(x.Cites, l.Cites...)
}

// flows explains the flows of the entries that belong to a line, kind by kind, and their
// sums.
func (x *exposition) flows(f *Flow, belongs func(*reports.Entry) bool) {
	sources, purposes := map[events.WaterSourceUse]*sum{}, map[events.Purpose]*sum{}
	decanted := &sum{}
	for i := range x.r.Draws {
		if d := &x.r.Draws[i]; belongs(d.Entry) {
			at(sources, d.Use).add(d.VolumeML, d.Entry.Positions...)
			x.Read(x.r.journal, events.WaterSourceRegister, string(d.Source), d.Entry.Occurred, d.Name+", "+sourceUse(d.Use))
		}
	}
	for i := range x.r.Uses {
		if u := &x.r.Uses[i]; belongs(u.Entry) {
			at(purposes, u.Purpose).add(u.VolumeML, u.Entry.Positions...)
		}
	}
	for i := range x.r.Decants {
		if d := &x.r.Decants[i]; belongs(d.Entry) {
			decanted.add(d.VolumeML, d.Entry.Positions...)
		}
	}
	drawn, used := &sum{}, &sum{}
	for _, kind := range sorted(sources) {
		s := sources[kind]
		x.Reckon("drawn, "+sourceUse(kind), s.text(), inL(s.ml), s.cites...)
		drawn.add(s.ml)
	}
	for _, purpose := range sorted(purposes) {
		s := purposes[purpose]
		x.Reckon("used for "+string(purpose), s.text(), inL(s.ml), s.cites...)
		used.add(s.ml)
	}
	x.Reckon("drawn from all sources", drawn.text(), inL(f.DrawnML()))
	x.Reckon("used, jetting water included", used.text(), inL(f.UsedML()))
	x.Reckon("decanted, as stated", decanted.text(), inL(f.DecantedML), decanted.cites...)
	if ppm, ok := f.RecycledPPM(); ok {
		x.Reckon("recycled share of what was drawn", fmt.Sprintf("%s ÷ %s × 100", num(f.RecycledML), num(f.DrawnML())), reports.Decimal(ppm, 4, 4)+" %")
	}
	x.Follow("this program's rule", "A refill counts by its measured volume, otherwise by its meter; recycled water is never counted as mains.")
	x.Follow("Tanaka et al., Metrologia 38 (2001) 301", "Water counts as 1000 kg/m³, 1 g for 1 mL; from 0 to 30 °C it is 999.97 to 995.65.")
}

func at[K comparable](sums map[K]*sum, k K) *sum {
	if sums[k] == nil {
		sums[k] = &sum{}
	}
	return sums[k]
}

func sorted[K cmp.Ordered](sums map[K]*sum) []K {
	keys := make([]K, 0, len(sums))
	for k := range sums {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

func (x *exposition) draw(d *Draw) {
	e := d.Entry
	body, _ := e.Body.(events.WaterRefilled)
	source, _ := x.r.journal.Book.WaterSource(d.Source, e.Occurred)
	x.Says = fmt.Sprintf("Truck %s drew %s from %s at %s.", e.Truck, reports.Litres(d.VolumeML), cmp.Or(d.Name, string(d.Source)), x.r.Request.Period.Local(e.Occurred).Format("2006-01-02 15:04"))
	x.Cites = append(x.Cites, e.Positions...)
	if d.MeterML != nil {
		x.metered(d, body)
	}
	switch {
	case d.ByMeter:
		x.Reckon("counts, by the meter", num(*d.MeterML), inL(d.VolumeML), e.Positions...)
	case d.StatedML != nil:
		x.Reckon("counts, as entered", num(*d.StatedML), inL(d.VolumeML), e.Positions...)
	default:
		x.Reckon("counts as nothing, for its meter fell and no volume was entered", "0", inL(d.VolumeML), e.Positions...)
	}
	x.Follow("this program's rule", "A refill counts by its measured volume, otherwise by its meter where that did not fall.")
	if d.DifferenceML != nil {
		own, stated := meterLimit(source, *d.MeterML), statedLimit(*body.Volume)
		x.Reckon("the meter less the entry", fmt.Sprintf("%s − %s", num(*d.MeterML), num(*d.StatedML)), inL(*d.DifferenceML), e.Positions...)
		x.Reckon("limit of the meter: what passed × its tolerance", fmt.Sprintf("%s × %d ÷ 1000", num(*d.MeterML), permille(source)), inL(own))
		x.Reckon("both explain, two standard uncertainties", fmt.Sprintf("2 × rss(%s, %s) ÷ sqrt(3)", num(own), num(stated)), inL(*d.AllowedML))
		x.Follow("JCGM 100 (GUM)", "A limit counts as a rectangular distribution, u = limit ÷ √3; independent ones add as squares; shown are two standard uncertainties; rss is the root of the sum of the squares.")
		x.Follow("OIML R 49, water meters of class 2, upper zone", "A meter whose tolerance the register does not say is within 2 %.")
		if body.Volume.ToleranceML == 0 {
			x.Follow("this program's assumption", "A volume without a stated tolerance is within 3 %.")
		}
	}
	x.Read(x.r.journal, events.WaterSourceRegister, string(d.Source), e.Occurred, fmt.Sprintf("%s, %s, meter %s good to %d ‰", source.Name, sourceUse(source.Use), cmp.Or(source.Meter, "none"), permille(source)))
}

// metered explains what passed the meter between a refill's readings.
func (x *exposition) metered(d *Draw, body events.WaterRefilled) {
	plainML := *body.MeterEndML - *body.MeterStartML
	text := fmt.Sprintf("%s − %s", num(*body.MeterEndML), num(*body.MeterStartML))
	cites := slices.Clone(d.Entry.Positions)
	start, end := d.Entry.Interval()
	for _, c := range x.r.journal.MeterChanges(d.Source) {
		if plainML < 0 && !c.Entry.Occurred.Before(start) && !end.Before(c.Entry.Occurred) {
			text += fmt.Sprintf(" + %s − %s", num(c.FinalML), num(c.StartML))
			cites = append(cites, c.Entry.Positions...)
		}
	}
	x.Reckon("passed the meter: second reading less the first, across a change of the meter", text, inL(*d.MeterML), cites...)
}

func permille(source events.WaterSource) int64 {
	return cmp.Or(source.MeterTolerancePermille, DefaultMeterPermille)
}

func (x *exposition) source(s *SourceDay) {
	x.Says = fmt.Sprintf("%s, %s: %s were drawn by all trucks on record%s.", s.Source, s.Date, reports.Litres(s.DrawnML), against(s.CapML, s.Over(), "cap"))
	x.limited("drawn by all trucks on record", s.parts, s.DrawnML, s.CapML, s.Cites)
	if s.ListML != s.DrawnML {
		x.Reckon("of it by the refills that this report lists", num(s.ListML), inL(s.ListML))
	}
	x.Follow("the register's entry of "+string(s.Source)+" at the end of the day, permit "+cmp.Or(s.Permit, "none"),
		"The cap binds what all drew in a whole day of the source's own time zone and is exceeded only above it; a day without a draw is an explicit zero.")
	x.Read(x.r.journal, events.WaterSourceRegister, string(s.Source), s.binds, fmt.Sprintf("%s, %s, permit %s, daily cap %s", s.Name, sourceUse(s.Use), cmp.Or(s.Permit, "none"), orNone(s.CapML)))
}

func (x *exposition) outfall(o *OutfallDay) {
	x.Says = fmt.Sprintf("%s, %s: %s were decanted by all trucks on record%s.", cmp.Or(string(o.Outfall), "no outfall"), o.Date, reports.Litres(o.DecantedML), against(o.LimitML, o.Over(), "limit"))
	x.limited("decanted by all trucks on record, as stated", o.parts, o.DecantedML, o.LimitML, o.Cites)
	x.Follow("the consent in the register's entry of "+cmp.Or(string(o.Outfall), "no outfall"),
		"The limit binds what all decanted in a whole day of the outfall's own time zone and is exceeded only above it.")
	x.Read(x.r.journal, events.OutfallRegister, string(o.Outfall), o.binds, fmt.Sprintf("%s, daily limit %s", o.Name, orNone(o.LimitML)))
}

func against(limitML int64, over bool, noun string) string {
	switch {
	case limitML == 0:
		return ""
	case over:
		return fmt.Sprintf(", above the %s of %s", noun, reports.Litres(limitML))
	}
	return fmt.Sprintf(", within the %s of %s", noun, reports.Litres(limitML))
}

func orNone(limitML int64) string {
	if limitML == 0 {
		return "none"
	}
	return reports.Litres(limitML)
}

// limited explains a sum and what it has over or under a limit.
func (x *exposition) limited(what string, parts []int64, totalML, limitML int64, cites []uint64) {
	s := sum{}
	for _, p := range parts {
		s.add(p)
	}
	x.Cites = append(x.Cites, cites...)
	x.Reckon(what, s.text(), inL(totalML), cites...)
	if limitML > 0 {
		x.Reckon("less the limit; above zero it is exceeded", fmt.Sprintf("%s − %s", num(totalML), num(limitML)), inL(totalML-limitML))
	}
}

func (x *exposition) week(w *TurbidityWeek) {
	x.Says = fmt.Sprintf("%s, week from %s: turbidity averaged %s over %s, against %d NTU.", w.Outfall, w.Monday, turbidity(w.MeanMilliNTU()), reports.Counted(w.Readings, "reading"), w.LimitNTU)
	s := sum{}
	for _, p := range w.parts {
		s.add(p)
	}
	x.Cites = append(x.Cites, w.Cites...)
	x.Reckon("sum of the readings", s.text(), reports.Decimal(w.SumMilli, 3, 3)+" NTU", w.Cites...)
	x.Reckon("mean of the week", fmt.Sprintf("%s ÷ %d", num(w.SumMilli), w.Readings), reports.Decimal(w.MeanMilliNTU(), 3, 3)+" NTU")
	x.Reckon("the sum less the limit times the readings; above zero it is exceeded", fmt.Sprintf("%s − %d × %d", num(w.SumMilli), w.LimitNTU, w.Readings),
		reports.Decimal(w.SumMilli-w.LimitNTU*1000*w.Readings, 3, 3)+" NTU")
	x.Follow("the consent in the register's entry of "+string(w.Outfall), "The limit is on the mean of all readings of a week, Monday to Sunday in the outfall's time zone, and is exceeded only above it. EPA's 2022 construction permit is written so; no limit is universal.")
	x.Read(x.r.journal, events.OutfallRegister, string(w.Outfall), w.binds, fmt.Sprintf("%s, weekly mean of turbidity at most %d NTU", w.Name, w.LimitNTU))
}
