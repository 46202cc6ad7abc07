package tank

import "math/bits"

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
