package reports_test

import (
	"math"
	"math/big"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/reports"
)

// Decimal rounds as exact fractions do, and its commas stand between thousands.
func TestDecimalRoundsAndGroups(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v, scale := rapid.Int64().Draw(t, "v"), rapid.IntRange(0, 18).Draw(t, "scale")
		decimals := rapid.IntRange(0, scale).Draw(t, "decimals")
		exact := new(big.Rat).SetFrac(big.NewInt(v), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(scale)), nil))
		got := reports.Decimal(v, scale, decimals)
		// FloatString of a Rat rounds halves away from zero; it writes -0.00, which nobody wants to read.
		want := exact.FloatString(decimals)
		if strings.Trim(want, "-0.") == "" {
			want = strings.TrimPrefix(want, "-")
		}
		if strings.ReplaceAll(got, ",", "") != want {
			t.Fatalf("Decimal(%d, %d, %d) = %s, want %s", v, scale, decimals, got, want)
		}
		whole, _, _ := strings.Cut(strings.TrimPrefix(got, "-"), ".")
		for i, group := range strings.Split(whole, ",") {
			if len(group) > 3 || i > 0 && len(group) != 3 {
				t.Fatalf("Decimal(%d, %d, %d) = %s is grouped wrongly", v, scale, decimals, got)
			}
		}
	})
}

func TestTextsOfFigures(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{reports.Tonnes(661_041_234), "661.04 t"},
		{reports.CubicMetres(-393_989_999), "-393.99 m³"},
		{reports.Litres(332_185_499), "332,185 L"},
		{reports.Kilograms(9_445_500), "9,446 kg"},
		{reports.Hours(525*3_600_000 + 32*60_000 + 59_999), "525:32 h"},
		{reports.Clock(-90 * 60_000), "-1:30"},
		{reports.Clock(math.MinInt64), "-2562047788015:12"},
		{reports.Money(10_529_499, "EUR"), "105,294.99 EUR"},
		{reports.Money(-5, ""), "-0.05"},
		{reports.Percent(26, 1000), "2.6 %"},
		{reports.Percent(1, 0), "none"},
		{reports.Counted(1, "tip"), "1 tip"},
		{reports.Counted(int64(1_234), "tip"), "1,234 tips"},
		{reports.Counted(0, "tip"), "0 tips"},
	} {
		if c.got != c.want {
			t.Errorf("%q, want %q", c.got, c.want)
		}
	}
}
