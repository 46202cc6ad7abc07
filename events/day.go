package events

// ShiftStarted: the truck's crew began its shift; the envelope's operator drives.
type ShiftStarted struct {
	Crew []OperatorID `json:"crew,omitzero"` // the others aboard
}

// ShiftEnded: the shift ended.
type ShiftEnded struct{}

// SiteArrived: the truck arrived at the site of the envelope's job.
type SiteArrived struct{}

// SiteLeft: the truck left the site of the envelope's job.
type SiteLeft struct{}

// FacilityArrived: the truck arrived at a receiving facility.
type FacilityArrived struct {
	Facility FacilityID `json:"facility"`
}

// FacilityLeft: the truck left a receiving facility.
type FacilityLeft struct {
	Facility FacilityID `json:"facility"`
}

// StandbyCause says why the truck stood idle on the clock.
type StandbyCause string

// The causes.
const (
	AwaitingClient    StandbyCause = "awaiting-client"    // the client's people or plant not ready
	AwaitingAccess    StandbyCause = "awaiting-access"    // gate, permit or key
	AwaitingTraffic   StandbyCause = "awaiting-traffic"   // traffic management not in place
	AwaitingUtilities StandbyCause = "awaiting-utilities" // services not yet located or isolated
	AwaitingFacility  StandbyCause = "awaiting-facility"  // facility shut or queueing beyond the gate
	Weather           StandbyCause = "weather"            // too wet, frozen or windy to work
	Breakdown         StandbyCause = "breakdown"          // own plant out of order
	OwnCrew           StandbyCause = "own-crew"           // own people not ready
	OtherCause        StandbyCause = "other"              // say what in the note
)

// StandbyCauses lists the causes in alphabetical order.
func StandbyCauses() []StandbyCause {
	return []StandbyCause{AwaitingAccess, AwaitingClient, AwaitingFacility, AwaitingTraffic, AwaitingUtilities,
		Breakdown, OtherCause, OwnCrew, Weather}
}

// StandbyStarted: the truck began to stand by, for a cause.
type StandbyStarted struct {
	Cause StandbyCause `json:"cause"`
	Note  string       `json:"note,omitzero"`
}

// StandbyEnded: the standby ended.
type StandbyEnded struct{}

// RestStarted: the crew began a rest break.
type RestStarted struct{}

// RestEnded: the rest break ended.
type RestEnded struct{}

// Pump names a pump of the truck.
type Pump string

// The pumps.
const (
	VacuumPump Pump = "vacuum"
	JetPump    Pump = "jet"
)

// PumpEngaged: a pump was engaged.
type PumpEngaged struct {
	Pump Pump `json:"pump"`
}

// PumpDisengaged: a pump was disengaged.
type PumpDisengaged struct {
	Pump Pump `json:"pump"`
}

// Kind returns KindShiftStarted.
func (ShiftStarted) Kind() Kind { return KindShiftStarted }

// Kind returns KindShiftEnded.
func (ShiftEnded) Kind() Kind { return KindShiftEnded }

// Kind returns KindSiteArrived.
func (SiteArrived) Kind() Kind { return KindSiteArrived }

// Kind returns KindSiteLeft.
func (SiteLeft) Kind() Kind { return KindSiteLeft }

// Kind returns KindFacilityArrived.
func (FacilityArrived) Kind() Kind { return KindFacilityArrived }

// Kind returns KindFacilityLeft.
func (FacilityLeft) Kind() Kind { return KindFacilityLeft }

// Kind returns KindStandbyStarted.
func (StandbyStarted) Kind() Kind { return KindStandbyStarted }

// Kind returns KindStandbyEnded.
func (StandbyEnded) Kind() Kind { return KindStandbyEnded }

// Kind returns KindRestStarted.
func (RestStarted) Kind() Kind { return KindRestStarted }

// Kind returns KindRestEnded.
func (RestEnded) Kind() Kind { return KindRestEnded }

// Kind returns KindPumpEngaged.
func (PumpEngaged) Kind() Kind { return KindPumpEngaged }

// Kind returns KindPumpDisengaged.
func (PumpDisengaged) Kind() Kind { return KindPumpDisengaged }

// Check asks for well-formed crew names, at most eight.
func (s ShiftStarted) Check(c *Check) {
	if len(s.Crew) > 8 {
		c.Fail("crew", itoa(int64(len(s.Crew)))+" names", "at most 8")
	}
	for i, o := range s.Crew {
		c.Item("crew", i, func() { c.ID("", string(o)) })
	}
}

// Check has nothing to ask.
func (ShiftEnded) Check(*Check) {}

// Check has nothing to ask.
func (SiteArrived) Check(*Check) {}

// Check has nothing to ask.
func (SiteLeft) Check(*Check) {}

// Check asks for a facility.
func (f FacilityArrived) Check(c *Check) { c.ID("facility", string(f.Facility)) }

// Check asks for a facility.
func (f FacilityLeft) Check(c *Check) { c.ID("facility", string(f.Facility)) }

// Check asks for one of the causes.
func (s StandbyStarted) Check(c *Check) {
	checkCause(c, "cause", s.Cause)
	c.Text("note", s.Note, 0, 400)
}

// Check has nothing to ask.
func (StandbyEnded) Check(*Check) {}

// Check has nothing to ask.
func (RestStarted) Check(*Check) {}

// Check has nothing to ask.
func (RestEnded) Check(*Check) {}

// Check asks for one of the pumps.
func (p PumpEngaged) Check(c *Check) {
	c.OneOf("pump", string(p.Pump), string(VacuumPump), string(JetPump))
}

// Check asks for one of the pumps.
func (p PumpDisengaged) Check(c *Check) {
	c.OneOf("pump", string(p.Pump), string(VacuumPump), string(JetPump))
}

func checkCause(c *Check, field string, cause StandbyCause) {
	words := make([]string, 0, 9)
	for _, w := range StandbyCauses() {
		words = append(words, string(w))
	}
	c.OneOf(field, string(cause), words...)
}
