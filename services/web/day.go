package web

import (
	"cmp"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/timeline"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

const (
	dayTrucks  = 3   // drawn on one page
	dayRows    = 174 // of each table of a page
	dayDrawn   = 240 // marks of the pictures of a page
	dayDots    = 100 // of each curve
	dayFound   = 40  // findings of a page
	minuteMS   = 60_000
	hourMS     = 60 * minuteMS
	leastMS    = 10 * minuteMS // of the hours shown
	wholeDayMS = 0
)

// dayAsked is what a page of a day is asked for, as it stands in the address.
type dayAsked struct {
	Day      string
	Truck    events.TruckID
	From, To string // local times of the day; empty for its bounds
	Page     int    // of trucks, from 1
}

func (a dayAsked) path() string {
	q := url.Values{"day": {a.Day}}
	for name, v := range map[string]string{"truck": string(a.Truck), "from": a.From, "to": a.To} {
		if v != "" {
			q.Set(name, v)
		}
	}
	if a.Page > 1 {
		q.Set("page", strconv.Itoa(a.Page))
	}
	return "/yard/day?" + q.Encode()
}

// dayPage is a day as it is drawn.
type dayPage struct {
	Asked        dayAsked
	Date         string // in words
	Before, Next string // the days beside it
	Today        string // empty on the day itself
	Zone         *time.Location
	Position     uint64
	Live         bool
	Hours        hours
	Trucks       []dayTruck
	Idle         []link
	Pages        []pageLink
	Legend       []events.Activity
	Shapes       []shapeName
	Changed      int // hours of the day where it has not 24
}

type pageLink struct {
	Number int
	Path   string
	Here   bool
}

func (s *site) dayRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /yard/day", s.day)
	mux.HandleFunc("GET /yard/today", s.today)
}

// trucksOf returns the trucks that somebody may ask about here: the one named in the address, or of somebody who has trucks all of those; none
// means all there are. It answers where the table of roles says no.
func (s *site) trucksOf(w http.ResponseWriter, r *http.Request) (trucks []events.TruckID, ok bool) {
	if truck := events.TruckID(r.URL.Query().Get("truck")); truck != "" {
		trucks = []events.TruckID{truck}
	} else {
		trucks = access.From(r.Context()).Trucks
	}
	if len(trucks) == 0 {
		return nil, s.allowed(w, r, access.YardNow, access.Object{})
	}
	for _, truck := range trucks {
		if !s.allowed(w, r, access.YardNow, access.Object{Truck: truck}) {
			return nil, false
		}
	}
	return trucks, true
}

func (s *site) day(w http.ResponseWriter, r *http.Request) {
	trucks, ok := s.trucksOf(w, r)
	if !ok {
		return
	}
	q := r.URL.Query()
	a := dayAsked{Day: q.Get("day"), Truck: events.TruckID(q.Get("truck")), From: q.Get("from"), To: q.Get("to"), Page: 1}
	if text := q.Get("page"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 10_000 {
			s.fail(w, r, ledger.Fail(ledger.BadRequest, "page: found %.40q; allowed: a whole number from 1", text))
			return
		}
		a.Page = n
	}
	v, err := s.Ledger.Day(r.Context(), ledger.DayQuery{Day: a.Day, Zone: s.Zone, Trucks: trucks, Skip: (a.Page - 1) * dayTrucks, Most: dayTrucks, Now: s.Now()})
	if err != nil {
		s.fail(w, r, err)
		return
	}
	a.Day = v.Period.Day(v.Period.From)
	h, err := hoursOf(v, q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "day", "The day", s.dayPageOf(a, v, h, mannersOf(r)))
}

