package events

// StopStation is where an emergency stop was pressed.
type StopStation string

// The stations.
const (
	StationLeft   StopStation = "left"
	StationRight  StopStation = "right"
	StationRear   StopStation = "rear"
	StationCab    StopStation = "cab"
	StationRemote StopStation = "remote"
	StationOther  StopStation = "other"
)

// Attribution says on whose side the cause of a stop lies.
type Attribution string

// The sides.
const (
	ByCarrier    Attribution = "carrier"     // own people or plant
	ByClient     Attribution = "client"      // the client's people, plant or site
	ByThirdParty Attribution = "third-party" // anybody else
	ByUnknown    Attribution = "unknown"
)

// EmergencyStopPressed: an emergency stop was pressed. It is a record, not a
// safety function; it is never refused for coming late or out of order.
type EmergencyStopPressed struct {
	Station     StopStation `json:"station"`
	Cause       string      `json:"cause,omitzero"`
	Attribution Attribution `json:"attribution,omitzero"`
}

// EmergencyStopReset: the stop was reset, which permits a restart and is not one.
type EmergencyStopReset struct {
	Inspected bool   `json:"inspected,omitzero"` // somebody looked at the plant first
	Note      string `json:"note,omitzero"`
}

// PlantRestarted: the plant was started again after a stop.
type PlantRestarted struct{}

// PrestartChecked: the morning's check of the truck was done.
type PrestartChecked struct {
	Items []CheckItem `json:"items"`
}

// CheckItem is one line of a check.
type CheckItem struct {
	Item string `json:"item"`
	OK   bool   `json:"ok"`
	Note string `json:"note,omitzero"`
}

// CareTask is a task of daily care.
type CareTask string

// The tasks (common practice).
const (
	SeparatorEmptied  CareTask = "separator-emptied" // drop-out emptied after each unload
	StrainerChecked   CareTask = "strainer-checked"  // fresh-water strainer
	FinalFilterCheck  CareTask = "final-filter-checked"
	VacuumPumpFlushed CareTask = "vacuum-pump-flushed" // a short dose of diesel at the end of the day
	OilChecked        CareTask = "hydraulic-oil-checked"
	TankWashed        CareTask = "tank-washed"
	OtherCare         CareTask = "other"
)

// CareRecorded: a care task was done, with the gauges read at the time.
type CareRecorded struct {
	Task            CareTask `json:"task"`
	Note            string   `json:"note,omitzero"`
	DurationMS      int64    `json:"durationMS,omitzero"`
	BeforeFilterKPa *int64   `json:"beforeFilterKPa,omitzero"` // vacuum before the final filter
	AfterFilterKPa  *int64   `json:"afterFilterKPa,omitzero"`  // vacuum after it
	OilDegC         *int64   `json:"oilDegC,omitzero"`
	FilterDamaged   bool     `json:"filterDamaged,omitzero"`
}

// Kind returns KindEmergencyStopPressed.
func (EmergencyStopPressed) Kind() Kind { return KindEmergencyStopPressed }

// Kind returns KindEmergencyStopReset.
func (EmergencyStopReset) Kind() Kind { return KindEmergencyStopReset }

// Kind returns KindPlantRestarted.
func (PlantRestarted) Kind() Kind { return KindPlantRestarted }

// Kind returns KindPrestartChecked.
func (PrestartChecked) Kind() Kind { return KindPrestartChecked }

// Kind returns KindCareRecorded.
func (CareRecorded) Kind() Kind { return KindCareRecorded }

// Check asks for a station; cause and attribution may come later by correction.
func (s EmergencyStopPressed) Check(c *Check) {
	c.OneOf("station", string(s.Station), string(StationLeft), string(StationRight), string(StationRear),
		string(StationCab), string(StationRemote), string(StationOther))
	c.Text("cause", s.Cause, 0, 400)
	if s.Attribution != "" {
		checkAttribution(c, "attribution", s.Attribution)
	}
}

// Check asks for a short note.
func (r EmergencyStopReset) Check(c *Check) { c.Text("note", r.Note, 0, 400) }

// Check has nothing to ask.
func (PlantRestarted) Check(*Check) {}

// Check asks for 1 to 100 items.
func (p PrestartChecked) Check(c *Check) {
	if len(p.Items) < 1 || len(p.Items) > 100 {
		c.Fail("items", itoa(int64(len(p.Items)))+" items", "1 to 100 items")
	}
	for i, it := range p.Items {
		c.Item("items", i, func() {
			c.Text("item", it.Item, 1, 80)
			c.Text("note", it.Note, 0, 400)
		})
	}
}

// Check asks for a task and gauge readings that an instrument can show.
func (r CareRecorded) Check(c *Check) {
	c.OneOf("task", string(r.Task), string(SeparatorEmptied), string(StrainerChecked), string(FinalFilterCheck),
		string(VacuumPumpFlushed), string(OilChecked), string(TankWashed), string(OtherCare))
	c.Text("note", r.Note, 0, 400)
	c.Between("durationMS", r.DurationMS, 0, maxIntervalMS, "milliseconds")
	checkOptionalBetween(c, "beforeFilterKPa", r.BeforeFilterKPa, 0, 102, "kPa below atmosphere")
	checkOptionalBetween(c, "afterFilterKPa", r.AfterFilterKPa, 0, 102, "kPa below atmosphere")
	checkOptionalBetween(c, "oilDegC", r.OilDegC, -60, 300, "degrees Celsius")
}

func checkAttribution(c *Check, field string, a Attribution) {
	c.OneOf(field, string(a), string(ByCarrier), string(ByClient), string(ByThirdParty), string(ByUnknown))
}
