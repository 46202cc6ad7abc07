package web

import (
	"fmt"
	"net/http"
	"net/url"
	"time"

	"spoilbook/events"
	"spoilbook/reports/yard"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// yardPage is how the trucks stand.
type yardPage struct {
	At       events.Time
	Zone     *time.Location
	Position uint64
	Live     bool // now, and kept fresh
	Trucks   []truckCard
}

// truckCard is one truck, with its debris tank as a picture.
type truckCard struct {
	*yard.Standing
	Day                  string // the page of the day
	Open                 []link // the reports that show what is open
	Zone                 *time.Location
	BedWidth, WaterWidth int64 // of vesselWidth
	DoubtFrom, DoubtTo   int64 // where the whiskers of the uncertainty end
	FreshWidth           int64
	Alt                  string
}

const vesselWidth = 240 // units of the picture

func (s *site) yardRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /yard", s.yard)
	mux.HandleFunc("GET /yard/live", s.live)
	s.dayRoutes(mux)
}

func (s *site) yard(w http.ResponseWriter, r *http.Request) {
	trucks, ok := s.trucksOf(w, r)
	if !ok {
		return
	}
	at, live := s.Now(), true
	if text := r.URL.Query().Get("at"); text != "" {
		var err error
		if at, err = time.ParseInLocation("2006-01-02T15:04", text, s.zone); err != nil {
			s.fail(w, r, ledger.Fail(ledger.BadRequest, "at: found %.40q; allowed: a time such as 2026-10-05T10:00", text))
			return
		}
		live = false
	}
	report, err := s.Ledger.YardOf(r.Context(), trucks, at)
	if err == nil && len(trucks) == 1 && len(report.Trucks) == 0 {
		err = ledger.Fail(ledger.NotFound, "the ledger knows no truck %q", trucks[0])
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	page := yardPage{At: report.At, Zone: s.zone, Position: report.Position, Live: live}
	for i := range report.Trucks {
		page.Trucks = append(page.Trucks, s.cardOf(&report.Trucks[i], report.At, mannersOf(r)))
	}
	s.show(w, r, http.StatusOK, "yard", "Yard", page)
}

func (s *site) cardOf(t *yard.Standing, at events.Time, m manners) truckCard {
	c := truckCard{Standing: t, Zone: s.zone}
	c.Day = dayAsked{Day: at.Std().In(s.zone).Format(time.DateOnly), Truck: t.Truck}.path()
	if capacity := t.Debris.CapacityML; capacity > 0 {
		width := func(ml int64) int64 { return max(0, min(vesselWidth, ml*vesselWidth/capacity)) }
		c.BedWidth = width(t.Debris.VolumeML - t.Debris.FreeWaterML)
		c.WaterWidth = width(t.Debris.VolumeML) - c.BedWidth
		c.DoubtFrom, c.DoubtTo = width(t.Debris.VolumeML-t.Debris.ToleranceML), width(t.Debris.VolumeML+t.Debris.ToleranceML)
		c.Alt = m.Tongue.Say("Debris tank %d percent full, of that %d percent clear water above the bed", (t.Debris.FullPermille()+5)/10, shareOf(t.Debris.FreeWaterML, t.Debris.VolumeML))
	}
	if t.Fresh.CapacityML > 0 {
		c.FreshWidth = max(0, min(vesselWidth, t.Fresh.VolumeML*vesselWidth/t.Fresh.CapacityML))
	}
	for _, in := range t.OpenIn {
		day := func(at events.Time) string { return at.Std().In(s.zone).Format(time.DateOnly) }
		q := url.Values{"from": {day(in.First)}, "to": {day(in.Last)}, "tz": {s.Zone}, "truck": {string(t.Truck)}}
		c.Open = append(c.Open, link{Name: m.Tongue.Say("%d in the report %s", in.Count, m.Tongue.Say(titleOf(in.Report))), Path: "/reports/" + in.Report + "?" + q.Encode() + "#findings"})
	}
	return c
}

func shareOf(part, whole int64) int64 {
	if whole <= 0 {
		return 0
	}
	return part * 100 / whole
}

// live tells a browser whenever the ledger has more: a server-sent event whose id is the position. A browser that was cut off asks again by
// itself, and is told at once where the ledger stands, so that it misses nothing.
func (s *site) live(w http.ResponseWriter, r *http.Request) {
	who := access.From(r.Context())
	if err := who.May(access.YardNow, anyTruck(who)); err != nil {
		outcome := ledger.OutcomeOf(ledger.CodeOf(err))
		http.Error(w, err.Error(), outcome.Status)
		return
	}
	out := http.NewResponseController(w)
	w.Header().Set("Content-Type", "text/event-stream")
	w.WriteHeader(http.StatusOK)
	for position := range s.watch.positions(r.Context()) {
		_ = out.SetWriteDeadline(s.Now().Add(30 * time.Second)) // where the server knows none, it has its own
		if _, err := fmt.Fprintf(w, "id: %d\nevent: position\ndata: %d\n\n", position, position); err != nil {
			return
		}
		if err := out.Flush(); err != nil {
			return
		}
	}
}
