package reports

import (
	"math/big"
	"slices"
)

// Apportion divides total among weights by largest remainder: each share is
// proportional to its weight to within one, shares sum to total exactly, and ties
// go to the earlier weight. Weights must not be negative; when all are zero or
// there are none, nothing is given and left is the whole total.
func Apportion(total int64, weights []int64) (shares []int64, left int64) {
	shares = make([]int64, len(weights))
	sum := new(big.Int)
	for _, w := range weights {
		sum.Add(sum, big.NewInt(w))
	}
	if sum.Sign() <= 0 {
		return shares, total
	}
	type remainder struct {
		index int
		rest  *big.Int
	}
	rests := make([]remainder, len(weights))
	left = total
	for i, w := range weights {
		q, r := new(big.Int).QuoRem(new(big.Int).Mul(big.NewInt(total), big.NewInt(w)), sum, new(big.Int))
		shares[i], rests[i] = q.Int64(), remainder{i, r.Abs(r)}
		left -= shares[i]
	}
	slices.SortStableFunc(rests, func(a, b remainder) int { return b.rest.Cmp(a.rest) })
	step := int64(1)
	if left < 0 {
		step = -1
	}
	for i := 0; left != 0; i++ {
		shares[rests[i].index] += step
		left -= step
	}
	return shares, 0
}

// MulDiv returns a*b/c rounded half away from zero, without overflow in between.
// c must not be zero and the result must fit.
func MulDiv(a, b, c int64) int64 {
	n := new(big.Int).Mul(big.NewInt(a), big.NewInt(b))
	d := big.NewInt(c)
	q, r := new(big.Int).QuoRem(n, d, new(big.Int))
	if r.Abs(r).Lsh(r, 1).CmpAbs(d) >= 0 {
		if n.Sign()*d.Sign() < 0 {
			return q.Int64() - 1
		}
		return q.Int64() + 1
	}
	return q.Int64()
}
