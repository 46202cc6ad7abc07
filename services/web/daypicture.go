package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"

	"spoilbook/events"
	"spoilbook/reports/timeline"
	"spoilbook/services/ledger"
)

// picture is a truck's hours drawn as lanes. It is as wide as it can be: across it positions are percents, down it pixels.
type picture struct {
	Alt    string
	Height int
	Names  []laneName
	Ticks  []tick
	Bars   []bar
	Bounds []bound
	Points []point
	Debris curve
	Fresh  curve
	Now    string // where now is; empty where it is not among the hours
	More   int    // marks that are not drawn
}

type laneName struct {
	Y    int
	Text string
}

type tick struct {
	X     string
	Label string
	Class string // "hour" for every third, by which little screens go
	Path  string
	Title string
}

// bar is time, or an entry with a length.
type bar struct {
	X, W  string
	Y, H  int
	Class string
	Fill  string // a pattern, where the look is not a colour alone
	Title string
	Path  string
	Label string
	Wide  string // how wide a screen has to be for the label
	CutL  bool   // it began before the hours shown
	CutR  bool
}

// bound is where a shift begins or ends.
type bound struct {
	X      string
	Y1, Y2 int
	Class  string
	Title  string
}

// point is an entry without a length.
type point struct {
	X     string
	Y     int
	Shape string
	Title string
	Path  string
}

// curve is what a tank holds, in a box of 1000 by H.
type curve struct {
	Y, H      int
	Class     string
	Band      string
	Line      string
	Area      string
	CapY      int // where the tank is full; 0 where the register does not say
	Dots      []point
	Uncertain bool
}

const (
	axisPX  = 24
	namePX  = 20
	timePX  = 34
	workPX  = 20
	pointPX = 22
	debPX   = 96
	freshPX = 44
	gapPX   = 8
)

// drawer draws one picture.
type drawer struct {
	picture
	a dayAsked
	v *ledger.DayView
	t *timeline.Truck
	h hours
	c clocks
	y int
}

func pictureOf(a dayAsked, v *ledger.DayView, t *timeline.Truck, h hours, m manners, times []timeRow, marks []markRow) picture {
	d := &drawer{a: a, v: v, t: t, h: h, c: clocks{day: v.Period, m: m}, y: axisPX}
	d.Alt = m.Tongue.Say("%s from %s to %s: time by activity, entries, and what the tanks held. The tables below say the same.", string(t.Truck), d.c.text(h.from), d.c.text(h.to))
	d.ticks()
	d.time(times)
	d.work(marks)
	d.points(marks)
	d.levels()
	if v.Now.Before(h.to) && !v.Now.Before(h.from) {
		d.Now = d.x(v.Now)
	}
	d.Height = d.y
	return d.picture
}

// x is where a moment is across the picture, at its edges where it is not among the hours.
func (d *drawer) x(t events.Time) string { return percentText(d.fraction(t) * 100) }

func (d *drawer) fraction(t events.Time) float64 {
	f := float64(t.UnixMS-d.h.from.UnixMS) / float64(d.h.to.UnixMS-d.h.from.UnixMS)
	return max(0, min(1, f))
}

func percentText(p float64) string { return strconv.FormatFloat(p, 'f', 3, 64) + "%" }

func (d *drawer) lane(name string) {
	d.Names = append(d.Names, laneName{Y: d.y + 14, Text: d.c.m.Tongue.Say(name)})
	d.y += namePX
}

