package billable

import (
	"math/big"

	"github.com/shopspring/decimal"
)

// cents returns value/divisor in hundredths, rounded half away from zero or half
// to even. It is exact before the rounding; divisor must be positive.
func cents(value decimal.Decimal, divisor int64, halfEven bool) int64 {
	n := new(big.Int).Mul(value.Coefficient(), big.NewInt(100))
	d := big.NewInt(divisor)
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(max(value.Exponent(), -value.Exponent()))), nil)
	if value.Exponent() < 0 {
		d.Mul(d, scale)
	} else {
		n.Mul(n, scale)
	}
	q, r := new(big.Int).QuoRem(n, d, new(big.Int))
	away := int64(1)
	if n.Sign() < 0 {
		away = -1
	}
	half := r.Abs(r).Lsh(r, 1).Cmp(d)
	if half > 0 || half == 0 && (!halfEven || q.Bit(0) == 1) {
		q.Add(q, big.NewInt(away))
	}
	return q.Int64()
}

// number reads a register's decimal, which its check has found well-formed.
func number[S ~string](s S) decimal.Decimal {
	d, err := decimal.NewFromString(string(s))
	if err != nil {
		return decimal.Zero
	}
	return d
}

const hourMS = 3_600_000

// roundMS rounds a time to whole increments: "up", "nearest" with halves up, or
// as it is.
func roundMS(ms, incrementMinutes int64, mode string) int64 {
	step := incrementMinutes * 60_000
	if step <= 0 {
		return ms
	}
	switch mode {
	case "up":
		return (ms + step - 1) / step * step
	case "nearest":
		return (ms + step/2) / step * step
	}
	return ms
}