func (s *site) dayPageOf(a dayAsked, v *ledger.DayView, h hours, m manners) dayPage {
	noon := v.Period.Local(v.Period.From).Add(12 * time.Hour)
	a.From, a.To = h.texts()
	beside := func(days int) string {
		b := a
		b.From, b.To = "", ""
		b.Day = noon.AddDate(0, 0, days).Format(time.DateOnly)
		return b.path()
	}
	page := dayPage{Asked: a, Date: m.date(noon), Before: beside(-1), Next: beside(1), Zone: v.Period.Zone, Position: v.Position, Hours: h.linked(a)}
	page.Live = v.Period.Contains(v.Now)
	if !page.Live {
		b := a
		b.From, b.To, b.Day = "", "", v.Period.Local(v.Now).Format(time.DateOnly)
		page.Today = b.path()
	}
	if n := int((v.Period.To.UnixMS - v.Period.From.UnixMS) / hourMS); n != 24 {
		page.Changed = n
	}
	seen, drawn := map[events.Activity]bool{}, map[string]bool{}
	for i := range v.Trucks {
		t := s.dayTruckOf(a, v, &v.Trucks[i], h, m)
		for _, row := range t.Time {
			seen[row.Activity] = true
		}
		for _, p := range t.Picture.Points {
			drawn[p.Shape] = true
		}
		page.Trucks = append(page.Trucks, t)
	}
	for _, activity := range events.Activities() {
		if seen[activity] {
			page.Legend = append(page.Legend, activity)
		}
	}
	for _, shape := range shapes() {
		if drawn[shape.Shape] {
			page.Shapes = append(page.Shapes, shape)
		}
	}
	if a.Truck == "" {
		for _, id := range v.Idle {
			b := a
			b.Truck, b.Page = id, 1
			page.Idle = append(page.Idle, link{Name: string(id), Path: b.path()})
		}
		for n := 1; len(v.Busy) > dayTrucks && (n-1)*dayTrucks < len(v.Busy); n++ {
			b := a
			b.Page = n
			page.Pages = append(page.Pages, pageLink{n, b.path(), n == a.Page})
		}
	}
	return page
}

// hours are the hours of a day that are shown: half-open, inside the day.
type hours struct {
	day      reports.Period
	from, to events.Time
	middle   events.Time    // around which fewer are shown
	work     [2]events.Time // from the first hour with time of a shift to the last; zero where there is none
	Text     string         // "06:00 to 12:00"
	Whole    bool
	Zooms    []zoom
	Earlier  string // empty where the day ends
	Later    string
	In, Out  string
	All      string
	Here     string // without hours
	FromMS   int64
	ToMS     int64
}

type zoom struct {
	Name string
	Path string
	Here bool
}

// lengths are how much of a day can be shown, from all of it inwards.
func lengths() []int64 { return []int64{wholeDayMS, 6 * hourMS, 2 * hourMS, hourMS / 2} }

// hoursOf reads the hours asked for: from and to, or at and hours, which are those around a moment.
func hoursOf(v *ledger.DayView, q url.Values) (hours, error) {
	h := hours{day: v.Period, from: v.Period.From, to: v.Period.To}
	var err error
	for _, bound := range []struct {
		name string
		into *events.Time
	}{{"from", &h.from}, {"to", &h.to}} {
		if text := q.Get(bound.name); text != "" {
			if *bound.into, err = timeIn(v.Period, text); err != nil {
				return h, ledger.Fail(ledger.BadRequest, "%s: %v", bound.name, err)
			}
		}
	}
	if text := q.Get("at"); text != "" {
		at, err := timeIn(v.Period, text)
		if err != nil {
			return h, ledger.Fail(ledger.BadRequest, "at: %v", err)
		}
		length, err := strconv.ParseFloat(cmp.Or(q.Get("hours"), "2"), 64)
		if err != nil || !(length > 0 && length <= 48) {
			return h, ledger.Fail(ledger.BadRequest, "hours: found %.40q; allowed: a number of hours such as 2", q.Get("hours"))
		}
		h.from, h.to = around(v.Period, at, int64(length*hourMS))
	}
	if h.to.UnixMS-h.from.UnixMS < leastMS {
		if q.Get("from") != "" && q.Get("to") != "" && h.to.UnixMS <= h.from.UnixMS {
			return h, ledger.Fail(ledger.BadRequest, "to: %q is not after %q", q.Get("to"), q.Get("from"))
		}
		h.from, h.to = around(v.Period, h.from, leastMS)
	}
	h.work = workOf(v)
	h.Whole = h.from == v.Period.From && h.to == v.Period.To
	h.middle = events.Time{UnixMS: (h.from.UnixMS + h.to.UnixMS) / 2}
	if h.Whole {
		h.middle = liveliest(v)
	}
	return h, nil
}