// ticks marks round times of the clock, so close that they can be told apart; a label leads to the two hours around it.
func (d *drawer) ticks() {
	step, labelled, often := int64(60), int64(60), int64(180)
	switch length := d.h.to.UnixMS - d.h.from.UnixMS; {
	case length <= hourMS:
		step, labelled, often = 5, 10, 30
	case length <= 3*hourMS:
		step, labelled, often = 10, 30, 30
	case length <= 12*hourMS:
		step, labelled, often = 30, 60, 120
	}
	for ms := d.v.Period.From.UnixMS; ms < d.h.to.UnixMS; ms += 5 * minuteMS {
		at := d.v.Period.Local(events.Time{UnixMS: ms})
		minute := int64(at.Hour()*60 + at.Minute())
		if ms < d.h.from.UnixMS || minute%step != 0 {
			continue
		}
		t := inZone(d.v.Period, ms)
		k := tick{X: d.x(t)}
		if minute%labelled == 0 && d.fraction(t) < 0.985 {
			g := d.h
			g.from, g.to = around(d.v.Period, t, 2*hourMS)
			b := d.a
			b.From, b.To = g.texts()
			k.Label, k.Path, k.Title, k.Class = at.Format("15:04"), b.path()+"#hours", d.c.m.Tongue.Say("the two hours around %s", d.c.text(t)), "some"
			if twice(d.v.Period, at) {
				k.Label = at.Format("15:04 MST")
			}
			if minute%often == 0 {
				k.Class = "often"
			}
		}
		d.Ticks = append(d.Ticks, k)
	}
}

func (d *drawer) bar(from, to events.Time, height int) bar {
	left, right := d.fraction(from), d.fraction(to)
	b := bar{X: percentText(left * 100), W: percentText(max(0.12, (right-left)*100)), Y: d.y, H: height, CutL: from.Before(d.h.from), CutR: d.h.to.Before(to)}
	return b
}

// labelled gives a bar a label where there is room for it: on a wide screen, or on any.
func (d *drawer) labelled(b bar, from, to events.Time, label string) bar {
	const narrowPX, widePX, letterPX, edgePX = 310, 900, 7, 8
	width := d.fraction(to) - d.fraction(from)
	need := float64(letterPX*len([]rune(label)) + edgePX)
	switch {
	case width*narrowPX >= need:
		b.Label, b.Wide = label, "any"
	case width*widePX >= need:
		b.Label, b.Wide = label, "wide"
	}
	return b
}

func (d *drawer) time(times []timeRow) {
	d.lane("Time by activity")
	top := d.y
	for _, row := range times {
		if d.full() {
			continue
		}
		s := row.slice
		b := d.bar(s.Began, s.Ended, timePX)
		b.Class, b.Path, b.Title = "act "+string(s.Activity), row.Line, row.When+" "+row.What+", "+row.Length
		if row.Where != "" {
			b.Title += ", " + row.Where
		}
		switch s.Activity {
		case events.Unexplained, events.Standby, events.Rest:
			b.Fill = "url(#fill-" + string(s.Activity) + ")"
		case events.FullDump:
			b.Class += " " + string(s.Part)
		}
		label := string(s.Activity)
		if s.Part != "" {
			label = string(s.Part)
		}
		d.Bars = append(d.Bars, d.labelled(b, s.Began, s.Ended, d.c.m.capital(d.c.m.word(label))))
	}
	for i := range d.t.Shifts {
		s := &d.t.Shifts[i]
		for _, end := range []struct {
			at    events.Time
			class string
			says  string
		}{{s.From, "begin", "Shift started"}, {s.To, "end", "Shift ended"}} {
			if end.at.Before(d.h.from) || d.h.to.Before(end.at) {
				continue
			}
			if end.class == "end" && s.Open {
				end.class, end.says = "open", "no end of the shift is recorded"
			}
			d.Bounds = append(d.Bounds, bound{X: d.x(end.at), Y1: top - 5, Y2: top + timePX + 5, Class: end.class, Title: d.c.text(end.at) + " " + d.c.m.Tongue.Say(end.says)})
		}
	}
	d.y = top + timePX + gapPX
}

// lengthy reports whether entries of a kind are drawn as bars.
func lengthy(k events.Kind) bool {
	switch k {
	case events.KindLoadCollected, events.KindWaterDecanted, events.KindSpoilTipped, events.KindSpoilReturned, events.KindWaterRefilled, events.KindWaterUsed:
		return true
	}
	return false
}

