package reports_test

import (
	"math"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/reports"
)

// Shares of a tip, from first principles and recomputed independently: A 2.4 m3
// and 3600 kg, B 1.6 m3 and 2000 kg, 1400 kg tipped; and 1000 kg over three equal
// shares.
func TestApportion(t *testing.T) {
	for _, c := range []struct {
		total   int64
		weights []int64
		shares  []int64
		left    int64
	}{
		{1400, []int64{3600, 2000}, []int64{900, 500}, 0},
		{1400, []int64{2400, 1600}, []int64{840, 560}, 0},
		{1000, []int64{1, 1, 1}, []int64{334, 333, 333}, 0},
		{1001, []int64{1, 1, 1}, []int64{334, 334, 333}, 0},
		{-1000, []int64{1, 1, 1}, []int64{-334, -333, -333}, 0},
		{-1, []int64{1, 3}, []int64{0, -1}, 0},
		{0, []int64{5, 7}, []int64{0, 0}, 0},
		{2, []int64{0, 1, 0}, []int64{0, 2, 0}, 0},
		{7, []int64{0, 0}, []int64{0, 0}, 7},
		{-7, nil, []int64{}, -7},
		{math.MaxInt64, []int64{math.MaxInt64, math.MaxInt64}, []int64{math.MaxInt64/2 + 1, math.MaxInt64 / 2}, 0},
		{math.MinInt64, []int64{1, 1}, []int64{math.MinInt64 / 2, math.MinInt64 / 2}, 0},
	} {
		shares, left := reports.Apportion(c.total, c.weights)
		if !slices.Equal(shares, c.shares) || left != c.left {
			t.Errorf("%d over %v: %v and %d left, want %v and %d", c.total, c.weights, shares, left, c.shares, c.left)
		}
	}
}

func TestApportionProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		total := rapid.Int64().Draw(t, "total")
		weights := rapid.SliceOfN(rapid.OneOf(rapid.Int64Range(0, 5), rapid.Int64Range(0, math.MaxInt64)), 1, 12).Draw(t, "weights")
		shares, left := reports.Apportion(total, weights)
		sum, whole := new(big.Int), new(big.Int)
		for _, s := range shares {
			sum.Add(sum, big.NewInt(s))
		}
		for _, w := range weights {
			whole.Add(whole, big.NewInt(w))
		}
		if sum.Add(sum, big.NewInt(left)).Cmp(big.NewInt(total)) != 0 {
			t.Fatalf("%v and %d do not sum to %d", shares, left, total)
		}
		if whole.Sign() == 0 {
			if left != total {
				t.Fatalf("%d left of %d over nothing", left, total)
			}
			return
		}
		for i, w := range weights {
			exact := new(big.Rat).Mul(new(big.Rat).SetInt64(total), new(big.Rat).SetFrac(big.NewInt(w), whole))
			off := exact.Sub(exact, new(big.Rat).SetInt64(shares[i]))
			if off.Abs(off).Cmp(big.NewRat(1, 1)) >= 0 || left != 0 {
				t.Fatalf("share %d of %d over %v is %d, off by %s", i, total, weights, shares[i], off.FloatString(3))
			}
			if w == 0 && shares[i] != 0 {
				t.Fatalf("weight 0 has share %d", shares[i])
			}
			for k := range i { // the earlier of equal weights is never worse off
				if weights[k] == w && (total >= 0 && shares[k] < shares[i] || total < 0 && shares[k] > shares[i]) {
					t.Fatalf("%d over %v: %v", total, weights, shares)
				}
			}
		}
	})
}

func TestMulDiv(t *testing.T) {
	for _, c := range []struct{ a, b, c, want int64 }{
		{7, 1, 2, 4}, {-7, 1, 2, -4}, {7, -1, 2, -4}, {7, 1, -2, -4}, {-7, -1, 2, 4}, {5, 1, 3, 2}, {4, 1, 3, 1}, {0, 9, 7, 0}, {1, 1, 3, 0},
		{-1, 1, 2, -1}, {1, 1, 2, 1}, {math.MaxInt64, math.MaxInt64, math.MaxInt64, math.MaxInt64}, {math.MinInt64, 1, 1, math.MinInt64},
		{math.MinInt64, -1, 2, 1 << 62}, {1, math.MinInt64, math.MinInt64, 1},
	} {
		if got := reports.MulDiv(c.a, c.b, c.c); got != c.want {
			t.Errorf("%d * %d / %d = %d, want %d", c.a, c.b, c.c, got, c.want)
		}
	}
}

// math/big, with rationals, gives the same: half away from zero.
func TestMulDivAgreesWithRationals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := rapid.OneOf(rapid.Int64Range(-9, 9), rapid.Int64())
		a, b, c := number.Draw(t, "a"), number.Draw(t, "b"), number.Filter(func(v int64) bool { return v != 0 }).Draw(t, "c")
		exact := new(big.Rat).SetFrac(new(big.Int).Mul(big.NewInt(a), big.NewInt(b)), big.NewInt(c))
		half := big.NewRat(1, 2)
		if exact.Sign() < 0 {
			half.Neg(half)
		}
		rounded := new(big.Rat).Add(exact, half)
		want := new(big.Int).Quo(rounded.Num(), rounded.Denom()) // towards zero
		if !want.IsInt64() {
			return // not asked of MulDiv
		}
		if got := reports.MulDiv(a, b, c); got != want.Int64() {
			t.Fatalf("%d * %d / %d = %d, want %s", a, b, c, got, want)
		}
	})
}
