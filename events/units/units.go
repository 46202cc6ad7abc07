// Package units converts the ledger's whole millilitres, grams and pascals into
// the units that people and forms use, exactly. Each unit is a rational multiple
// of its base unit, so that nothing is lost but in the one rounding that is asked
// for. For example 2,000,000 mL, two cubic metres, in US gallons, and what a
// driver wrote down as 528.3 US gallons in millilitres:
//
//	units.USGallon.Show(2_000_000, 1) // "528.3"
//	units.USGallon.Base("528.3")      // 1999833
//
// The factors are exact by definition: the inch is 25.4 mm and the avoirdupois
// pound 0.45359237 kg by the international agreement of 1959, the US gallon 231
// cubic inches, the imperial gallon 4.54609 L, the pound-force the pound's weight
// at 9.80665 m/s2, and the inch of mercury, conventionally, 3386.388640341 Pa.
package units

import (
	"fmt"
	"math/big"
	"strings"
)

// Unit is a unit of volume, mass or pressure.
type Unit int

// The units. The short ton is 2,000 lb, the long ton 2,240 lb.
const (
	Litre Unit = iota
	CubicMetre
	USGallon
	ImperialGallon
	CubicFoot
	CubicYard
	Kilogram
	Tonne
	Pound
	ShortTon
	LongTon
	Kilopascal
	Bar
	PoundPerSquareInch
	InchOfMercury
)

// All returns every unit: those of volume, then of mass, then of pressure, each
// metric first.
func All() []Unit {
	all := make([]Unit, 0, InchOfMercury+1)
	for u := Litre; u <= InchOfMercury; u++ {
		all = append(all, u)
	}
	return all
}

// Symbol returns what is written after a number in the unit.
func (u Unit) Symbol() string { return u.spec().symbol }

// Name returns the unit's name in plain letters, for flags, addresses and keys:
// "m3", "us-gal", "short-ton".
func (u Unit) Name() string {
	name := strings.ReplaceAll(strings.ToLower(u.spec().symbol), " ", "-")
	return strings.ReplaceAll(name, "³", "3")
}

// BaseSymbol returns the symbol of the base unit: "mL", "g" or "Pa". Units with
// the same base measure the same.
func (u Unit) BaseSymbol() string { return u.spec().base }

// Factor returns the unit in base units, as a fraction: a litre is 1000/1 mL.
func (u Unit) Factor() *big.Rat { s := u.spec(); return big.NewRat(s.num, s.den) }

// maxDecimals is finer than any base unit shows in any of the units.
const maxDecimals = 12

// Show returns a number of base units as a decimal number of the unit, rounded
// half away from zero to 0 to 12 decimals; fewer or more are taken as those.
func (u Unit) Show(base int64, decimals int) string {
	amount := new(big.Rat).Quo(new(big.Rat).SetInt64(base), u.Factor())
	text := amount.FloatString(min(max(decimals, 0), maxDecimals))
	if strings.Trim(text, "-0.") == "" {
		return strings.TrimPrefix(text, "-")
	}
	return text
}

// maxDigits bounds the numbers read, far above what any truck or tank holds.
const maxDigits = 24

// Base returns a decimal number of the unit, such as "528.3", in base units,
// rounded half away from zero.
func (u Unit) Base(amount string) (int64, error) {
	digits := strings.TrimPrefix(amount, "-")
	whole, fraction, dotted := strings.Cut(digits, ".")
	if len(digits) > maxDigits || !decimal(whole) || dotted && !decimal(fraction) {
		return 0, fmt.Errorf("%s: %.30q is not a decimal number such as \"528.3\"", u.Symbol(), amount)
	}
	exact, ok := new(big.Rat).SetString(amount)
	if !ok {
		return 0, fmt.Errorf("%s: %q is not a decimal number such as \"528.3\"", u.Symbol(), amount)
	}
	rounded, ok := new(big.Int).SetString(exact.Mul(exact, u.Factor()).FloatString(0), 10)
	if !ok || !rounded.IsInt64() {
		return 0, fmt.Errorf("%s: %s is more than can be held in %s", u.Symbol(), amount, u.BaseSymbol())
	}
	return rounded.Int64(), nil
}

// decimal reports whether s is one digit or more.
func decimal(s string) bool {
	for i := range len(s) {
		if s[i] < '0' || s[i] > '9' {
			return false
		}
	}
	return s != ""
}

// spec is a unit of num/den base units.
type spec struct {
	symbol, base string
	num, den     int64
}

func (u Unit) spec() spec {
	switch u {
	case Litre:
		return spec{"L", "mL", 1_000, 1}
	case CubicMetre:
		return spec{"m³", "mL", 1_000_000, 1}
	case USGallon:
		return spec{"US gal", "mL", 3_785_411_784, 1_000_000}
	case ImperialGallon:
		return spec{"imp gal", "mL", 454_609, 100}
	case CubicFoot:
		return spec{"ft³", "mL", 28_316_846_592, 1_000_000}
	case CubicYard:
		return spec{"yd³", "mL", 764_554_857_984, 1_000_000}
	case Kilogram:
		return spec{"kg", "g", 1_000, 1}
	case Tonne:
		return spec{"t", "g", 1_000_000, 1}
	case Pound:
		return spec{"lb", "g", 45_359_237, 100_000}
	case ShortTon:
		return spec{"short ton", "g", 90_718_474, 100}
	case LongTon:
		return spec{"long ton", "g", 10_160_469_088, 10_000}
	case Kilopascal:
		return spec{"kPa", "Pa", 1_000, 1}
	case Bar:
		return spec{"bar", "Pa", 100_000, 1}
	case PoundPerSquareInch: // 0.45359237 kg * 9.80665 m/s2 over (0.0254 m)^2
		return spec{"psi", "Pa", 8_896_443_230_521, 1_290_320_000}
	case InchOfMercury:
		return spec{"inHg", "Pa", 3_386_388_640_341, 1_000_000_000}
	}
	return spec{fmt.Sprintf("unit %d", int(u)), "", 1, 1}
}