// work draws loads, decants, tips and refills, those that overlap one below the other.
func (d *drawer) work(marks []markRow) {
	d.lane("Loads, decants, tips, refills")
	top, used := d.y, []int64{} // when each row is free again
	for i := range marks {
		m := marks[i].mark
		if !lengthy(m.Kind()) {
			continue
		}
		if d.full() {
			continue
		}
		row := slices.IndexFunc(used, func(free int64) bool { return free <= m.From.UnixMS })
		if row < 0 {
			row, used = len(used), append(used, 0)
		}
		used[row] = max(m.To.UnixMS, m.From.UnixMS+1)
		d.y = top + row*workPX
		b := d.bar(m.From, m.To, workPX-2)
		b.Class, b.Title, b.Path = "work "+strings.ReplaceAll(string(m.Kind()), ".", "-"), titleOfMark(&marks[i]), "#"+marks[i].ID
		d.Bars = append(d.Bars, d.labelled(b, m.From, m.To, d.c.m.Tongue.Say(kindWords(m.Kind()))))
	}
	d.y = top + max(1, len(used))*workPX + gapPX
}

func titleOfMark(r *markRow) string {
	text := r.When + " " + r.What
	for _, more := range []string{r.Amount, r.Where} {
		if more != "" {
			text += ", " + more
		}
	}
	return text
}

// full counts what is not drawn any more.
func (d *drawer) full() bool {
	if len(d.Bars)+len(d.Points) < dayDrawn/len(d.v.Trucks) {
		return false
	}
	d.More++
	return true
}

// shapeOf says how an entry without a length is drawn; what is empty stands in the table alone.
func shapeOf(k events.Kind) string {
	switch k {
	case events.KindEmergencyStopPressed:
		return "stop"
	case events.KindEmergencyStopReset:
		return "reset"
	case events.KindPlantRestarted:
		return "restart"
	case events.KindSiteArrived, events.KindFacilityArrived:
		return "arrive"
	case events.KindSiteLeft, events.KindFacilityLeft:
		return "leave"
	case events.KindTankGauged:
		return "gauge"
	case events.KindDocketReceived, events.KindSpoilRefused:
		return "paper"
	case events.KindPrestartChecked, events.KindCareRecorded:
		return "care"
	case events.KindShiftStarted, events.KindShiftEnded, events.KindPumpEngaged, events.KindPumpDisengaged, events.KindStandbyStarted, events.KindStandbyEnded, events.KindRestStarted, events.KindRestEnded:
		return "" // the lane of time shows them
	}
	return "note"
}

// shapes are how entries without a length are drawn, with what each stands for.
func shapes() []shapeName {
	return []shapeName{{"stop", "emergency stop"}, {"reset", "reset"}, {"restart", "restart"}, {"arrive", "arrived"}, {"leave", "departed"}, {"gauge", "tank gauged"},
		{"paper", "docket or refusal"}, {"care", "check or care"}, {"note", "other entry"}}
}

type shapeName struct{ Shape, Name string }

// points draws what has no length; marks that would hide each other stand one below the other.
func (d *drawer) points(marks []markRow) {
	d.lane("Stops, places, checks")
	const apart, most = 0.03, 5
	var used []float64
	rows := 1
	for i := range marks {
		m := marks[i].mark
		shape := shapeOf(m.Kind())
		if shape == "" || lengthy(m.Kind()) || d.full() {
			continue
		}
		at := d.fraction(m.Entry.Occurred)
		row := slices.IndexFunc(used, func(free float64) bool { return free <= at })
		switch {
		case row < 0 && len(used) < most:
			row, used = len(used), append(used, 0)
		case row < 0:
			row = slices.Index(used, slices.Min(used))
		}
		used[row] = at + apart
		rows = max(rows, row+1)
		d.Points = append(d.Points, point{X: d.x(m.Entry.Occurred), Y: d.y + row*pointPX + pointPX/2, Shape: shape, Title: titleOfMark(&marks[i]), Path: "#" + marks[i].ID})
	}
	d.y += rows*pointPX + gapPX
}

