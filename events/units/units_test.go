package units_test

import (
	"math"
	"math/big"
	"os/exec"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events/units"
)

// gnu names each unit, and its base, as GNU units does.
func gnu(u units.Unit) string {
	return map[units.Unit]string{units.Litre: "liter", units.CubicMetre: "m^3", units.USGallon: "usgallon", units.ImperialGallon: "brgallon",
		units.CubicFoot: "ft^3", units.CubicYard: "yd^3", units.Kilogram: "kg", units.Tonne: "tonne", units.Pound: "lb", units.ShortTon: "shortton",
		units.LongTon: "longton", units.Kilopascal: "kPa", units.Bar: "bar", units.PoundPerSquareInch: "psi", units.InchOfMercury: "inHg"}[u]
}

// GNU units, which knows nothing of this package, converts what is shown back:
// to the same amount within half a unit in the last decimal, and what its
// floating point leaves.
func TestUnitsAgreeWithGNUUnits(t *testing.T) {
	program, err := exec.LookPath("units")
	if err != nil {
		t.Fatal("the program units is missing; deploy/check.sh installs what the tests need")
	}
	for _, u := range units.All() {
		for _, base := range []int64{1, 999, 2_000_000, 5_280_000, 100_000_000} {
			shown := u.Show(base, 12)
			out, err := exec.Command(program, "--terse", "--output-format", "%.17g", shown+" "+gnu(u), u.BaseSymbol()).Output()
			if err != nil {
				t.Fatalf("units %s: %v", gnu(u), err)
			}
			back, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
			factor, _ := u.Factor().Float64()
			if allowed := factor*0.5e-12 + float64(base)*1e-14; err != nil || math.Abs(back-float64(base)) > allowed {
				t.Errorf("%d %s is %s %s, which for GNU units is %s %s", base, u.BaseSymbol(), shown, u.Symbol(), out, u.BaseSymbol())
			}
		}
	}
}

// Values that follow from the definitions, recomputed independently; psi, which
// has no finite decimal form, to nine decimals.
func TestFactors(t *testing.T) {
	for _, c := range []struct {
		unit     units.Unit
		decimals int
		want     string
	}{
		{units.USGallon, 6, "3785.411784"}, {units.ImperialGallon, 2, "4546.09"}, {units.CubicFoot, 6, "28316.846592"},
		{units.CubicYard, 6, "764554.857984"}, {units.Pound, 5, "453.59237"}, {units.ShortTon, 2, "907184.74"}, {units.LongTon, 4, "1016046.9088"},
		{units.PoundPerSquareInch, 9, "6894.757293168"}, {units.InchOfMercury, 9, "3386.388640341"}, {units.Litre, 0, "1000"},
	} {
		if got := c.unit.Factor().FloatString(c.decimals); got != c.want {
			t.Errorf("%s is %s %s, want %s", c.unit.Symbol(), got, c.unit.BaseSymbol(), c.want)
		}
	}
	cubed := func(u units.Unit, times int64) *big.Rat { return new(big.Rat).Mul(u.Factor(), big.NewRat(times, 1)) }
	if cubed(units.CubicFoot, 27).Cmp(units.CubicYard.Factor()) != 0 || cubed(units.Pound, 2000).Cmp(units.ShortTon.Factor()) != 0 ||
		cubed(units.Pound, 2240).Cmp(units.LongTon.Factor()) != 0 {
		t.Error("27 cubic feet are a cubic yard, 2,000 lb a short ton and 2,240 lb a long ton")
	}
	inch := big.NewRat(254, 10_000)
	force := new(big.Rat).Mul(big.NewRat(45_359_237, 100_000_000), big.NewRat(980_665, 100_000))
	if psi := force.Quo(force, inch.Mul(inch, inch)); psi.Cmp(units.PoundPerSquareInch.Factor()) != 0 {
		t.Errorf("psi is %s", psi)
	}
}

