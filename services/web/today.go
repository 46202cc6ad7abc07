package web

import (
	"net/http"
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/yard"
	"spoilbook/services/ledger"
)

// todayPage is a crew's own day in plain words. What is missing is a list of its own, so that entering it can stand beside each line once the
// truck has pages of its own.
type todayPage struct {
	Date     string
	Zone     *time.Location
	At       events.Time
	Position uint64
	Live     bool
	Trucks   []todayTruck
	Idle     []link
}

type todayTruck struct {
	truckCard
	Picture string // the day drawn out
	Since   string // the day before, where the shift that is on began then
	SinceOn string
	Due     []string // missing now
	Later   []string // missing when its time has come
	Marks   []markRow
	More    int
	Signals int // of pumps, which are only counted
	Hours   []reports.Field
}

func (s *site) today(w http.ResponseWriter, r *http.Request) {
	trucks, ok := s.trucksOf(w, r)
	if !ok {
		return
	}
	now := s.Now()
	q := ledger.DayQuery{Zone: s.Zone, Trucks: trucks, Most: dayTrucks, Now: now, Stand: true}
	v, err := s.Ledger.Day(r.Context(), q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	m := mannersOf(r)
	page := todayPage{Date: m.date(now.In(s.zone)), Zone: s.zone, At: v.Now, Position: v.Position, Live: true}
	day := v.Period.Day(v.Period.From)
	for i := range v.Trucks {
		k := slices.IndexFunc(v.Stands, func(t yard.Standing) bool { return t.Truck == v.Trucks[i].Truck })
		if k >= 0 {
			page.Trucks = append(page.Trucks, s.todayTruckOf(day, v, i, k, m))
		}
	}
	for _, id := range append(v.Idle, v.Busy[min(len(v.Busy), dayTrucks):]...) {
		if len(v.Trucks) != 1 || v.Trucks[0].Truck != id {
			page.Idle = append(page.Idle, link{Name: string(id), Path: "/yard/today?truck=" + string(id)})
		}
	}
	s.show(w, r, http.StatusOK, "today", "Today", page)
}

func (s *site) todayTruckOf(day string, v *ledger.DayView, i, k int, m manners) todayTruck {
	t := &v.Trucks[i]
	a := dayAsked{Day: day, Truck: t.Truck}
	d := todayTruck{truckCard: s.cardOf(&v.Stands[k], v.Now, m), Picture: a.path()}
	c := clocks{day: v.Period, m: m}
	for i := range t.Lacks {
		if l := &t.Lacks[i]; l.Later {
			d.Later = append(d.Later, m.said(l.Says, s.zone))
		} else {
			d.Due = append(d.Due, m.said(l.Says, s.zone))
		}
	}
	for i := range t.Marks {
		switch mark := &t.Marks[i]; {
		case mark.Kind() == events.KindPumpEngaged || mark.Kind() == events.KindPumpDisengaged:
			d.Signals++
		case len(d.Marks) == dayRows/len(v.Trucks):
			d.More++
		default:
			d.Marks = append(d.Marks, markRowOf(mark, c))
		}
	}
	sums := t.Hours()
	for _, activity := range events.Activities() {
		if ms := sums[activity]; ms > 0 {
			d.Hours = append(d.Hours, reports.Field{Label: m.capital(m.word(string(activity))), Text: reports.Hours(ms)})
		}
	}
	if n := len(t.Shifts); n > 0 && t.Shifts[0].From.Before(v.Period.From) {
		before := v.Period.Local(t.Shifts[0].From)
		a.Day = before.Format(time.DateOnly)
		d.Since, d.SinceOn = a.path(), c.text(t.Shifts[0].From)
	}
	return d
}
