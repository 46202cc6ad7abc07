package naive

import "math/big"

func whole(v int64) *big.Rat     { return new(big.Rat).SetInt64(v) }
func ratio(a, b int64) *big.Rat  { return big.NewRat(a, b) }
func zero() *big.Rat             { return new(big.Rat) }
func add(a, b *big.Rat) *big.Rat { return new(big.Rat).Add(a, b) }
func sub(a, b *big.Rat) *big.Rat { return new(big.Rat).Sub(a, b) }
func mul(a, b *big.Rat) *big.Rat { return new(big.Rat).Mul(a, b) }
func quo(a, b *big.Rat) *big.Rat { return new(big.Rat).Quo(a, b) }
func positive(a *big.Rat) bool   { return a.Sign() > 0 }
func smaller(a, b *big.Rat) *big.Rat {
	if a.Cmp(b) <= 0 {
		return a
	}
	return b
}

// excess returns a - b where that is positive, otherwise zero.
func excess(a, b *big.Rat) *big.Rat {
	if d := sub(a, b); positive(d) {
		return d
	}
	return zero()
}

// rounded returns the nearest whole number of something that is not negative.
func rounded(a *big.Rat) *big.Rat {
	twice := new(big.Int).Mul(a.Num(), big.NewInt(2))
	twice.Add(twice, a.Denom())
	return new(big.Rat).SetInt(twice.Div(twice, new(big.Int).Mul(a.Denom(), big.NewInt(2))))
}

// thousandths returns the nearest whole number of thousandths.
func thousandths(a *big.Rat) *big.Rat { return quo(rounded(mul(a, whole(1000))), whole(1000)) }
