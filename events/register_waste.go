package events

// Material is a kind of spoil: how it is classified as waste, and the densities
// that turn a volume into phases where nothing better was measured.
type Material struct {
	Description            string `json:"description"`
	WasteCode              string `json:"wasteCode"` // as the applicable list of wastes writes it, such as "17 05 04"
	Hazardous              bool   `json:"hazardous,omitzero"`
	ClassifiedBy           string `json:"classifiedBy,omitzero"`
	ClassificationBasis    string `json:"classificationBasis,omitzero"`
	ParticleDensityKgPerM3 int64  `json:"particleDensityKgPerM3"`
	SlurryDensityKgPerM3   int64  `json:"slurryDensityKgPerM3"` // typical, for loads known by volume alone
	BankDensityKgPerM3     int64  `json:"bankDensityKgPerM3,omitzero"`
	MoisturePermille       int64  `json:"moisturePermille,omitzero"`     // water over dry solids, by mass
	BedVoidRatioPermille   int64  `json:"bedVoidRatioPermille,omitzero"` // of the settled bed; 1000 when left out
}

// FacilityClass says what a receiving facility may do with a wet load.
type FacilityClass string

// The classes.
const (
	LandfillClass        FacilityClass = "landfill"         // takes no free liquids
	LiquidTreatmentClass FacilityClass = "liquid-treatment" // takes slurry
	SoilRecoveryClass    FacilityClass = "soil-recovery"
)

// Facility is where spoil is tipped.
type Facility struct {
	Name                  string        `json:"name"`
	Address               string        `json:"address"`
	Class                 FacilityClass `json:"class"`
	Permit                string        `json:"permit,omitzero"`
	PermitFrom            string        `json:"permitFrom,omitzero"`
	PermitTo              string        `json:"permitTo,omitzero"` // last day
	AcceptedCodes         []string      `json:"acceptedCodes"`
	WeighbridgeIntervalKg int64         `json:"weighbridgeIntervalKg,omitzero"` // verification interval e; 0 = no weighbridge
	GateFeePerTonne       Decimal       `json:"gateFeePerTonne,omitzero"`
	Currency              string        `json:"currency,omitzero"`
	TimeZone              string        `json:"timeZone"`
}

// WaterSourceUse is the kind of water source.
type WaterSourceUse string

// The kinds of water source.
const (
	MainsStandpipe WaterSourceUse = "mains-standpipe"
	BoreSource     WaterSourceUse = "bore"
	SurfaceSource  WaterSourceUse = "surface"
	YardSource     WaterSourceUse = "yard"
	RecycledSource WaterSourceUse = "recycled" // never counted as mains
)

// WaterSource is where fresh water is drawn.
type WaterSource struct {
	Name                   string         `json:"name"`
	Use                    WaterSourceUse `json:"use"`
	Permit                 string         `json:"permit,omitzero"`
	Meter                  string         `json:"meter,omitzero"`
	MeterTolerancePermille int64          `json:"meterTolerancePermille,omitzero"`
	DailyCapL              int64          `json:"dailyCapL,omitzero"` // 0 = none
	BackflowRequired       bool           `json:"backflowRequired,omitzero"`
	TimeZone               string         `json:"timeZone"`
}

// Outfall is where decanted water goes, with the limits of its consent. A limit
// left out is not asked for; no limit is universal.
type Outfall struct {
	Name                       string `json:"name"`
	To                         string `json:"to"` // such as "foul sewer", "settlement lagoon"
	Consent                    string `json:"consent,omitzero"`
	ConsentFrom                string `json:"consentFrom,omitzero"`
	ConsentTo                  string `json:"consentTo,omitzero"` // last day
	DailyLimitL                int64  `json:"dailyLimitL,omitzero"`
	TurbidityLimitNTU          int64  `json:"turbidityLimitNTU,omitzero"`
	TurbidityWeeklyAverage     bool   `json:"turbidityWeeklyAverage,omitzero"` // the limit is on the week's mean
	SuspendedSolidsLimitMGPerL int64  `json:"suspendedSolidsLimitMGPerL,omitzero"`
	PHMinHundredths            int64  `json:"pHMinHundredths,omitzero"`
	PHMaxHundredths            int64  `json:"pHMaxHundredths,omitzero"`
	TimeZone                   string `json:"timeZone"`
}

// Register returns MaterialRegister.
func (Material) Register() Register { return MaterialRegister }

// Register returns FacilityRegister.
func (Facility) Register() Register { return FacilityRegister }

