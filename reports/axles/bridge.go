package axles

import (
	"spoilbook/events/units"
	"spoilbook/reports"
)

// The caps of 23 U.S.C. 127(a)(2), in pounds.
const (
	SingleAxleLB = 20_000
	TandemLB     = 34_000
	GrossLB      = 80_000
)

// tandemFeet is the distance up to which a group of axles may carry TandemLB.
const tandemFeet = 8

// BridgeLimitLB returns what a group of consecutive axles may carry in pounds under
// the US bridge formula,
//
//	W = 500 (L N/(N-1) + 12 N + 36)
//
// to the nearest 500 pounds, with L the feet between the outer axles of the group and
// N the number of its axles (23 U.S.C. 127(a)(2)). Ties go down, as in every such cell
// of the table of RCW 46.44.041 for 9 to 32 feet and 3 to 7 axles. A single axle may
// carry SingleAxleLB, a group of 8 feet or less TandemLB, and no group more than
// GrossLB.
func BridgeLimitLB(axles int, feet int64) int64 {
	switch {
	case axles <= 1:
		return SingleAxleLB
	case feet <= tandemFeet:
		return TandemLB
	}
	return formulaLB(axles, feet)
}

func formulaLB(axles int, feet int64) int64 {
	n := int64(axles)
	// The bracket over (n-1), rounded to the nearest whole with ties down.
	bracket := feet*n + (12*n+36)*(n-1)
	whole, rest := bracket/(n-1), bracket%(n-1)
	if 2*rest > n-1 {
		whole++
	}
	return min(500*whole, GrossLB)
}

// AxleMass is a single axle and what it carries.
type AxleMass struct{ FromFrontMM, MassG int64 }

// Group is a run of consecutive axles held against the bridge formula.
type Group struct {
	First, Last int // indices of the outer axles
	SpanMM      int64
	MassG       int64
	LimitLB     int64
}

// Over reports whether the group carries more than its limit, decided without
// rounding.
func (g *Group) Over() bool { return g.MarginG() < 0 }

// MarginG returns the limit less the mass, in grams rounded down.
func (g *Group) MarginG() int64 {
	lb := units.Pound.Factor()
	return floor(times(g.LimitLB, lb.Num().Int64()), lb.Denom().Int64()) - g.MassG
}

// Groups returns every run of consecutive axles with its limit, for axles in order
// from the front: n(n+1)/2 of them. Spans are taken to the nearest foot; a span above
// 96 inches goes by the formula even where that is 8 feet.
func Groups(axles []AxleMass) []Group {
	groups := []Group{}
	for first := range axles {
		mass := int64(0)
		for last := first; last < len(axles); last++ {
			mass += axles[last].MassG
			span := axles[last].FromFrontMM - axles[first].FromFrontMM
			groups = append(groups, Group{First: first, Last: last, SpanMM: span, MassG: mass, LimitLB: spanLimitLB(last-first+1, span)})
		}
	}
	return groups
}

const tenthsPerFoot = 3048 // of a millimetre

func isTandem(spanMM int64) bool { return spanMM*10 <= tandemFeet*tenthsPerFoot }

// feetOf returns a span to the nearest foot.
func feetOf(spanMM int64) int64 { return reports.MulDiv(spanMM, 10, tenthsPerFoot) }

func spanLimitLB(axles int, spanMM int64) int64 {
	switch {
	case axles <= 1:
		return SingleAxleLB
	case isTandem(spanMM):
		return TandemLB
	}
	return formulaLB(axles, feetOf(spanMM))
}

// worst returns the group with the least margin, the first of equals.
func worst(groups []Group) Group {
	out := groups[0]
	for i := range groups {
		if groups[i].MarginG() < out.MarginG() {
			out = groups[i]
		}
	}
	return out
}