// liveliest is where to look first: now, on the day itself, and otherwise where the work of the first truck begins.
func liveliest(v *ledger.DayView) events.Time {
	if v.Period.Contains(v.Now) {
		return v.Now
	}
	for i := range v.Trucks {
		if t := &v.Trucks[i]; len(t.Slices) > 0 {
			return events.Time{UnixMS: min(t.Slices[0].From.UnixMS+2*hourMS, v.Period.To.UnixMS)}
		}
	}
	return events.Time{UnixMS: v.Period.From.UnixMS + 9*hourMS}
}

// workOf returns the whole hours in which trucks were on shift.
func workOf(v *ledger.DayView) (work [2]events.Time) {
	for i := range v.Trucks {
		list := v.Trucks[i].Slices
		if len(list) == 0 {
			continue
		}
		first, last := list[0].From, list[len(list)-1].To
		if work[0].IsZero() || first.Before(work[0]) {
			work[0] = first
		}
		if work[1].Before(last) {
			work[1] = last
		}
	}
	if work[0].IsZero() {
		return work
	}
	from, to := work[0].UnixMS-mod(work[0].UnixMS-v.Period.From.UnixMS, hourMS), work[1].UnixMS+mod(v.Period.From.UnixMS-work[1].UnixMS, hourMS)
	return [2]events.Time{inZone(v.Period, from), inZone(v.Period, min(to, v.Period.To.UnixMS))}
}

func mod(a, b int64) int64 { return (a%b + b) % b }

// around returns a length of the day with a moment in its middle as far as the day's bounds let it.
func around(day reports.Period, at events.Time, length int64) (from, to events.Time) {
	start := max(day.From.UnixMS, min(at.UnixMS-length/2, day.To.UnixMS-length))
	start -= start % minuteMS
	end := min(day.To.UnixMS, start+length)
	return inZone(day, start), inZone(day, end)
}

// inZone is an instant with the offset that the day's zone has at it.
func inZone(day reports.Period, ms int64) events.Time {
	return events.TimeOf(time.UnixMilli(ms).In(day.Zone))
}

// timeIn reads a time of a day: "10:30", "24:00" for its end, "01:30+00:00" where the clock shows a time twice, or an instant such as
// 2026-10-05T09:30:00Z. A time that the clock skips is the moment of the change; one outside of the day is its nearer bound.
func timeIn(day reports.Period, text string) (events.Time, error) {
	text = strings.ReplaceAll(text, " ", "+") // as a plus sign in an address is read
	if t, err := events.ParseTime(text); err == nil {
		return inZone(day, max(day.From.UnixMS, min(t.UnixMS, day.To.UnixMS))), nil
	}
	if text == "24:00" {
		return day.To, nil
	}
	clock, offset, given := text, 0, false
	if len(text) > 5 {
		t, err := time.Parse("15:04Z07:00", text)
		if err != nil {
			return events.Time{}, ledger.Fail(ledger.BadRequest, "found %.40q; allowed: a time such as 10:30", text)
		}
		_, offset = t.Zone()
		clock, given = text[:5], true
	}
	t, err := time.Parse("15:04", clock)
	if err != nil {
		return events.Time{}, ledger.Fail(ledger.BadRequest, "found %.40q; allowed: a time such as 10:30", text)
	}
	y, mo, d := day.Local(day.From).Date()
	local := time.Date(y, mo, d, t.Hour(), t.Minute(), 0, 0, time.UTC)
	for _, at := range instants(day, local) {
		if _, o := at.Zone(); !given || o == offset {
			return events.TimeOf(at), nil
		}
	}
	_, before := day.Local(day.From).Zone()
	skipped := local.Add(-time.Duration(before) * time.Second)
	return inZone(day, max(day.From.UnixMS, min(skipped.UnixMilli(), day.To.UnixMS))), nil
}

