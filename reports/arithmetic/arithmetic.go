// Package arithmetic reads the notation in which explanations reckon, so that a test
// can redo every step with exact fractions. For example
//
//	roundup(40 ÷ 15) × 15 ÷ 60 × 180.00 × 1.5     202.50 EUR
//
// is true: 40 minutes in quarter hours rounded up are 45, at 180.00 an hour and a half
// more. The notation has decimal numbers without separators, + − × ÷ (or - * /),
// brackets, and the functions
//
//	roundup(x)    the next whole number up      rounddown(x)  the next one down
//	round(x)      the nearest, halves away from zero
//	min(x, ...)   the least                     max(x, ...)   the greatest
//	sqrt(x)       the root, to 30 digits        rss(x, ...)   the root of the sum of the squares
//
// [Formula] writes it as a spreadsheet does. A result is a number, which may have commas between its thousands, and what it is a
// number of. It is true when the arithmetic gives it to its printed digits.
package arithmetic

import (
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	"go/token"
	"math/big"
	"strconv"
	"strings"
)

// Number writes v units of 10^-scale as the notation reads them, without separators
// or zeros at the end: Number(1500, 3) is "1.5".
func Number(v int64, scale int) string {
	sign, u := "", uint64(v)
	if v < 0 {
		sign, u = "-", -u
	}
	digits := strconv.FormatUint(u, 10)
	if len(digits) <= scale {
		digits = strings.Repeat("0", scale-len(digits)+1) + digits
	}
	text := sign + digits[:len(digits)-scale] + "." + digits[len(digits)-scale:]
	return strings.TrimSuffix(strings.TrimRight(text, "0"), ".")
}

// Value returns what an expression comes to.
func Value(expression string) (*big.Rat, error) {
	e, err := parse(expression)
	if err != nil {
		return nil, err
	}
	v, err := eval(e)
	if err != nil {
		return nil, fmt.Errorf("arithmetic %q: %w", expression, err)
	}
	return v, nil
}

func parse(expression string) (ast.Expr, error) {
	plain := strings.NewReplacer("×", "*", "÷", "/", "−", "-", "–", "-").Replace(expression)
	e, err := parser.ParseExpr(plain)
	if err != nil {
		return nil, fmt.Errorf("arithmetic %q: %w", expression, err)
	}
	return e, nil
}

// Check returns why an expression does not come to the result as it is printed, or
// nil. Of two equally near roundings either is true.
func Check(expression, result string) error {
	got, err := Value(expression)
	if err != nil {
		return err
	}
	want, half, err := printed(result)
	if err != nil {
		return err
	}
	if off := new(big.Rat).Sub(got, want); off.Abs(off).Cmp(half) > 0 {
		return fmt.Errorf("arithmetic %q comes to %s, not to %q", expression, got.FloatString(9), result)
	}
	return nil
}

// Decimals returns how many decimals the number has that a result begins with; ok is
// false when it begins with none.
func Decimals(result string) (decimals int, ok bool) {
	if _, _, err := printed(result); err != nil {
		return 0, false
	}
	text, _, _ := strings.Cut(strings.TrimSpace(result), " ")
	_, fraction, _ := strings.Cut(text, ".")
	return len(fraction), true
}

// printed returns the number that a result begins with and half of its last digit.
func printed(result string) (value, half *big.Rat, err error) {
	text, _, _ := strings.Cut(strings.TrimSpace(result), " ")
	text = strings.ReplaceAll(strings.Replace(text, "−", "-", 1), ",", "")
	value, ok := new(big.Rat).SetString(text)
	if !ok || strings.ContainsAny(text, "/eE") {
		return nil, nil, fmt.Errorf("result %q does not begin with a number", result)
	}
	_, decimals, _ := strings.Cut(text, ".")
	unit := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(len(decimals))), nil)
	return value, new(big.Rat).SetFrac(big.NewInt(1), unit.Lsh(unit, 1)), nil
}

func eval(e ast.Expr) (*big.Rat, error) {
	switch e := e.(type) {
	case *ast.BasicLit:
		v, ok := new(big.Rat).SetString(e.Value)
		if !ok || e.Kind != token.INT && e.Kind != token.FLOAT {
			return nil, fmt.Errorf("%s is not a decimal number", e.Value)
		}
		return v, nil
	case *ast.ParenExpr:
		return eval(e.X)
	case *ast.UnaryExpr:
		v, err := eval(e.X)
		if err != nil || e.Op != token.SUB {
			return nil, errors.Join(err, fmt.Errorf("sign %s is not in the notation", e.Op))
		}
		return v.Neg(v), nil
	case *ast.BinaryExpr:
		return binary(e)
	case *ast.CallExpr:
		return call(e)
	}
	return nil, fmt.Errorf("%T is not in the notation", e)
}

func binary(e *ast.BinaryExpr) (*big.Rat, error) {
	x, errX := eval(e.X)
	y, errY := eval(e.Y)
	if err := errors.Join(errX, errY); err != nil {
		return nil, err
	}
	switch {
	case e.Op == token.ADD:
		return x.Add(x, y), nil
	case e.Op == token.SUB:
		return x.Sub(x, y), nil
	case e.Op == token.MUL:
		return x.Mul(x, y), nil
	case e.Op == token.QUO && y.Sign() != 0:
		return x.Quo(x, y), nil
	case e.Op == token.QUO:
		return nil, errors.New("it divides by zero")
	}
	return nil, fmt.Errorf("operator %s is not in the notation", e.Op)
}

func call(e *ast.CallExpr) (*big.Rat, error) {
	name, ok := e.Fun.(*ast.Ident)
	if !ok || len(e.Args) == 0 {
		return nil, errors.New("a function needs a name and arguments")
	}
	args := make([]*big.Rat, len(e.Args))
	for i := range e.Args {
		v, err := eval(e.Args[i])
		if err != nil {
			return nil, err
		}
		args[i] = v
	}
	switch {
	case name.Name == "min" || name.Name == "max":
		best := args[0]
		for _, v := range args[1:] {
			if c := v.Cmp(best); c < 0 && name.Name == "min" || c > 0 && name.Name == "max" {
				best = v
			}
		}
		return best, nil
	case name.Name == "rss":
		sum := new(big.Rat)
		for _, v := range args {
			sum.Add(sum, new(big.Rat).Mul(v, v))
		}
		return root(sum)
	case len(args) != 1:
		return nil, fmt.Errorf("%s takes one number", name.Name)
	case name.Name == "sqrt":
		return root(args[0])
	}
	return whole(name.Name, args[0])
}

// root returns a root to 30 digits and more, which no printed result shows.
func root(v *big.Rat) (*big.Rat, error) {
	if v.Sign() < 0 {
		return nil, errors.New("it takes the root of a negative number")
	}
	f := new(big.Float).SetPrec(200).SetRat(v)
	r, _ := f.Sqrt(f).Rat(nil)
	return r, nil
}

// whole rounds to a whole number.
func whole(how string, v *big.Rat) (*big.Rat, error) {
	down := new(big.Int).Div(v.Num(), v.Denom()) // toward minus infinity, for a denominator is positive
	rest := new(big.Rat).Sub(v, new(big.Rat).SetInt(down))
	up := false
	switch half := big.NewRat(1, 2); {
	case how == "roundup":
		up = rest.Sign() > 0
	case how == "round":
		c := rest.Cmp(half)
		up = c > 0 || c == 0 && v.Sign() > 0
	case how != "rounddown":
		return nil, fmt.Errorf("function %s is not in the notation", how)
	}
	if up {
		down.Add(down, big.NewInt(1))
	}
	return new(big.Rat).SetInt(down), nil
}