// Register returns WaterSourceRegister.
func (WaterSource) Register() Register { return WaterSourceRegister }

// Register returns OutfallRegister.
func (Outfall) Register() Register { return OutfallRegister }

// Check asks for a description, a code and densities that soil can have.
func (d Material) Check(c *Check) {
	c.Text("description", d.Description, 1, 200)
	c.Text("wasteCode", d.WasteCode, 1, 20)
	c.Text("classifiedBy", d.ClassifiedBy, 0, 80)
	c.Text("classificationBasis", d.ClassificationBasis, 0, 200)
	c.Between("particleDensityKgPerM3", d.ParticleDensityKgPerM3, 1_100, 5_000, "kg/m3")
	c.Between("slurryDensityKgPerM3", d.SlurryDensityKgPerM3, 1_000, d.ParticleDensityKgPerM3, "kg/m3, at most the particle density")
	if d.BankDensityKgPerM3 != 0 {
		c.Between("bankDensityKgPerM3", d.BankDensityKgPerM3, 500, 4_000, "kg/m3")
	}
	c.Between("moisturePermille", d.MoisturePermille, 0, 20_000, "thousandths of the dry mass")
	c.Between("bedVoidRatioPermille", d.BedVoidRatioPermille, 0, 10_000, "thousandths")
}

// Check asks for names, a class, dates and codes.
func (d Facility) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	c.Text("address", d.Address, 1, 200)
	c.OneOf("class", string(d.Class), string(LandfillClass), string(LiquidTreatmentClass), string(SoilRecoveryClass))
	c.Text("permit", d.Permit, 0, 40)
	checkDate(c, "permitFrom", d.PermitFrom)
	checkDate(c, "permitTo", d.PermitTo)
	checkNotBefore(c, "permitTo", d.PermitTo, "permitFrom", d.PermitFrom)
	if len(d.AcceptedCodes) > 200 {
		c.Fail("acceptedCodes", itoa(int64(len(d.AcceptedCodes)))+" codes", "at most 200")
	}
	for i, code := range d.AcceptedCodes {
		c.Item("acceptedCodes", i, func() { c.Text("", code, 1, 20) })
	}
	c.Between("weighbridgeIntervalKg", d.WeighbridgeIntervalKg, 0, 1_000, "kilograms")
	checkOptionalDecimal(c, "gateFeePerTonne", d.GateFeePerTonne)
	if d.GateFeePerTonne != "" || d.Currency != "" {
		checkCurrency(c, d.Currency)
	}
	c.Text("timeZone", d.TimeZone, 1, 60)
}

// Check asks for a name, a kind, and limits that are not negative.
func (d WaterSource) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	c.OneOf("use", string(d.Use), string(MainsStandpipe), string(BoreSource), string(SurfaceSource), string(YardSource), string(RecycledSource))
	c.Text("permit", d.Permit, 0, 40)
	c.Text("meter", d.Meter, 0, 40)
	c.Between("meterTolerancePermille", d.MeterTolerancePermille, 0, 500, "thousandths")
	c.Between("dailyCapL", d.DailyCapL, 0, 1_000_000_000, "litres a day")
	c.Text("timeZone", d.TimeZone, 1, 60)
}

// Check asks for a name and limits that are not negative.
func (d Outfall) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	c.Text("to", d.To, 1, 60)
	c.Text("consent", d.Consent, 0, 40)
	checkDate(c, "consentFrom", d.ConsentFrom)
	checkDate(c, "consentTo", d.ConsentTo)
	checkNotBefore(c, "consentTo", d.ConsentTo, "consentFrom", d.ConsentFrom)
	c.Between("dailyLimitL", d.DailyLimitL, 0, 1_000_000_000, "litres a day")
	c.Between("turbidityLimitNTU", d.TurbidityLimitNTU, 0, 100_000, "turbidity units")
	c.Between("suspendedSolidsLimitMGPerL", d.SuspendedSolidsLimitMGPerL, 0, 1_000_000, "milligrams per litre")
	c.Between("pHMinHundredths", d.PHMinHundredths, 0, 1_400, "hundredths")
	c.Between("pHMaxHundredths", d.PHMaxHundredths, 0, 1_400, "hundredths")
	if d.PHMaxHundredths != 0 && d.PHMaxHundredths < d.PHMinHundredths {
		c.Fail("pHMaxHundredths", itoa(d.PHMaxHundredths), "at least pHMinHundredths "+itoa(d.PHMinHundredths))
	}
	c.Text("timeZone", d.TimeZone, 1, 60)
}