// instants returns the instants of a day at which its clock shows a local time, none where it is skipped, two where it comes twice.
func instants(day reports.Period, local time.Time) []time.Time {
	var found []time.Time
	last := day.Local(events.Time{UnixMS: day.To.UnixMS - 1})
	for _, side := range []time.Time{day.Local(day.From), last} {
		_, offset := side.Zone()
		at := local.Add(-time.Duration(offset) * time.Second).In(day.Zone)
		if _, shown := at.Zone(); shown == offset && day.Contains(events.TimeOf(at)) && (len(found) == 0 || !found[0].Equal(at)) {
			found = append(found, at)
		}
	}
	return found
}

// twice reports whether the day's clock shows the time of an instant two times.
func twice(day reports.Period, at time.Time) bool {
	return len(instants(day, time.Date(at.Year(), at.Month(), at.Day(), at.Hour(), at.Minute(), 0, 0, time.UTC))) > 1
}

// clockText writes an instant of the day as timeIn reads it.
func clockText(day reports.Period, t events.Time) string {
	if t.UnixMS == day.To.UnixMS {
		return "24:00"
	}
	at := day.Local(t)
	if twice(day, at) {
		return at.Format("15:04-07:00")
	}
	return at.Format("15:04")
}

// texts are the bounds as they stand in an address, empty where they are the day's.
func (h hours) texts() (from, to string) {
	if h.from.UnixMS != h.day.From.UnixMS {
		from = clockText(h.day, h.from)
	}
	if h.to.UnixMS != h.day.To.UnixMS {
		to = clockText(h.day, h.to)
	}
	return from, to
}

// linked adds the ways to other hours of the day.
func (h hours) linked(a dayAsked) hours {
	path := func(from, to events.Time) string {
		g := h
		g.from, g.to = from, to
		b := a
		b.From, b.To = g.texts()
		return b.path() + "#hours"
	}
	h.FromMS, h.ToMS = h.from.UnixMS, h.to.UnixMS
	h.Text = clockText(h.day, h.from) + "–" + clockText(h.day, h.to)
	b := a
	b.From, b.To = "", ""
	h.Here = b.path()
	h.All = h.Here + "#hours"
	length := h.to.UnixMS - h.from.UnixMS
	for i, l := range lengths() {
		if i == 1 && !h.work[0].IsZero() {
			h.Zooms = append(h.Zooms, zoom{Name: "Hours of work", Path: path(h.work[0], h.work[1]), Here: !h.Whole && h.from == h.work[0] && h.to == h.work[1]})
		}
		z := zoom{Name: "Whole day", Path: h.All, Here: h.Whole}
		if l != wholeDayMS {
			z = zoom{Name: map[int64]string{6 * hourMS: "6 h", 2 * hourMS: "2 h", hourMS / 2: "30 min"}[l], Path: path(around(h.day, h.middle, l)), Here: !h.Whole && length == l}
			if l < length && h.In == "" {
				h.In = z.Path
			}
			if l > length {
				h.Out = z.Path
			}
		}
		h.Zooms = append(h.Zooms, z)
	}
	if h.Out == "" && !h.Whole {
		h.Out = h.All
	}
	step := length / 2
	if h.from.UnixMS > h.day.From.UnixMS {
		h.Earlier = path(around(h.day, events.Time{UnixMS: h.middle.UnixMS - step}, length))
	}
	if h.to.UnixMS < h.day.To.UnixMS {
		h.Later = path(around(h.day, events.Time{UnixMS: h.middle.UnixMS + step}, length))
	}
	return h
}

// shows reports whether any part of a time, or a moment, is among the hours.
func (h hours) shows(from, to events.Time) bool {
	if from.UnixMS == to.UnixMS {
		return !from.Before(h.from) && from.Before(h.to)
	}
	return from.Before(h.to) && h.from.Before(to)
}

// dayTruck is one truck's day on the page.
type dayTruck struct {
	*timeline.Truck
	Zone      *time.Location
	Own       string // the page of this truck alone; empty where this is it
	Totals    []reports.Field
	Missing   []string
	Picture   picture
	Time      []timeRow
	MoreTime  int
	Marks     []markRow
	More      int
	Found     []foundRow
	MoreFound int
}
