package events

import "fmt"

// Basis says where a quantity comes from.
type Basis string

// The three bases, from best to weakest.
const (
	Measured Basis = "measured" // read from an instrument
	Derived  Basis = "derived"  // computed from measured quantities
	Assumed  Basis = "assumed"  // a typical value of the register
)

// Weaker returns the weaker of two bases: what is computed from both has it.
func Weaker(a, b Basis) Basis {
	if rank(a) >= rank(b) {
		return a
	}
	return b
}

func rank(b Basis) int {
	switch b {
	case Measured:
		return 0
	case Derived:
		return 1
	}
	return 2
}

// Volume is a volume in millilitres with its basis and, where known, the
// instrument's stated tolerance (plus or minus) and name.
type Volume struct {
	VolumeML    int64  `json:"volumeML"`
	Basis       Basis  `json:"basis"`
	ToleranceML int64  `json:"toleranceML,omitzero"`
	Instrument  string `json:"instrument,omitzero"`
}

// Mass is a mass in grams with its basis and, where known, the instrument's
// stated tolerance (plus or minus) and name.
type Mass struct {
	MassG      int64  `json:"massG"`
	Basis      Basis  `json:"basis"`
	ToleranceG int64  `json:"toleranceG,omitzero"`
	Instrument string `json:"instrument,omitzero"`
}

// Limits that catch a unit slip: no truck carries more than 100 cubic metres or
// 100 tonnes.
const (
	MaxVolumeML = 100_000_000
	MaxMassG    = 100_000_000
)

func (v Volume) check(c *Check, field string) {
	c.In(field, func() {
		c.Between("volumeML", v.VolumeML, 0, MaxVolumeML, "millilitres")
		c.Between("toleranceML", v.ToleranceML, 0, MaxVolumeML, "millilitres")
		checkBasis(c, v.Basis)
		c.Text("instrument", v.Instrument, 0, 60)
	})
}

func (m Mass) check(c *Check, field string) {
	c.In(field, func() {
		c.Between("massG", m.MassG, 0, MaxMassG, "grams")
		c.Between("toleranceG", m.ToleranceG, 0, MaxMassG, "grams")
		checkBasis(c, m.Basis)
		c.Text("instrument", m.Instrument, 0, 60)
	})
}

func checkBasis(c *Check, b Basis) {
	c.OneOf("basis", string(b), string(Measured), string(Derived), string(Assumed))
}

func checkOptional[Q interface{ check(*Check, string) }](c *Check, field string, q *Q) {
	if q != nil {
		(*q).check(c, field)
	}
}

func checkOptionalBetween(c *Check, field string, v *int64, min, max int64, what string) {
	if v != nil {
		c.Between(field, *v, min, max, what)
	}
}

// Decimal is a decimal number as text, such as "85.00" or "-1.5", for money and
// factors. It is exact; the reports compute with a decimal library.
type Decimal string

func (d Decimal) valid() bool {
	s := string(d)
	if len(s) > 0 && s[0] == '-' {
		s = s[1:]
	}
	digits, dots := 0, 0
	for i := range len(s) {
		switch {
		case s[i] >= '0' && s[i] <= '9':
			digits++
		case s[i] == '.' && i > 0 && i < len(s)-1:
			dots++
		default:
			return false
		}
	}
	return digits >= 1 && digits <= 18 && dots <= 1
}

func checkDecimal(c *Check, field string, d Decimal, allowNegative bool) {
	if !d.valid() || !allowNegative && d[0] == '-' {
		c.Fail(field, fmt.Sprintf("%q", string(d)), `a decimal number as text, such as "85.00"`)
	}
}

func checkOptionalDecimal(c *Check, field string, d Decimal) {
	if d != "" {
		checkDecimal(c, field, d, false)
	}
}
