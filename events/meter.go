package events

// MeterCause says why a meter's reading does not go on from the one before.
type MeterCause string

// The causes.
const (
	MeterRolledOver MeterCause = "rolled-over" // it passed its highest reading and began at zero
	MeterReplaced   MeterCause = "replaced"    // another meter was fitted
	MeterReset      MeterCause = "reset"       // it was set to another reading
)

// MeterChanged: the readings of a water source's meter were broken off at FinalML
// and go on from StartML, on meter NextMeter. For one that rolled over FinalML is
// the highest it can show.
type MeterChanged struct {
	WaterSource WaterSourceID `json:"waterSource"`
	Cause       MeterCause    `json:"cause"`
	Meter       string        `json:"meter"`
	FinalML     int64         `json:"finalML"`
	NextMeter   string        `json:"nextMeter"`
	StartML     int64         `json:"startML"`
	Note        string        `json:"note,omitzero"`
}

// Kind returns KindMeterChanged.
func (MeterChanged) Kind() Kind { return KindMeterChanged }

// Check asks for a source, a cause, both meters and both readings.
func (m MeterChanged) Check(c *Check) {
	c.ID("waterSource", string(m.WaterSource))
	c.OneOf("cause", string(m.Cause), string(MeterRolledOver), string(MeterReplaced), string(MeterReset))
	c.Text("meter", m.Meter, 1, 40)
	c.Text("nextMeter", m.NextMeter, 1, 40)
	c.Between("finalML", m.FinalML, 0, maxMeterML, "millilitres")
	c.Between("startML", m.StartML, 0, maxMeterML, "millilitres")
	c.Text("note", m.Note, 0, 400)
}

// JetSetting is how the water jet was set while soil was cut, from which the flow
// can be estimated. It is the setting of a free jet with the pressure at the
// nozzle.
type JetSetting struct {
	PressureKPa      int64 `json:"pressureKPa"`
	NozzleDiameterUM int64 `json:"nozzleDiameterUM"`      // micrometres
	Nozzles          int64 `json:"nozzles"`               // of that diameter, at work together
	DischargePPM     int64 `json:"dischargePPM,omitzero"` // coefficient of discharge; 900000 when left out
	RunningMS        int64 `json:"runningMS"`             // how long the jet ran
}

func (j JetSetting) check(c *Check, field string) {
	c.In(field, func() {
		c.Between("pressureKPa", j.PressureKPa, 1, 100_000, "kilopascals; 4,000 psi is about 27579")
		c.Between("nozzleDiameterUM", j.NozzleDiameterUM, 100, 20_000, "micrometres; 1.5 mm is 1500")
		c.Between("nozzles", j.Nozzles, 1, 20, "nozzles")
		c.Between("dischargePPM", j.DischargePPM, 0, 1_000_000, "parts per million; 0.9 is 900000")
		c.Between("runningMS", j.RunningMS, 0, maxIntervalMS, "milliseconds")
	})
}
