package tank

import (
	"math"
	"math/big"
	"testing"

	"pgregory.net/rapid"
)

// A scaled square is the square times the ratio's square to within the rounding of
// its two steps, and stops where it would not fit.
func TestScaledSquares(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := square(rapid.Uint64().Draw(t, "square"))
		whole := rapid.Int64Range(1, 100_000_000_000).Draw(t, "whole")
		part := rapid.Int64Range(0, 2*whole).Draw(t, "part")
		got := s.scaled(part, whole)
		ratio := new(big.Rat).Mul(big.NewRat(part, whole), big.NewRat(part, whole))
		want := ratio.Mul(ratio, new(big.Rat).SetInt(new(big.Int).SetUint64(uint64(s))))
		if want.Cmp(new(big.Rat).SetInt(new(big.Int).SetUint64(math.MaxUint64-2))) > 0 {
			if got < math.MaxUint64-4 {
				t.Fatalf("%d scaled by %d/%d is %d; want the largest", s, part, whole, got)
			}
			return
		}
		off := new(big.Rat).Sub(want, new(big.Rat).SetInt(new(big.Int).SetUint64(uint64(got))))
		if off.Abs(off).Cmp(big.NewRat(5, 2)) > 0 && part <= whole {
			t.Fatalf("%d scaled by %d/%d is %d; want %s", s, part, whole, got, want.FloatString(1))
		}
	})
}

func TestPartsOfNothing(t *testing.T) {
	if got := square(7).scaled(1, 0); got != 0 {
		t.Errorf("a part of nothing has %d", got)
	}
	if got := stated(50, 20).root(); got != 23 { // at most the whole: 2/sqrt(3) x 20
		t.Errorf("a limit beyond the quantity gives %d; want 23", got)
	}
}
