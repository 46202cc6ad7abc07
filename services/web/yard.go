package web

import (
	"fmt"
	"net/http"
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
	yard.Standing
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
}

func (s *site) yard(w http.ResponseWriter, r *http.Request) {
	who := access.From(r.Context())
	truck := events.TruckID(r.URL.Query().Get("truck"))
	if truck == "" && len(who.Trucks) == 1 {
		truck = who.Trucks[0]
	}
	if truck == "" && len(who.Trucks) > 1 {
		s.crewYard(w, r, who)
		return
	}
	if !s.allowed(w, r, access.YardNow, access.Object{Truck: truck}) {
		return
	}
	page, err := s.standing(r, truck)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "yard", "Yard", page)
}

// crewYard shows the trucks of somebody who has several, and no others.
func (s *site) crewYard(w http.ResponseWriter, r *http.Request, who access.Identity) {
	var all yardPage
	for _, truck := range who.Trucks {
		if !s.allowed(w, r, access.YardNow, access.Object{Truck: truck}) {
			return
		}
		page, err := s.standing(r, truck)
		if ledger.CodeOf(err) == ledger.NotFound {
			continue // not in the register yet
		}
		if err != nil {
			s.fail(w, r, err)
			return
		}
		page.Trucks = append(all.Trucks, page.Trucks...)
		all = page
	}
	if all.Zone == nil {
		all = yardPage{At: events.TimeOf(s.Now()), Zone: s.zone, Live: true}
	}
	s.show(w, r, http.StatusOK, "yard", "Yard", all)
}

func (s *site) standing(r *http.Request, truck events.TruckID) (yardPage, error) {
	at, live := s.Now(), true
	if text := r.URL.Query().Get("at"); text != "" {
		var err error
		if at, err = time.ParseInLocation("2006-01-02T15:04", text, s.zone); err != nil {
			return yardPage{}, ledger.Fail(ledger.BadRequest, "at: found %q; allowed: a time such as 2026-10-05T10:00", text)
		}
		live = false
	}
	report, err := s.Ledger.Yard(r.Context(), truck, at)
	if err != nil {
		return yardPage{}, err
	}
	page := yardPage{At: report.At, Zone: s.zone, Position: report.Position, Live: live}
	for _, t := range report.Trucks {
		page.Trucks = append(page.Trucks, cardOf(t, s.zone))
	}
	return page, nil
}

func cardOf(t yard.Standing, zone *time.Location) truckCard {
	c := truckCard{Standing: t, Zone: zone}
	if capacity := t.Debris.CapacityML; capacity > 0 {
		width := func(ml int64) int64 { return max(0, min(vesselWidth, ml*vesselWidth/capacity)) }
		c.BedWidth = width(t.Debris.VolumeML - t.Debris.FreeWaterML)
		c.WaterWidth = width(t.Debris.VolumeML) - c.BedWidth
		c.DoubtFrom, c.DoubtTo = width(t.Debris.VolumeML-t.Debris.ToleranceML), width(t.Debris.VolumeML+t.Debris.ToleranceML)
		c.Alt = fmt.Sprintf("Debris tank %d percent full, of that %d percent clear water above the bed", (t.Debris.FullPermille()+5)/10, shareOf(t.Debris.FreeWaterML, t.Debris.VolumeML))
	}
	if t.Fresh.CapacityML > 0 {
		c.FreshWidth = max(0, min(vesselWidth, t.Fresh.VolumeML*vesselWidth/t.Fresh.CapacityML))
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
