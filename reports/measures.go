package reports

import (
	"fmt"
	"slices"
	"strings"

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
	return grouped(u.Show(base, decimalsOf(u))) + " " + u.Symbol()
}

// decimalsOf returns the decimals that a unit's size asks for where amounts stand alone.
func decimalsOf(u units.Unit) int {
	switch u {
	case units.CubicMetre, units.Tonne, units.ShortTon, units.LongTon, units.CubicYard:
		return 2
	}
	return 0
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

// Matter is what a volume is of, which decides in whose unit it is shown.
type Matter int

// The matters. Where nothing is said, cubic metres are of spoil and litres of
// water, as the reports write them.
const (
	Implied Matter = iota
	SpoilMatter
	WaterMatter
)

// MeasuresNamed returns the measures with these names of units, "m3", "us-gal",
// "short-ton"; an empty name is the metric unit.
func MeasuresNamed(spoil, water, mass string) (Measures, error) {
	m := Metric()
	for _, x := range []struct {
		what, name string
		list       []units.Unit
		into       *units.Unit
	}{{"spoil", spoil, SpoilUnits(), &m.Spoil}, {"water", water, WaterUnits(), &m.Water}, {"mass", mass, MassUnits(), &m.Mass}} {
		if x.name == "" {
			continue
		}
		i := slices.IndexFunc(x.list, func(u units.Unit) bool { return u.Name() == x.name })
		if i < 0 {
			return m, fmt.Errorf("unit of %s: found %.40q; allowed: %s", x.what, x.name, strings.Join(UnitNames(x.list), ", "))
		}
		*x.into = x.list[i]
	}
	return m, nil
}

// UnitNames returns the names of units, as flags and addresses write them.
func UnitNames(list []units.Unit) []string {
	names := make([]string, len(list))
	for i, u := range list {
		names[i] = u.Name()
	}
	return names
}
