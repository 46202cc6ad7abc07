package events

// LoadCollected: slurry was sucked into the debris tank between Start and End.
//
// What entered is known in one of four ways, best first: SlurryVolume and
// SlurryMass; Bank with JettingWater; SlurryMass alone; SlurryVolume alone. The
// fold that turns them into solids and water says which one it used. JettingWater
// is what left the fresh tank to cut the soil loose and is part of the slurry.
type LoadCollected struct {
	Start        Time        `json:"start"`
	End          Time        `json:"end"`
	Material     MaterialID  `json:"material"`
	SlurryVolume *Volume     `json:"slurryVolume,omitzero"`
	SlurryMass   *Mass       `json:"slurryMass,omitzero"`
	Bank         *BankSoil   `json:"bank,omitzero"`
	JettingWater *Volume     `json:"jettingWater,omitzero"`
	Jet          *JetSetting `json:"jet,omitzero"` // for an estimate beside JettingWater
}

// BankSoil is soil as it lay in the ground. Density and moisture left out are
// taken from the material. Moisture is by dry mass (water over solids), in parts
// per million.
type BankSoil struct {
	Volume            Volume `json:"volume"`
	BulkDensityGPerM3 int64  `json:"bulkDensityGPerM3,omitzero"`
	MoisturePPM       *int64 `json:"moisturePPM,omitzero"`
}

// Kind returns KindLoadCollected.
func (LoadCollected) Kind() Kind { return KindLoadCollected }

// Check asks for a time interval, a material and at least one way of knowing
// what entered the tank.
func (l LoadCollected) Check(c *Check) {
	c.Interval(l.Start, l.End)
	c.ID("material", string(l.Material))
	if l.SlurryVolume == nil && l.SlurryMass == nil && l.Bank == nil {
		c.Fail("slurryVolume", "nothing", "at least one of slurryVolume, slurryMass, bank")
	}
	checkOptional(c, "slurryVolume", l.SlurryVolume)
	checkOptional(c, "slurryMass", l.SlurryMass)
	checkOptional(c, "jettingWater", l.JettingWater)
	checkOptional(c, "jet", l.Jet)
	if b := l.Bank; b != nil {
		c.In("bank", func() {
			b.Volume.check(c, "volume")
			if b.BulkDensityGPerM3 != 0 {
				c.Between("bulkDensityGPerM3", b.BulkDensityGPerM3, 500_000, 4_000_000, "g/m3; 1900 kg/m3 is 1900000")
			}
			checkOptionalBetween(c, "moisturePPM", b.MoisturePPM, 0, 20_000_000, "parts per million of the dry mass; 15 % is 150000")
		})
	}
}

// WaterDecanted: settled water was drained from the debris tank to an outfall.
// Clear water is assumed unless DensityGPerM3 or SuspendedSolidsMGPerL says how
// much solids went with it.
type WaterDecanted struct {
	Start                 Time      `json:"start"`
	End                   Time      `json:"end"`
	Volume                Volume    `json:"volume"`
	Outfall               OutfallID `json:"outfall,omitzero"`
	DensityGPerM3         *int64    `json:"densityGPerM3,omitzero"`
	SuspendedSolidsMGPerL *int64    `json:"suspendedSolidsMGPerL,omitzero"`
	TurbidityMilliNTU     *int64    `json:"turbidityMilliNTU,omitzero"`
	PHHundredths          *int64    `json:"pHHundredths,omitzero"`
}

// Kind returns KindWaterDecanted.
func (WaterDecanted) Kind() Kind { return KindWaterDecanted }

// Check asks for a time interval and a volume; a missing outfall is a finding,
// not an error, for the water has gone.
func (d WaterDecanted) Check(c *Check) {
	c.Interval(d.Start, d.End)
	d.Volume.check(c, "volume")
	c.OptionalID("outfall", string(d.Outfall))
	checkOptionalBetween(c, "densityGPerM3", d.DensityGPerM3, 990_000, 2_000_000, "g/m3; water is 1000000")
	checkOptionalBetween(c, "suspendedSolidsMGPerL", d.SuspendedSolidsMGPerL, 0, 1_000_000, "milligrams per litre")
	checkOptionalBetween(c, "turbidityMilliNTU", d.TurbidityMilliNTU, 0, 100_000_000, "thousandths of a turbidity unit")
	checkOptionalBetween(c, "pHHundredths", d.PHHundredths, 0, 1400, "hundredths; pH 7.2 is 720")
}

