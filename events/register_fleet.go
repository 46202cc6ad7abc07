package events

// Register documents use the units that people write in a file (litres,
// kilograms, kg/m3, thousandths); the unit is in each field's name. Dates are
// "2026-10-26". Money is a [Decimal] in the document's currency (ISO 4217).

// Carrier is the company that runs the trucks, as manifests and invoices name it.
type Carrier struct {
	Name         string `json:"name"`
	Address      string `json:"address"`
	Registration string `json:"registration,omitzero"` // waste carrier's registration or permit number
	TaxNumber    string `json:"taxNumber,omitzero"`
	Phone        string `json:"phone,omitzero"`
}

// Truck is a vacuum-excavation truck: what its tanks hold, what it may weigh.
type Truck struct {
	Name                   string           `json:"name"`
	Registration           string           `json:"registration"` // number plate
	Carrier                string           `json:"carrier"`
	DebrisCapacityL        int64            `json:"debrisCapacityL"`
	FreshCapacityL         int64            `json:"freshCapacityL"`
	TareKg                 int64            `json:"tareKg"` // ready for the road, both tanks empty
	PermittedGrossKg       int64            `json:"permittedGrossKg"`
	LevelTolerancePermille int64            `json:"levelTolerancePermille,omitzero"` // of the volume a tank gauge shows
	DumpMinutes            int64            `json:"dumpMinutes,omitzero"`            // usual full dump, for the replay when none was seen
	Axles                  []Axle           `json:"axles,omitzero"`
	DebrisTankFromFrontMM  int64            `json:"debrisTankFromFrontMM,omitzero"` // centre of the load, behind the front axle
	FreshTankFromFrontMM   int64            `json:"freshTankFromFrontMM,omitzero"`
	DebrisTankDiameterMM   int64            `json:"debrisTankDiameterMM,omitzero"` // horizontal cylinder, flat ends
	DebrisTankLengthMM     int64            `json:"debrisTankLengthMM,omitzero"`
	DebrisStrapping        []StrappingPoint `json:"debrisStrapping,omitzero"` // wins over the cylinder
	FreshStrapping         []StrappingPoint `json:"freshStrapping,omitzero"`
}

// StrappingPoint is a line of a tank's strapping table: what it holds up to a level.
type StrappingPoint struct {
	LevelMM int64 `json:"levelMM"`
	VolumeL int64 `json:"volumeL"`
}

// Axle is an axle or axle group of a truck.
type Axle struct {
	Name        string `json:"name"`
	FromFrontMM int64  `json:"fromFrontMM"`
	TareKg      int64  `json:"tareKg"`
	PermittedKg int64  `json:"permittedKg"`
}

// Operator is a person who drives or crews a truck.
type Operator struct {
	Name string `json:"name"`
	Card string `json:"card,omitzero"` // competence or licence card number
}

// Client is who is invoiced.
type Client struct {
	Name      string `json:"name"`
	Address   string `json:"address"`
	TaxNumber string `json:"taxNumber,omitzero"`
	Contact   string `json:"contact,omitzero"`
}

// Job is work for a client at a site.
type Job struct {
	Client       ClientID   `json:"client"`
	Name         string     `json:"name"`
	SiteAddress  string     `json:"siteAddress"`
	OrderNumber  string     `json:"orderNumber,omitzero"`
	TimeZone     string     `json:"timeZone"` // IANA name
	RateCard     RateCardID `json:"rateCard"`
	Material     MaterialID `json:"material,omitzero"` // expected
	IndustryCode string     `json:"industryCode,omitzero"`
}

// Register returns CarrierRegister.
func (Carrier) Register() Register { return CarrierRegister }

// Register returns TruckRegister.
func (Truck) Register() Register { return TruckRegister }

// Register returns OperatorRegister.
func (Operator) Register() Register { return OperatorRegister }

// Register returns ClientRegister.
func (Client) Register() Register { return ClientRegister }

// Register returns JobRegister.
func (Job) Register() Register { return JobRegister }

