package events

import "slices"

// Register names one of the registers of reference data.
type Register string

// The registers.
const (
	CarrierRegister     Register = "carrier"
	TruckRegister       Register = "truck"
	OperatorRegister    Register = "operator"
	ClientRegister      Register = "client"
	JobRegister         Register = "job"
	MaterialRegister    Register = "material"
	FacilityRegister    Register = "facility"
	WaterSourceRegister Register = "water-source"
	OutfallRegister     Register = "outfall"
	RateCardRegister    Register = "rate-card"
	CalendarRegister    Register = "calendar"
	TaxRegister         Register = "tax"
)

// Document is one register entry as it stands from some time on.
type Document interface {
	// Register returns the register that the entry belongs to.
	Register() Register
	// Check reports what is wrong with the entry's fields.
	Check(c *Check)
}

// RegisterRevised: the entry Key of a register reads as Document from
// EffectiveFrom on, until a later revision of the same entry takes effect.
type RegisterRevised struct {
	Key           string
	EffectiveFrom Time
	Author        string
	Note          string
	Document      Document
}

// Kind returns KindRegisterRevised.
func (RegisterRevised) Kind() Kind { return KindRegisterRevised }

// Check asks for a key, a time, an author and a valid document.
func (r RegisterRevised) Check(c *Check) {
	c.ID("key", r.Key)
	c.Time("effectiveFrom", r.EffectiveFrom)
	c.Text("author", r.Author, 1, 80)
	c.Text("note", r.Note, 0, 400)
	if r.Document == nil {
		c.Fail("document", "nothing", "the entry as it reads from effectiveFrom on")
		return
	}
	c.In("document", func() { r.Document.Check(c) })
}

// documentTable makes a pointer to an empty document, for decoding, per register.
var documentTable = map[Register]func() any{
	CarrierRegister:     func() any { return &Carrier{} },
	TruckRegister:       func() any { return &Truck{} },
	OperatorRegister:    func() any { return &Operator{} },
	ClientRegister:      func() any { return &Client{} },
	JobRegister:         func() any { return &Job{} },
	MaterialRegister:    func() any { return &Material{} },
	FacilityRegister:    func() any { return &Facility{} },
	WaterSourceRegister: func() any { return &WaterSource{} },
	OutfallRegister:     func() any { return &Outfall{} },
	RateCardRegister:    func() any { return &RateCard{} },
	CalendarRegister:    func() any { return &Calendar{} },
	TaxRegister:         func() any { return &Tax{} },
}

// NewDocument returns a pointer to an empty document of register r for a decoder
// to fill, or nil when there is no such register.
func NewDocument(r Register) any {
	if f, ok := documentTable[r]; ok {
		return f()
	}
	return nil
}

// DocumentOf returns the document that p, made by NewDocument, points to.
func DocumentOf(p any) Document {
	switch d := p.(type) {
	case *Carrier:
		return *d
	case *Truck:
		return *d
	case *Operator:
		return *d
	case *Client:
		return *d
	case *Job:
		return *d
	case *Material:
		return *d
	case *Facility:
		return *d
	case *WaterSource:
		return *d
	case *Outfall:
		return *d
	case *RateCard:
		return *d
	case *Calendar:
		return *d
	case *Tax:
		return *d
	}
	return nil
}

// Registers returns every register in alphabetical order.
func Registers() []Register {
	rs := make([]Register, 0, len(documentTable))
	for r := range documentTable {
		rs = append(rs, r)
	}
	slices.Sort(rs)
	return rs
}