// US Army transportation text: 84,360 lb over 2,240 is 38 long tons, rounded.
func TestLongTons(t *testing.T) {
	grams, err := units.Pound.Base("84360")
	if err != nil || units.LongTon.Show(grams, 0) != "38" || units.LongTon.Show(grams, 2) != "37.66" {
		t.Errorf("84,360 lb are %d g and %s long tons, error %v", grams, units.LongTon.Show(grams, 2), err)
	}
}

func TestShow(t *testing.T) {
	for _, c := range []struct {
		unit     units.Unit
		base     int64
		decimals int
		want     string
	}{
		{units.USGallon, 2_000_000, 1, "528.3"}, {units.CubicMetre, 2_500, 2, "0.00"}, {units.CubicMetre, 5_000, 2, "0.01"},
		{units.CubicMetre, -5_000, 2, "-0.01"}, {units.CubicMetre, -4_999, 2, "0.00"}, {units.Tonne, 4_600_000, 0, "5"}, {units.Tonne, 4_400_000, 0, "4"},
		{units.Litre, 0, 3, "0.000"}, {units.Litre, 1_500, -3, "2"}, {units.Litre, 1, 99, "0.001000000000"},
		{units.Litre, math.MaxInt64, 3, "9223372036854775.807"}, {units.Litre, math.MinInt64, 0, "-9223372036854776"},
	} {
		if got := c.unit.Show(c.base, c.decimals); got != c.want {
			t.Errorf("%d in %s with %d decimals is %s, want %s", c.base, c.unit.Symbol(), c.decimals, got, c.want)
		}
	}
}

func TestBase(t *testing.T) {
	for _, c := range []struct {
		unit   units.Unit
		amount string
		want   int64
	}{
		{units.USGallon, "528.3", 1_999_833}, {units.Litre, "0.0005", 1}, {units.Litre, "0.0004999", 0}, {units.Litre, "-0.0005", -1},
		{units.Tonne, "007", 7_000_000}, {units.Litre, "9223372036854775.807", math.MaxInt64},
	} {
		if got, err := c.unit.Base(c.amount); err != nil || got != c.want {
			t.Errorf("%s %s is %d, error %v; want %d", c.amount, c.unit.Symbol(), got, err, c.want)
		}
	}
	for _, amount := range []string{"", "-", ".", "1.", ".5", "1e3", "0x1", "1/2", "1_000", "+1", " 1", "1,5", "--1", "٣", "Inf", "NaN",
		"9223372036854775.808", strings.Repeat("9", 25), strings.Repeat("9", 1_000_000)} {
		if got, err := units.Litre.Base(amount); err == nil || len(err.Error()) > 200 {
			t.Errorf("%.40q is accepted as %d, error %v", amount, got, err)
		}
	}
}

// What is shown finely enough is read back as it was.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		u := rapid.SampledFrom(units.All()).Draw(t, "unit")
		base := rapid.Int64Range(-1_000_000_000_000, 1_000_000_000_000).Draw(t, "base")
		shown := u.Show(base, 10)
		if back, err := u.Base(shown); err != nil || back != base {
			t.Fatalf("%d is shown as %s %s and read as %d, error %v", base, shown, u.Symbol(), back, err)
		}
	})
}

func TestSymbols(t *testing.T) {
	seen := map[string]bool{}
	for _, u := range units.All() {
		if u.Symbol() == "" || seen[u.Symbol()] || u.Factor().Sign() <= 0 {
			t.Errorf("unit %d: %q", u, u.Symbol())
		}
		seen[u.Symbol()] = true
	}
	if unknown := units.Unit(99); len(seen) != 15 || unknown.Symbol() != "unit 99" || unknown.BaseSymbol() != "" {
		t.Errorf("%d units; unknown %q", len(seen), unknown.Symbol())
	}
}

func TestNames(t *testing.T) {
	for u, want := range map[units.Unit]string{units.CubicMetre: "m3", units.Litre: "l", units.USGallon: "us-gal", units.ShortTon: "short-ton", units.CubicYard: "yd3", units.InchOfMercury: "inhg"} {
		if u.Name() != want {
			t.Errorf("%s is named %q, want %q", u.Symbol(), u.Name(), want)
		}
	}
}