// SpoilTipped: the debris tank, or part of it, was emptied at a facility. Exactly
// one of Whole, Volume, Mass and PortionPPM says how much.
type SpoilTipped struct {
	Start           Time             `json:"start"`
	End             Time             `json:"end"`
	Facility        FacilityID       `json:"facility"`
	Whole           bool             `json:"whole,omitzero"`
	Volume          *Volume          `json:"volume,omitzero"`
	Mass            *Mass            `json:"mass,omitzero"`
	PortionPPM      int64            `json:"portionPPM,omitzero"`
	Consignment     string           `json:"consignment,omitzero"` // number on the paper note, if any
	FreeLiquidsTest *FreeLiquidsTest `json:"freeLiquidsTest,omitzero"`
}

// FreeLiquidsTest is the outcome of a paint-filter test on the load.
type FreeLiquidsTest struct {
	Method string `json:"method"`
	Passed bool   `json:"passed"` // no liquid came through
}

// Kind returns KindSpoilTipped.
func (SpoilTipped) Kind() Kind { return KindSpoilTipped }

// Check asks for a time interval, a facility and exactly one quantity.
func (t SpoilTipped) Check(c *Check) {
	c.Interval(t.Start, t.End)
	c.ID("facility", string(t.Facility))
	checkOneQuantity(c, t.Whole, t.Volume, t.Mass, t.PortionPPM, "parts per million of what the tank holds")
	c.Text("consignment", t.Consignment, 0, 40)
	if f := t.FreeLiquidsTest; f != nil {
		c.In("freeLiquidsTest", func() { c.Text("method", f.Method, 1, 60) })
	}
}

// checkOneQuantity asks for exactly one of four ways to say how much.
func checkOneQuantity(c *Check, whole bool, v *Volume, m *Mass, portionPPM int64, portionOf string) {
	ways := 0
	for _, given := range []bool{whole, v != nil, m != nil, portionPPM != 0} {
		if given {
			ways++
		}
	}
	if ways != 1 {
		found := "several of them"
		if ways == 0 {
			found = "nothing"
		}
		c.Fail("whole", found, "exactly one of whole, volume, mass, portionPPM")
	}
	checkOptional(c, "volume", v)
	checkOptional(c, "mass", m)
	c.Between("portionPPM", portionPPM, 0, 1_000_000, portionOf)
}

// DocketReceived: a facility's weighbridge docket for a tip came in, often days
// later. NetG is what the facility charges and reports by.
type DocketReceived struct {
	Tip            Ref        `json:"tip"`
	Facility       FacilityID `json:"facility"`
	Number         string     `json:"number"`
	WeighedAt      Time       `json:"weighedAt"`
	GrossG         *int64     `json:"grossG,omitzero"`
	TareG          *int64     `json:"tareG,omitzero"`
	NetG           int64      `json:"netG"`
	ScaleIntervalG int64      `json:"scaleIntervalG,omitzero"` // verification interval e of the weighbridge
}

// Kind returns KindDocketReceived.
func (DocketReceived) Kind() Kind { return KindDocketReceived }

// Check asks for the tip, the number and a net mass that is gross less tare where
// both are given.
func (d DocketReceived) Check(c *Check) {
	c.Ref("tip", d.Tip)
	c.ID("facility", string(d.Facility))
	c.Text("number", d.Number, 1, 40)
	c.Time("weighedAt", d.WeighedAt)
	c.Between("netG", d.NetG, 0, MaxMassG, "grams")
	checkOptionalBetween(c, "grossG", d.GrossG, 0, MaxMassG, "grams")
	checkOptionalBetween(c, "tareG", d.TareG, 0, MaxMassG, "grams")
	if d.GrossG != nil && d.TareG != nil && *d.GrossG-*d.TareG != d.NetG {
		c.Fail("netG", itoa(d.NetG), "grossG less tareG, "+itoa(*d.GrossG-*d.TareG))
	}
	c.Between("scaleIntervalG", d.ScaleIntervalG, 0, 1_000_000, "grams")
}
