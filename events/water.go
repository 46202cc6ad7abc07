package events

import "strconv"

// BackflowDevice is what kept the truck's tank from flowing back into the supply.
type BackflowDevice string

// The devices.
const (
	AirGap              BackflowDevice = "air-gap"
	ReducedPressureZone BackflowDevice = "reduced-pressure-zone"
	DoubleCheckValve    BackflowDevice = "double-check-valve"
	NoDevice            BackflowDevice = "none"
)

// WaterRefilled: fresh water was taken into the truck from a water source.
// Volume, or both meter readings, say how much; where both are given the report
// compares them.
type WaterRefilled struct {
	Start          Time           `json:"start"`
	End            Time           `json:"end"`
	WaterSource    WaterSourceID  `json:"waterSource"`
	Volume         *Volume        `json:"volume,omitzero"`
	MeterStartML   *int64         `json:"meterStartML,omitzero"`
	MeterEndML     *int64         `json:"meterEndML,omitzero"`
	BackflowDevice BackflowDevice `json:"backflowDevice,omitzero"`
}

// Kind returns KindWaterRefilled.
func (WaterRefilled) Kind() Kind { return KindWaterRefilled }

// Check asks for a time interval, a source and a volume or two meter readings.
func (r WaterRefilled) Check(c *Check) {
	c.Interval(r.Start, r.End)
	c.ID("waterSource", string(r.WaterSource))
	checkOptional(c, "volume", r.Volume)
	if r.Volume == nil && (r.MeterStartML == nil || r.MeterEndML == nil) {
		c.Fail("volume", "nothing", "volume, or both meterStartML and meterEndML")
	}
	checkOptionalBetween(c, "meterStartML", r.MeterStartML, 0, maxMeterML, "millilitres")
	checkOptionalBetween(c, "meterEndML", r.MeterEndML, 0, maxMeterML, "millilitres")
	if r.BackflowDevice != "" {
		c.OneOf("backflowDevice", string(r.BackflowDevice), string(AirGap), string(ReducedPressureZone), string(DoubleCheckValve), string(NoDevice))
	}
}

// Purpose is what fresh water was used for other than cutting soil.
type Purpose string

// The purposes.
const (
	ForWashing  Purpose = "washing"  // tank, tools or road
	ForFlushing Purpose = "flushing" // lines and pump
	ForDust     Purpose = "dust"     // laying dust
	ForOther    Purpose = "other"
)

// WaterUsed: fresh water left the truck for something other than jetting, which
// is part of [LoadCollected].
type WaterUsed struct {
	Start   Time    `json:"start"`
	End     Time    `json:"end"`
	Purpose Purpose `json:"purpose"`
	Volume  Volume  `json:"volume"`
	// IntoDebrisTank is true when the water ran into the debris tank, as a
	// wash-out with the door shut does.
	IntoDebrisTank bool `json:"intoDebrisTank,omitzero"`
}

// Kind returns KindWaterUsed.
func (WaterUsed) Kind() Kind { return KindWaterUsed }

// Check asks for a time interval, a purpose and a volume.
func (u WaterUsed) Check(c *Check) {
	c.Interval(u.Start, u.End)
	c.OneOf("purpose", string(u.Purpose), string(ForWashing), string(ForFlushing), string(ForDust), string(ForOther))
	u.Volume.check(c, "volume")
}

// Tank names one of the truck's two tanks.
type Tank string

// The tanks.
const (
	DebrisTank Tank = "debris"
	FreshTank  Tank = "fresh"
)

// TankGauged: the level of a tank was read: as the volume it holds, or as LevelMM,
// the height of the surface above the lowest point, which the truck's geometry or
// strapping table turns into a volume.
type TankGauged struct {
	Tank    Tank   `json:"tank"`
	Volume  Volume `json:"volume,omitzero"`
	LevelMM *int64 `json:"levelMM,omitzero"`
}

// Kind returns KindTankGauged.
func (TankGauged) Kind() Kind { return KindTankGauged }

// Check asks for a tank and either a volume or a level.
func (g TankGauged) Check(c *Check) {
	c.OneOf("tank", string(g.Tank), string(DebrisTank), string(FreshTank))
	given := g.Volume != Volume{}
	if given == (g.LevelMM != nil) {
		c.Fail("volume", map[bool]string{true: "both", false: "nothing"}[given], "exactly one of volume, levelMM")
	}
	if given {
		g.Volume.check(c, "volume")
	}
	checkOptionalBetween(c, "levelMM", g.LevelMM, 0, 5_000, "millimetres above the lowest point")
}

// MeterRead: the meter of a water source was read.
type MeterRead struct {
	WaterSource WaterSourceID `json:"waterSource"`
	Meter       string        `json:"meter"`
	ReadingML   int64         `json:"readingML"`
}

// Kind returns KindMeterRead.
func (MeterRead) Kind() Kind { return KindMeterRead }

// Check asks for a source, a meter and a reading.
func (m MeterRead) Check(c *Check) {
	c.ID("waterSource", string(m.WaterSource))
	c.Text("meter", m.Meter, 1, 40)
	c.Between("readingML", m.ReadingML, 0, maxMeterML, "millilitres")
}

const maxMeterML = 1_000_000_000_000_000 // a million cubic metres

func itoa(v int64) string { return strconv.FormatInt(v, 10) }
