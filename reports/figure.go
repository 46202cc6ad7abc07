package reports

import (
	"fmt"
	"strconv"
	"strings"
)

// Decimal returns v units of 10^-scale rounded to decimals, halves away from zero
// as spreadsheets show them, with commas between the thousands: Decimal(3242576,
// 3, 0) is "3,243". It wants 0 <= decimals <= scale <= 18.
func Decimal(v int64, scale, decimals int) string {
	sign, u := "", uint64(v)
	if v < 0 {
		sign, u = "-", -u
	}
	unit := uint64(1)
	for range scale - decimals {
		unit *= 10
	}
	// u is at most 2^63 and half a unit at most 5e17, so the sum fits.
	if u = (u + unit/2) / unit; u == 0 {
		sign = ""
	}
	digits := strconv.FormatUint(u, 10)
	if len(digits) <= decimals {
		digits = strings.Repeat("0", decimals-len(digits)+1) + digits
	}
	out := []byte(sign)
	whole := len(digits) - decimals
	for i := range digits {
		switch {
		case i == whole:
			out = append(out, '.')
		case i > 0 && i < whole && (whole-i)%3 == 0:
			out = append(out, ',')
		}
		out = append(out, digits[i])
	}
	return string(out)
}

// Clock returns milliseconds as hours and whole minutes, "7:45"; seconds are cut
// as spreadsheets cut them.
func Clock(ms int64) string {
	sign, u := "", uint64(ms)
	if ms < 0 {
		sign, u = "-", -u
	}
	return fmt.Sprintf("%s%d:%02d", sign, u/3_600_000, u/60_000%60)
}

// The texts of figures, for sentences; tables have their units in the heading.

// Tonnes writes grams as "661.04 t".
func Tonnes(g int64) string { return Decimal(g, 6, 2) + " t" }

// CubicMetres writes millilitres as "393.99 m³".
func CubicMetres(ml int64) string { return Decimal(ml, 6, 2) + " m³" }

// Litres writes millilitres as "332,185 L".
func Litres(ml int64) string { return Decimal(ml, 3, 0) + " L" }

// Kilograms writes grams as "9,446 kg".
func Kilograms(g int64) string { return Decimal(g, 3, 0) + " kg" }

// Hours writes milliseconds as "525:32 h".
func Hours(ms int64) string { return Clock(ms) + " h" }

// Money writes hundredths of a currency's unit as "105,294.99 EUR".
func Money(cents int64, currency string) string {
	return strings.TrimRight(Decimal(cents, 2, 2)+" "+currency, " ")
}

// Percent writes part over whole as "2.6 %", and "none" when there is no whole.
func Percent(part, whole int64) string {
	if whole == 0 {
		return "none"
	}
	return Decimal(MulDiv(part, 1000, whole), 1, 1) + " %"
}

// Counted writes "1 tip", "2 tips".
func Counted[N ~int | ~int64](n N, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return Decimal(int64(n), 0, 0) + " " + noun + "s"
}
