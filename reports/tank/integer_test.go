package tank

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/reports"
)

// The 128-bit arithmetic agrees with the big integers that all reports share.
func TestApportionAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := rapid.SliceOfN(rapid.Int64Range(0, 1<<50), 0, 20).Draw(t, "weights")
		total := rapid.Int64Range(0, 1<<62).Draw(t, "total")
		want, left := reports.Apportion(total, weights)
		got := slices.Repeat([]int64{-1}, len(weights))
		apportion(got, total, weights, nil)
		if !slices.Equal(got, want) {
			t.Errorf("apportion(%d, %v) = %v; want %v, %d left", total, weights, got, want, left)
		}
	})
}

func TestMulDivAgrees(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := rapid.Int64Range(-1<<60, 1<<60).Draw(t, "a")
		c := rapid.Int64Range(1, 1<<40).Draw(t, "c") * rapid.SampledFrom([]int64{1, -1}).Draw(t, "sign")
		b := rapid.Int64Range(-max(c, -c), max(c, -c)).Draw(t, "b")
		if got, want := mulDiv(a, b, c), reports.MulDiv(a, b, c); got != want {
			t.Errorf("mulDiv(%d, %d, %d) = %d; want %d", a, b, c, got, want)
		}
	})
}
