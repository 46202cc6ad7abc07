package web

import (
	"fmt"
	"net/url"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/timeline"
	"spoilbook/reports/timesplit"
	"spoilbook/reports/yard"
	"spoilbook/services/ledger"
)

// timeRow is a stretch of time as a line of text.
type timeRow struct {
	Activity  events.Activity
	When      string
	What      string
	Length    string
	Where     string
	Line      string // the page that explains it
	Positions string
	slice     *timeline.Slice
}

// markRow is an entry as a line of text.
type markRow struct {
	ID        string
	When      string
	What      string
	Amount    string
	Where     string
	Debris    string // after it
	Fresh     string
	Positions string
	Signal    bool // of a pump
	mark      *timeline.Mark
}

type foundRow struct {
	yard.Found
	When string
	Path string // the report that shows it
}

func (s *site) dayTruckOf(a dayAsked, v *ledger.DayView, t *timeline.Truck, h hours, m manners) dayTruck {
	rows := dayRows / len(v.Trucks)
	d := dayTruck{Truck: t, Zone: v.Period.Zone, Totals: totalsOf(t, v.Period, m)}
	if a.Truck == "" {
		b := a
		b.Truck, b.Page = t.Truck, 1
		d.Own = b.path()
	}
	for i := range t.Lacks {
		d.Missing = append(d.Missing, m.said(t.Lacks[i].Says, v.Period.Zone))
	}
	c := clocks{day: v.Period, m: m}
	for i := range t.Slices {
		sl := &t.Slices[i]
		if !h.shows(sl.From, sl.To) {
			continue
		}
		if len(d.Time) == rows {
			d.MoreTime++
			continue
		}
		d.Time = append(d.Time, s.timeRowOf(a, t, sl, c))
	}
	for i := range t.Marks {
		mark := &t.Marks[i]
		if !h.shows(mark.From, mark.To) && !h.shows(mark.Entry.Occurred, mark.Entry.Occurred) {
			continue
		}
		if len(d.Marks) == rows {
			d.More++
			continue
		}
		d.Marks = append(d.Marks, markRowOf(mark, c))
	}
	for i, f := range bySeverity(t.Findings) {
		if i == dayFound/len(v.Trucks) {
			d.MoreFound = len(t.Findings) - i
			break
		}
		q := url.Values{"from": {a.Day}, "to": {a.Day}, "tz": {s.Zone}, "truck": {string(t.Truck)}}
		d.Found = append(d.Found, foundRow{Found: f, When: c.text(f.At), Path: "/reports/" + f.Report + "?" + q.Encode() + "#findings"})
	}
	d.Picture = pictureOf(a, v, t, h, m, d.Time, d.Marks)
	return d
}

// bySeverity puts the serious ones first, those of one severity in the order given.
func bySeverity(list []yard.Found) []yard.Found {
	var out []yard.Found
	for _, severity := range reports.Severities() {
		for _, f := range list {
			if f.Severity == severity {
				out = append(out, f)
			}
		}
	}
	return out
}

// clocks writes times of a day for people.
type clocks struct {
	day reports.Period
	m   manners
}

// text writes a time of the day as "08:30", with the zone's abbreviation where the clock shows it twice, and one of another day with its date.
func (c clocks) text(t events.Time) string {
	at := c.day.Local(t)
	switch {
	case c.day.Contains(t) && twice(c.day, at):
		return at.Format("15:04 MST")
	case c.day.Contains(t):
		return at.Format("15:04")
	case t.UnixMS == c.day.To.UnixMS:
		return "24:00"
	case c.m.Tongue.Code() == "de":
		return at.Format("2.1. 15:04")
	}
	return at.Format("2 Jan 15:04")
}

func (c clocks) span(from, to events.Time) string {
	if from.UnixMS == to.UnixMS {
		return c.text(from)
	}
	return c.text(from) + "–" + c.text(to)
}

func (s *site) timeRowOf(a dayAsked, t *timeline.Truck, sl *timeline.Slice, c clocks) timeRow {
	q := url.Values{"from": {a.Day}, "to": {a.Day}, "tz": {s.Zone}, "truck": {string(t.Truck)}, "table": {"Slices"}, "line": {timesplit.SliceLine(t.Truck, sl.From)}}
	row := timeRow{Activity: sl.Activity, When: c.span(sl.Began, sl.Ended), What: c.m.activity(&sl.Slice), Where: sl.Place, Positions: positions(sl.Positions),
		Length: reports.Hours(sl.LengthMS()), Line: "/reports/timesplit/line?" + q.Encode(), slice: sl}
	if whole := sl.Ended.UnixMS - sl.Began.UnixMS; whole != sl.LengthMS() {
		row.Length += " " + c.m.Tongue.Say("of %s", reports.Hours(whole))
	}
	return row
}