// Check asks for a name and an address.
func (d Carrier) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	c.Text("address", d.Address, 1, 200)
	c.Text("registration", d.Registration, 0, 40)
	c.Text("taxNumber", d.TaxNumber, 0, 40)
	c.Text("phone", d.Phone, 0, 40)
}

// Check asks for names, capacities and masses that a road vehicle can have.
func (d Truck) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	c.Text("registration", d.Registration, 1, 20)
	c.ID("carrier", d.Carrier)
	c.Between("debrisCapacityL", d.DebrisCapacityL, 100, 50_000, "litres")
	c.Between("freshCapacityL", d.FreshCapacityL, 0, 50_000, "litres")
	c.Between("tareKg", d.TareKg, 1_000, 60_000, "kilograms")
	c.Between("permittedGrossKg", d.PermittedGrossKg, d.TareKg, 100_000, "kilograms, at least the tare")
	c.Between("levelTolerancePermille", d.LevelTolerancePermille, 0, 500, "thousandths of the reading")
	c.Between("dumpMinutes", d.DumpMinutes, 0, 1_440, "minutes")
	c.Between("debrisTankFromFrontMM", d.DebrisTankFromFrontMM, -5_000, 20_000, "millimetres")
	c.Between("freshTankFromFrontMM", d.FreshTankFromFrontMM, -5_000, 20_000, "millimetres")
	c.Between("debrisTankDiameterMM", d.DebrisTankDiameterMM, 0, 4_000, "millimetres")
	c.Between("debrisTankLengthMM", d.DebrisTankLengthMM, 0, 20_000, "millimetres")
	checkStrapping(c, "debrisStrapping", d.DebrisStrapping)
	checkStrapping(c, "freshStrapping", d.FreshStrapping)
	if len(d.Axles) > 9 {
		c.Fail("axles", itoa(int64(len(d.Axles)))+" axles", "at most 9")
	}
	for i, a := range d.Axles {
		c.Item("axles", i, func() {
			c.Text("name", a.Name, 1, 40)
			c.Between("fromFrontMM", a.FromFrontMM, 0, 20_000, "millimetres")
			c.Between("tareKg", a.TareKg, 0, 40_000, "kilograms")
			c.Between("permittedKg", a.PermittedKg, 1, 60_000, "kilograms")
		})
	}
}

// checkStrapping asks for a table that rises from line to line.
func checkStrapping(c *Check, field string, table []StrappingPoint) {
	if len(table) > 500 {
		c.Fail(field, itoa(int64(len(table)))+" lines", "at most 500")
	}
	for i, p := range table {
		c.Item(field, i, func() {
			c.Between("levelMM", p.LevelMM, 0, 5_000, "millimetres")
			c.Between("volumeL", p.VolumeL, 0, 50_000, "litres")
			if i > 0 && (p.LevelMM <= table[i-1].LevelMM || p.VolumeL <= table[i-1].VolumeL) {
				c.Fail("levelMM", itoa(p.LevelMM), "a level and a volume above those of the line before")
			}
		})
	}
}

// Check asks for a name.
func (d Operator) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	c.Text("card", d.Card, 0, 40)
}

// Check asks for a name and an address.
func (d Client) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	c.Text("address", d.Address, 1, 200)
	c.Text("taxNumber", d.TaxNumber, 0, 40)
	c.Text("contact", d.Contact, 0, 80)
}

// Check asks for a client, a site, a time zone and a rate card.
func (d Job) Check(c *Check) {
	c.ID("client", string(d.Client))
	c.Text("name", d.Name, 1, 80)
	c.Text("siteAddress", d.SiteAddress, 1, 200)
	c.Text("orderNumber", d.OrderNumber, 0, 40)
	c.Text("timeZone", d.TimeZone, 1, 60)
	c.ID("rateCard", string(d.RateCard))
	c.OptionalID("material", string(d.Material))
	c.Text("industryCode", d.IndustryCode, 0, 20)
}