// levels draws what the two tanks held, as steps, until now or to the end of the hours.
func (d *drawer) levels() {
	end := d.h.to
	if d.v.Now.Before(end) {
		end = d.v.Now
	}
	steps := []timeline.Level{}
	if d.h.from.Before(end) {
		first := d.t.LevelAt(d.h.from)
		first.At = d.h.from
		steps = append(steps, first)
		for _, l := range d.t.Levels {
			if d.h.from.Before(l.At) && l.At.Before(end) {
				steps = append(steps, l)
			}
		}
	}
	steps = d.thinned(steps)
	var capDebris, capFresh int64
	for _, c := range d.t.Capacities {
		if capDebris == 0 || c.From.Before(d.h.to) {
			capDebris, capFresh = c.DebrisML, c.FreshML
		}
	}
	m := d.c.m
	d.tankLane("Debris tank", capDebris, m.spoil)
	d.Debris = d.curve("debris", steps, end, debPX, capDebris, func(l timeline.Level) (int64, int64) { return l.DebrisML, l.DebrisToleranceML }, m.spoil)
	d.tankLane("Fresh water", capFresh, m.water)
	d.Fresh = d.curve("fresh", steps, end, freshPX, capFresh, func(l timeline.Level) (int64, int64) { return l.FreshML, 0 }, m.water)
}

// thinned leaves of a great many steps the last of each stretch that is hardly wider than a line.
func (d *drawer) thinned(steps []timeline.Level) []timeline.Level {
	const many, stretches = 200, 400
	share := len(d.v.Trucks)
	if len(steps) <= many/share {
		return steps
	}
	kept, last := steps[:1:1], 0
	for _, l := range steps[1:] {
		at := int(d.fraction(l.At) * float64(stretches/share))
		if at == last && len(kept) > 1 {
			kept[len(kept)-1] = l
			continue
		}
		kept, last = append(kept, l), at
	}
	return kept
}

// tankLane names a tank with what it can hold, which the dashed line is.
func (d *drawer) tankLane(name string, capacity int64, shown func(int64) string) {
	d.lane(name)
	if capacity > 0 {
		d.Names[len(d.Names)-1].Text += " (" + d.c.m.Tongue.Say("holds %s", shown(capacity)) + ")"
	}
}

func (d *drawer) curve(class string, steps []timeline.Level, end events.Time, height int, capacity int64, of func(timeline.Level) (int64, int64), shown func(int64) string) curve {
	c := curve{Y: d.y, H: height, Class: class}
	top := capacity
	for _, l := range steps {
		v, doubt := of(l)
		top = max(top, v+doubt)
		c.Uncertain = c.Uncertain || doubt > 0
	}
	top = max(1, top+top/12)
	y := func(v int64) float64 {
		return float64(height) * (1 - float64(max(0, v))/float64(top))
	}
	var line, upper strings.Builder
	var lower []string
	for i, l := range steps {
		until := end
		if i+1 < len(steps) {
			until = steps[i+1].At
		}
		v, doubt := of(l)
		from, to := d.fraction(l.At)*1000, d.fraction(until)*1000
		move := "V"
		if i == 0 {
			move = fmt.Sprintf("M%.2f ", from)
		}
		fmt.Fprintf(&line, "%s%.2fH%.2f", move, y(v), to)
		fmt.Fprintf(&upper, "%s%.2fH%.2f", move, y(v+doubt), to)
		lower = append(lower, fmt.Sprintf("V%.2fH%.2f", y(v-doubt), from))
		if i > 0 && l.Position != 0 && len(c.Dots) < dayDots/len(d.v.Trucks) {
			title := d.c.text(l.At) + " " + shown(v)
			if doubt > 0 {
				title += " ± " + shown(doubt)
			}
			c.Dots = append(c.Dots, point{X: d.x(l.At), Y: c.Y + int(y(v)), Title: title, Path: fmt.Sprintf("#e-%d", l.Position)})
		}
	}
	c.Line = line.String()
	if c.Line != "" {
		slices.Reverse(lower)
		c.Area = c.Line + fmt.Sprintf("V%dH%.2fZ", height, d.fraction(steps[0].At)*1000)
		c.Band = upper.String() + strings.Join(lower, "") + "Z"
	}
	if capacity > 0 {
		c.CapY = c.Y + int(y(capacity))
	}
	d.y += height + gapPX
	return c
}
