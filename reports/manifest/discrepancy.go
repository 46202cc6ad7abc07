package manifest

import (
	"fmt"

	"spoilbook/reports"
)

// SignificantDiscrepancy reports whether what was received of a bulk waste differs
// from what was manifested by strictly more than 10 % by weight (40 CFR
// 264.72(b)). The manifested quantity as the denominator is an interpretation; so
// is calling anything received against nothing manifested significant.
func SignificantDiscrepancy(manifestedG, receivedG int64) bool {
	d := receivedG - manifestedG
	if d < 0 {
		d = -d
	}
	return 10*d > manifestedG
}

// UnitLetter is a unit of measure of US form 8700-22.
type UnitLetter string

// The unit letters of the form. Gallons and litres are for liquids only.
const (
	Gallons     UnitLetter = "G"
	Litres      UnitLetter = "L"
	Kilograms   UnitLetter = "K"
	MetricTons  UnitLetter = "M"
	CubicMetres UnitLetter = "N"
	Pounds      UnitLetter = "P"
	ShortTons   UnitLetter = "T"
	CubicYards  UnitLetter = "Y"
)

// FormQuantity returns a quantity in whole units of a unit letter, halves up, as
// the form wants it: no fractions. Rounding is not small for large units: 4.6 t is
// 5 M, and 4.4 t received is then 12 % less, a significant discrepancy that the
// true weights are not. It refuses gallons and litres for what is not liquid.
func FormQuantity(a Amount, unit UnitLetter, liquid bool) (int64, error) {
	switch unit {
	case Gallons, Litres:
		if !liquid {
			return 0, fmt.Errorf("form quantity: unit %s is for liquids only; use %s or %s", unit, Kilograms, CubicMetres)
		}
	}
	// Exact sizes: gallon 3.785411784 L, pound 453.59237 g, short ton 2000 lb,
	// cubic yard 764.554857984 L. Micrograms and nanolitres keep them whole.
	switch unit {
	case Gallons:
		return reports.MulDiv(a.VolumeML, 1_000_000, 3_785_411_784), nil
	case Litres:
		return reports.MulDiv(a.VolumeML, 1, 1_000), nil
	case CubicMetres:
		return reports.MulDiv(a.VolumeML, 1, 1_000_000), nil
	case CubicYards:
		return reports.MulDiv(a.VolumeML, 1_000_000, 764_554_857_984), nil
	case Kilograms:
		return reports.MulDiv(a.MassG(), 1, 1_000), nil
	case MetricTons:
		return reports.MulDiv(a.MassG(), 1, 1_000_000), nil
	case Pounds:
		return reports.MulDiv(a.MassG(), 100_000, 45_359_237), nil
	case ShortTons:
		return reports.MulDiv(a.MassG(), 100_000, 2_000*45_359_237), nil
	}
	return 0, fmt.Errorf("form quantity: unit %q is not one of G, L, K, M, N, P, T, Y", string(unit))
}
