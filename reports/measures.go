package reports

import (
	"fmt"

	"spoilbook/events/units"
)

// Measures are the units that somebody wants quantities shown in. The ledger keeps whole millilitres and grams; this changes what is shown
// and nothing else.
type Measures struct {
	Spoil units.Unit // of slurry, spoil and tanks' debris
	Water units.Unit // of fresh and decanted water
	Mass  units.Unit
}

// Metric are the measures the reports are made in.
func Metric() Measures {
	return Measures{Spoil: units.CubicMetre, Water: units.Litre, Mass: units.Kilogram}
}

// SpoilUnits are the units that can be chosen for each kind of quantity, the metric one first.
func SpoilUnits() []units.Unit {
	return []units.Unit{units.CubicMetre, units.Litre, units.CubicYard, units.USGallon, units.ImperialGallon}
}

// WaterUnits are those of water.
func WaterUnits() []units.Unit {
	return []units.Unit{units.Litre, units.CubicMetre, units.USGallon, units.ImperialGallon}
}

// MassUnits are those of mass.
func MassUnits() []units.Unit {
	return []units.Unit{units.Kilogram, units.Tonne, units.ShortTon, units.LongTon, units.Pound}
}

// ShownIn returns a number of base units in a unit, with the decimals its size asks for: "3.30 m³", "1,200 L".
func ShownIn(u units.Unit, base int64) string {
	decimals := 0
	switch u {
	case units.CubicMetre, units.Tonne, units.ShortTon, units.LongTon, units.CubicYard:
		decimals = 2
	}
	return grouped(u.Show(base, decimals)) + " " + u.Symbol()
}

// grouped writes a decimal number with commas between thousands.
func grouped(text string) string {
	sign := ""
	if text != "" && text[0] == '-' {
		sign, text = "-", text[1:]
	}
	whole, rest := text, ""
	for i := range len(text) {
		if text[i] == '.' {
			whole, rest = text[:i], text[i:]
			break
		}
	}
	for i := len(whole) - 3; i > 0; i -= 3 {
		whole = whole[:i] + "," + whole[i:]
	}
	return fmt.Sprint(sign, whole, rest)
}