// activity says what a slice was spent on.
func (m manners) activity(s *timesplit.Slice) string {
	text := m.capital(m.word(string(s.Activity)))
	if s.Part != "" {
		text += ": " + m.word(string(s.Part))
	}
	if s.Cause != "" {
		if s.Activity == events.Standby {
			return text + ": " + m.word(s.Cause)
		}
		return text + ": " + s.Cause
	}
	return text
}

func (m manners) word(text string) string {
	return m.Tongue.Say(strings.ReplaceAll(text, "-", " "))
}

func (m manners) capital(text string) string {
	first, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return ""
	}
	return string(unicode.ToUpper(first)) + text[size:]
}

// positions writes ledger positions, the first few of many.
func positions(list []uint64) string {
	const most = 6
	var b strings.Builder
	for i, p := range list {
		if i == most {
			fmt.Fprintf(&b, " +%d", len(list)-most)
			break
		}
		if i > 0 {
			b.WriteString(", ")
		}
		fmt.Fprint(&b, p)
	}
	return b.String()
}

func markRowOf(mark *timeline.Mark, c clocks) markRow {
	m := c.m
	row := markRow{ID: fmt.Sprintf("e-%d", mark.Entry.Positions[0]), When: c.span(mark.From, mark.To), What: m.Tongue.Say(kindWords(mark.Kind())), Where: mark.Where,
		Positions: positions(mark.Entry.Positions), mark: mark}
	row.Signal = mark.Kind() == events.KindPumpEngaged || mark.Kind() == events.KindPumpDisengaged
	if mark.TakenAs > 0 {
		row.What += " (" + m.Tongue.Say("corrected") + ")"
	}
	if detail := m.detail(mark); detail != "" {
		row.What += ": " + detail
	}
	row.Amount = m.amount(mark)
	if l := mark.After; l != nil {
		row.Debris, row.Fresh = m.spoil(l.DebrisML), m.water(l.FreshML)
		if l.DebrisToleranceML > 0 {
			row.Debris += " ± " + m.spoil(l.DebrisToleranceML)
		}
	}
	return row
}

func (m manners) spoil(ml int64) string {
	return m.Tongue.Number(reports.ShownIn(m.Measures.Spoil, ml))
}
func (m manners) water(ml int64) string {
	return m.Tongue.Number(reports.ShownIn(m.Measures.Water, ml))
}
func (m manners) mass(g int64) string { return m.Tongue.Number(reports.ShownIn(m.Measures.Mass, g)) }

func (m manners) volume(of reports.Matter, ml int64) string {
	if of == reports.WaterMatter {
		return m.water(ml)
	}
	return m.spoil(ml)
}

// amount says how much an entry moved or read.
func (m manners) amount(mark *timeline.Mark) string {
	var list []string
	if mark.VolumeML != 0 {
		text := m.volume(mark.Of, mark.VolumeML)
		if mark.ToleranceML > 0 {
			text += " ± " + m.volume(mark.Of, mark.ToleranceML)
		}
		if mark.Basis != "" && mark.Basis != events.Measured {
			text += " (" + m.word(string(mark.Basis)) + ")"
		}
		list = append(list, text)
	}
	if mark.MassG != 0 {
		list = append(list, m.mass(mark.MassG))
	}
	if mark.Kind() == events.KindSpoilTipped {
		if d := mark.Docket; d != nil {
			list = append(list, m.Tongue.Say("docket %s: %s", d.Number, m.mass(d.NetG)))
		} else {
			list = append(list, m.Tongue.Say("no docket yet"))
		}
	}
	return strings.Join(list, "; ")
}

// detail says in the reader's language what is a word of the record, and as it stands what people wrote.
func (m manners) detail(mark *timeline.Mark) string {
	switch b := mark.Entry.Body.(type) {
	case events.EmergencyStopPressed:
		text := m.word(string(b.Station))
		if b.Cause != "" {
			text += ", " + b.Cause
		}
		return text
	case events.PrestartChecked:
		if mark.Detail == "" {
			return m.Tongue.Say("all in order")
		}
		return m.Tongue.Say("not in order: %s", mark.Detail)
	case events.SpoilRefused, events.SpoilReturned, events.StandbyStarted, events.WaterUsed, events.TankGauged, events.PumpEngaged, events.PumpDisengaged, events.CareRecorded:
		return m.word(mark.Detail)
	}
	return mark.Detail
}

