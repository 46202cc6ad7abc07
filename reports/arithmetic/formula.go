package arithmetic

import (
	"fmt"
	"go/ast"
	"go/token"
	"math/big"
	"strings"
)

// Formula returns an expression as spreadsheets write it (OpenFormula, ISO/IEC 26300-4,
// whose functions and operators other spreadsheets share), and what it comes to:
//
//	roundup(40 ÷ 15) × 15 ÷ 60 × 180.00 × 1.5     ROUNDUP(40/15,0)*15/60*180.00*1.5
//
// A spreadsheet reckons in binary fractions, in which 0.1 × 3 × 10 is a little more than
// 3 and would be rounded up to 4. So what is rounded is first brought to nine decimals
// where it is exactly a whole number, or exactly a half.
func Formula(expression string) (formula string, value *big.Rat, err error) {
	value, err = Value(expression)
	if err != nil {
		return "", nil, err
	}
	e, err := parse(expression)
	if err != nil {
		return "", nil, err
	}
	b := &strings.Builder{}
	if err := write(b, e); err != nil {
		return "", nil, fmt.Errorf("arithmetic %q as a formula: %w", expression, err)
	}
	return b.String(), value, nil
}

func write(b *strings.Builder, e ast.Expr) error {
	switch e := e.(type) {
	case *ast.BasicLit:
		if strings.Trim(e.Value, "0123456789.") != "" {
			return fmt.Errorf("%s is not a number of digits and a point", e.Value)
		}
		b.WriteString(e.Value)
		return nil
	case *ast.ParenExpr:
		return enclose(b, "(", ")", e.X)
	case *ast.UnaryExpr:
		b.WriteByte('-')
		return write(b, e.X)
	case *ast.BinaryExpr:
		if err := write(b, e.X); err != nil {
			return err
		}
		b.WriteString(map[token.Token]string{token.ADD: "+", token.SUB: "-", token.MUL: "*", token.QUO: "/"}[e.Op])
		return write(b, e.Y)
	case *ast.CallExpr:
		return writeCall(b, e)
	}
	return fmt.Errorf("%T is not in the notation", e)
}

func enclose(b *strings.Builder, before, after string, inside ...ast.Expr) error {
	b.WriteString(before)
	for i, e := range inside {
		if i > 0 {
			b.WriteByte(',')
		}
		if err := write(b, e); err != nil {
			return err
		}
	}
	b.WriteString(after)
	return nil
}

// writeCall writes a function that [Value] could reckon.
func writeCall(b *strings.Builder, e *ast.CallExpr) error {
	name, ok := e.Fun.(*ast.Ident)
	if !ok {
		return fmt.Errorf("a function needs a name")
	}
	switch name.Name {
	case "min", "max", "sqrt":
		return enclose(b, strings.ToUpper(name.Name)+"(", ")", e.Args...)
	case "rss":
		return enclose(b, "SQRT(SUMSQ(", "))", e.Args...)
	}
	v, err := eval(e.Args[0])
	if err != nil {
		return err
	}
	// A spreadsheet's ROUNDUP goes away from zero and ROUNDDOWN towards it.
	function := name.Name
	switch {
	case function == "roundup" && v.Sign() < 0:
		function = "rounddown"
	case function == "rounddown" && v.Sign() < 0:
		function = "roundup"
	}
	before, after := strings.ToUpper(function)+"(", ",0)"
	if twice := new(big.Rat).Add(v, v); v.IsInt() || function == "round" && twice.IsInt() {
		before, after = before+"ROUND(", ",9)"+after
	}
	return enclose(b, before, after, e.Args[0])
}
