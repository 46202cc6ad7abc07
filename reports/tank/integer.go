package tank

import (
	"cmp"
	"math/bits"
	"slices"
)

// mulDiv returns a*b/c rounded half away from zero with a 128-bit product. c must
// not be zero and the result must fit.
func mulDiv(a, b, c int64) int64 {
	negative := (a < 0) != (b < 0) != (c < 0)
	hi, lo := bits.Mul64(magnitude(a), magnitude(b))
	d := magnitude(c)
	q, r := bits.Div64(hi, lo, d)
	if r >= d-r {
		q++
	}
	if negative {
		return -int64(q)
	}
	return int64(q)
}

func magnitude(v int64) uint64 {
	if v < 0 {
		return -uint64(v)
	}
	return uint64(v)
}

// apportion divides total among weights by largest remainder as reports.Apportion
// does, into shares, which has the weights' length. It takes 128-bit steps instead
// of big integers. Neither total nor a weight may be negative, the weights' sum must
// fit, and when it is zero nothing is given.
func apportion(shares []int64, total int64, weights []int64, rests []remainder) []remainder {
	var sum uint64
	for _, w := range weights {
		sum += uint64(w)
	}
	clear(shares)
	rests = rests[:0]
	if sum == 0 || total == 0 {
		return rests
	}
	left := total
	for i, w := range weights {
		hi, lo := bits.Mul64(uint64(total), uint64(w))
		q, r := bits.Div64(hi, lo, sum)
		shares[i] = int64(q)
		left -= int64(q)
		if r > 0 {
			rests = append(rests, remainder{i, r})
		}
	}
	if left > 0 {
		slices.SortStableFunc(rests, func(a, b remainder) int { return cmp.Compare(b.rest, a.rest) })
	}
	for i := range left {
		shares[rests[i].index]++
	}
	return rests
}

// remainder is what apportion's division leaves for one weight.
type remainder struct {
	index int
	rest  uint64
}