// kindWords are what people call the kinds of entries.
func kindWords(k events.Kind) string {
	words := map[events.Kind]string{
		events.KindLoadCollected: "Load", events.KindWaterDecanted: "Decant", events.KindSpoilTipped: "Tip", events.KindSpoilRefused: "Load refused",
		events.KindSpoilReturned: "Spoil given back", events.KindWaterRefilled: "Refill", events.KindWaterUsed: "Fresh water used", events.KindTankGauged: "Tank gauged",
		events.KindEmergencyStopPressed: "Emergency stop pressed", events.KindEmergencyStopReset: "Emergency stop reset", events.KindPlantRestarted: "Plant restarted",
		events.KindShiftStarted: "Shift started", events.KindShiftEnded: "Shift ended", events.KindSiteArrived: "Arrived on site", events.KindSiteLeft: "Left site",
		events.KindFacilityArrived: "Arrived at facility", events.KindFacilityLeft: "Left facility", events.KindStandbyStarted: "Standby began", events.KindStandbyEnded: "Standby ended",
		events.KindRestStarted: "Rest began", events.KindRestEnded: "Rest ended", events.KindPumpEngaged: "Pump engaged", events.KindPumpDisengaged: "Pump disengaged",
		events.KindPrestartChecked: "Pre-start check", events.KindCareRecorded: "Care", events.KindDocketReceived: "Docket received", events.KindMeterRead: "Meter read",
		events.KindFindingAnswered: "Finding answered",
	}
	if w, ok := words[k]; ok {
		return w
	}
	return string(k)
}

// totalsOf are the day in figures: what occurred in it.
func totalsOf(t *timeline.Truck, day reports.Period, m manners) []reports.Field {
	type sum struct{ n, ml int64 }
	sums := map[events.Kind]*sum{}
	for i := range t.Marks {
		k := t.Marks[i].Kind()
		if sums[k] == nil {
			sums[k] = &sum{}
		}
		if day.Contains(t.Marks[i].Entry.Occurred) {
			sums[k].n++
			sums[k].ml += t.Marks[i].VolumeML
		}
	}
	var list []reports.Field
	add := func(label, text string) { list = append(list, reports.Field{Label: m.Tongue.Say(label), Text: text}) }
	var onShift int64
	for _, ms := range t.Hours() {
		onShift += ms
	}
	add("On shift", reports.Hours(onShift))
	for _, k := range []struct {
		kind  events.Kind
		label string
		of    reports.Matter
	}{{events.KindLoadCollected, "Loads", reports.SpoilMatter}, {events.KindWaterDecanted, "Decants", reports.WaterMatter}, {events.KindSpoilTipped, "Tips", reports.SpoilMatter},
		{events.KindWaterRefilled, "Refills", reports.WaterMatter}} {
		if x := sums[k.kind]; x != nil && x.n > 0 {
			add(k.label, fmt.Sprintf("%d · %s", x.n, m.volume(k.of, x.ml)))
		} else {
			add(k.label, m.Tongue.Say("none"))
		}
	}
	if x := sums[events.KindEmergencyStopPressed]; x != nil && x.n > 0 {
		add("Emergency stops", fmt.Sprint(x.n))
	}
	if ms := t.Hours()[events.Unexplained]; ms > 0 {
		add("Not explained", reports.Hours(ms))
	}
	return list
}

// said says a sentence in the reader's language and units, times by a zone's clock.
func (m manners) said(s reports.Said, zone *time.Location) string {
	args := make([]any, len(s.Args))
	for i, a := range s.Args {
		switch v := a.(type) {
		case reports.Amount:
			switch v.Of {
			case reports.SpoilMatter:
				args[i] = m.spoil(v.Base)
			case reports.WaterMatter:
				args[i] = m.water(v.Base)
			default:
				args[i] = m.mass(v.Base)
			}
		case reports.Span:
			args[i] = reports.Hours(int64(v))
		case reports.Word:
			args[i] = m.word(string(v))
		case events.Time:
			args[i] = v.Std().In(zone).Format("15:04")
		default:
			args[i] = a
		}
	}
	return m.Tongue.Say(s.Format, args...)
}

// date writes a day with its weekday.
func (m manners) date(t time.Time) string {
	if m.Tongue.Code() == "de" {
		return m.Tongue.Say(t.Weekday().String()) + ", " + t.Format("2.1.2006")
	}
	return t.Format("Monday, 2 January 2006")
}
