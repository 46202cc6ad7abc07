package manifest

import (
	"spoilbook/events"
	"spoilbook/reports"
)

// Journey is the way of a load to the facility: zero times are not recorded.
//
// The site left is the last one before the tip with no arrival at a site and no
// load after it; the arrival is the last one at the tip's facility in the same
// visit; the leaving is the first one of that facility after the tip. Several tips
// of one visit share all three.
type Journey struct {
	LeftSite     events.Time
	Arrived      events.Time
	Tipped       events.Time // the end of the tip
	LeftFacility events.Time
	Cites        []uint64
}

// walker follows a truck between its sites and facilities.
type walker struct {
	leftSite, arrived *reports.Entry
	arrivedAt         events.FacilityID
	tippedAt          events.FacilityID // of the open journeys
	driver            events.OperatorID
	open              []int // journeys of this visit, which have no leaving yet
	journeys          []Journey
	drivers           []events.OperatorID
}

// journeys returns, for each tip among a truck's entries, its journey and who
// drove: the tip's operator, else the one of the shift.
func journeys(entries []reports.Entry) ([]Journey, []events.OperatorID) {
	w := &walker{}
	for i := range entries {
		w.step(&entries[i])
	}
	return w.journeys, w.drivers
}

func (w *walker) step(e *reports.Entry) {
	switch b := e.Body.(type) {
	case events.ShiftStarted:
		w.driver = e.Operator
	case events.ShiftEnded:
		w.driver = ""
	case events.SiteArrived, events.LoadCollected:
		w.leftSite, w.arrived, w.open = nil, nil, nil
	case events.SiteLeft:
		w.leftSite, w.arrived, w.open = e, nil, nil
	case events.FacilityArrived:
		w.arrived, w.arrivedAt, w.open = e, b.Facility, nil
	case events.FacilityLeft:
		w.leave(e, b.Facility)
	case events.SpoilTipped:
		w.tip(e, b)
	}
}

func (w *walker) tip(e *reports.Entry, b events.SpoilTipped) {
	j := Journey{Tipped: b.End}
	if w.leftSite != nil {
		j.LeftSite = w.leftSite.Occurred
		j.Cites = append(j.Cites, w.leftSite.Positions...)
	}
	if w.arrived != nil && w.arrivedAt == b.Facility {
		j.Arrived = w.arrived.Occurred
		j.Cites = append(j.Cites, w.arrived.Positions...)
	}
	if w.tippedAt != b.Facility {
		w.tippedAt, w.open = b.Facility, nil
	}
	w.open = append(w.open, len(w.journeys))
	w.journeys = append(w.journeys, j)
	driver := e.Operator
	if driver == "" {
		driver = w.driver
	}
	w.drivers = append(w.drivers, driver)
}

func (w *walker) leave(e *reports.Entry, f events.FacilityID) {
	if f == w.tippedAt {
		for _, i := range w.open {
			w.journeys[i].LeftFacility = e.Occurred
			w.journeys[i].Cites = append(w.journeys[i].Cites, e.Positions...)
		}
	}
	w.arrived, w.open = nil, nil
}
