package arithmetic

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

func TestValue(t *testing.T) {
	for expression, want := range map[string]string{
		"1 + 2 × 3": "7", "(1 + 2) × 3": "9", "7 ÷ 4": "7/4", "10 − 2 − 3": "5", "−3 + 1": "-2", "0.1 + 0.2": "3/10",
		"roundup(40 ÷ 15) × 15": "45", "roundup(45 ÷ 15)": "3", "roundup(−1.5)": "-1", "rounddown(2.9)": "2", "rounddown(−2.1)": "-3",
		"round(2.5)": "3", "round(−2.5)": "-3", "round(−2.4)": "-2", "round(2.4)": "2", "max(0, 60 − 75)": "0", "min(3, 2, 4)": "2",
		"sqrt(9 ÷ 4)": "3/2", "sqrt(0)": "0", "rss(3, 0 − 4)": "5", "rss(7)": "7", "round(sqrt(2) × 1000000000000)": "1414213562373",
	} {
		got, err := Value(expression)
		if want, _ := new(big.Rat).SetString(want); err != nil || got.Cmp(want) != 0 {
			t.Errorf("%s = %v, %v; want %v", expression, got, err, want)
		}
	}
	for _, expression := range []string{"", "1 +", "x", `"1"`, "1 / 0", "f(1)", "1 % 2", "round(1, 2)", "min()", "sqrt(0 − 1)", "sqrt(1, 2)", "!1", "a.b(1)", "1,000"} {
		if v, err := Value(expression); err == nil {
			t.Errorf("%q was read as %v", expression, v)
		}
	}
}

func TestCheck(t *testing.T) {
	for _, c := range []struct {
		expression, result string
		ok                 bool
	}{
		{"45 ÷ 60 × 180.00 × 1.5", "202.50 EUR", true}, {"45 ÷ 60 × 180.00 × 1.5", "202.51 EUR", false},
		{"1 ÷ 3", "0.333", true}, {"1 ÷ 3", "0.334", false}, {"2 ÷ 3", "0.67", true}, {"0.125", "0.12", true}, {"0.125", "0.13 EUR", true},
		{"1000 × 3", "3,000 kg", true}, {"0 − 7.5", "−7.50 EUR", true}, {"0 − 7.5", "-7.50 EUR", true}, {"1", "one", false}, {"1", "1/1", false},
	} {
		if err := Check(c.expression, c.result); (err == nil) != c.ok {
			t.Errorf("%s is %s: %v", c.expression, c.result, err)
		}
	}
}

func TestRuler(t *testing.T) {
	minutes, seconds := RulerFor(60_000, 5_400_000), RulerFor(60_000, 90_500)
	for got, want := range map[string]string{
		minutes.Result(5_400_000): "90 min", minutes.Hour(): "60", seconds.Hour(): "3600", seconds.Result(90_500): "90.5 s",
		seconds.Number(-1_010): "-1.01", seconds.Number(100_000): "100", minutes.Sum([]int64{60_000, -120_000}): "1 + (-2)", minutes.Sum(nil): "",
	} {
		if got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}

func TestNumber(t *testing.T) {
	for _, c := range []struct {
		v     int64
		scale int
		want  string
	}{{1500, 3, "1.5"}, {-1, 3, "-0.001"}, {0, 3, "0"}, {100, 0, "100"}, {-100, 2, "-1"}, {math.MinInt64, 0, "-9223372036854775808"}, {100_000, 3, "100"}} {
		if got := Number(c.v, c.scale); got != c.want {
			t.Errorf("%d units of 10^-%d are %q, want %q", c.v, c.scale, got, c.want)
		}
	}
	rapid.Check(t, func(r *rapid.T) {
		v, scale := rapid.Int64().Draw(r, "v"), rapid.IntRange(0, 18).Draw(r, "scale")
		got, err := Value(Number(v, scale))
		unit := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(scale)), nil)
		if want := new(big.Rat).SetFrac(big.NewInt(v), unit); err != nil || got.Cmp(want) != 0 {
			r.Fatalf("%d units of 10^-%d read back as %v, %v", v, scale, got, err)
		}
	})
}

func TestFormula(t *testing.T) {
	for expression, want := range map[string]string{
		"roundup(40 ÷ 15) × 15 ÷ 60 × 180.00 × 1.5": "ROUNDUP(40/15,0)*15/60*180.00*1.5", "(3600 − 2.500 × 1000) ÷ (1 − 1000/2650)": "(3600-2.500*1000)/(1-1000/2650)",
		"roundup(0.1 × 3 × 10)": "ROUNDUP(ROUND(0.1*3*10,9),0)", "rounddown(2.9)": "ROUNDDOWN(2.9,0)", "roundup(−1.5)": "ROUNDDOWN(-1.5,0)",
		"rounddown(−2.1)": "ROUNDUP(-2.1,0)", "round(1.005 × 100)": "ROUND(ROUND(1.005*100,9),0)", "round(1.4)": "ROUND(1.4,0)", "round(7)": "ROUND(ROUND(7,9),0)",
		"min(1, max(2, 3))": "MIN(1,MAX(2,3))", "sqrt(2)": "SQRT(2)", "rss(3, 0 − 4)": "SQRT(SUMSQ(3,0-4))", "0 − (−2)": "0-(-2)",
	} {
		got, value, err := Formula(expression)
		if exact, _ := Value(expression); err != nil || got != want || value.Cmp(exact) != 0 {
			t.Errorf("%s is %s, %v, %v; want %s", expression, got, value, err, want)
		}
	}
	for _, expression := range []string{"", "1 ÷ 0", "x", "1 + 0x10", "1_000", "1e3"} {
		if got, _, err := Formula(expression); err == nil {
			t.Errorf("%q is the formula %s", expression, got)
		}
	}
}

func TestDecimals(t *testing.T) {
	for result, want := range map[string]int{"1,766.667 kg": 3, "−6": 0, "0.10": 2, "202.50 EUR": 2} {
		if got, ok := Decimals(result); !ok || got != want {
			t.Errorf("%q has %d decimals, %v", result, got, ok)
		}
	}
	if got, ok := Decimals("none"); ok {
		t.Errorf("a word has %d decimals", got)
	}
}
