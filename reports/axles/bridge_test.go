package axles

import (
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events/units"
	"spoilbook/reports"
)

// Cells of RCW 46.44.041, where a tie of the formula goes down.
func TestBridgeTable(t *testing.T) {
	for _, c := range []struct {
		axles         int
		feet, limitLB int64
		tie           bool
	}{
		{3, 9, 42_500, true}, {3, 11, 44_000, true}, {4, 14, 51_500, false}, {4, 17, 53_500, false},
		{5, 18, 59_000, true}, {5, 24, 63_000, false}, {6, 20, 66_000, false},
	} {
		if got := BridgeLimitLB(c.axles, c.feet); got != c.limitLB {
			t.Errorf("%d axles, %d ft: %d lb, want %d", c.axles, c.feet, got, c.limitLB)
		}
		// The formula in hundredths: 500 (LN/(N-1) + 12N + 36).
		n := int64(c.axles)
		exact := 50_000*c.feet*n/(n-1) + 50_000*(12*n+36)
		if tie := 2*(exact%50_000) == 50_000; tie != c.tie {
			t.Errorf("%d axles, %d ft: %d hundredths of a pound; tie %v, want %v", c.axles, c.feet, exact, tie, c.tie)
		}
	}
}

// 23 U.S.C. 127(a)(2): 20,000 lb a single axle, 34,000 lb a tandem, 80,000 lb gross;
// a group of 8 ft and less is 34,000 lb.
func TestBridgeCaps(t *testing.T) {
	for _, c := range []struct {
		axles   int
		feet    int64
		limitLB int64
	}{{1, 0, 20_000}, {2, 4, 34_000}, {2, 8, 34_000}, {3, 8, 34_000}, {5, 51, 80_000}, {9, 200, 80_000}} {
		if got := BridgeLimitLB(c.axles, c.feet); got != c.limitLB {
			t.Errorf("%d axles, %d ft: %d lb, want %d", c.axles, c.feet, got, c.limitLB)
		}
	}
}

// The example of the Federal Highway Administration's bridge formula leaflet (from
// memory, confidence 85 %; the arithmetic recomputed independently): axles of 12, 17,
// 17, 17 and 17 thousand pounds; 1 to 3 over 20 ft carry 46,000 of 51,000, all over
// 51 ft carry 80,000 of 80,000, and 2 to 5 over 35 ft 68,000 of 65,500.
func TestBridgeExample(t *testing.T) {
	axles := []AxleMass{}
	for i, feet := range []int64{0, 16, 20, 47, 51} {
		lb := int64(17_000)
		if i == 0 {
			lb = 12_000
		}
		axles = append(axles, AxleMass{FromFrontMM: reports.MulDiv(feet, 3_048, 10), MassG: reports.MulDiv(lb, 45_359_237, 100_000)})
	}
	limits, over := map[[2]int]int64{}, [][2]int{}
	groups := Groups(axles)
	for i := range groups {
		g := &groups[i]
		limits[[2]int{g.First + 1, g.Last + 1}] = g.LimitLB
		if g.Over() && g.MarginG() < -1_000 { // the whole carries its limit to the gram
			over = append(over, [2]int{g.First + 1, g.Last + 1})
		}
	}
	if limits[[2]int{1, 3}] != 51_000 || limits[[2]int{1, 5}] != 80_000 || limits[[2]int{2, 5}] != 65_500 {
		t.Errorf("limits %v", limits)
	}
	if len(groups) != 15 || len(over) != 1 || over[0] != [2]int{2, 5} {
		t.Errorf("%d groups, over %v; want 2 to 5 alone", len(groups), over)
	}
	if g := worst(groups); g.First != 1 || g.Last != 4 {
		t.Errorf("the worst is %+v", g)
	}
}

// The limit never falls with a longer group or one axle more, and is a multiple of
// 500 lb within half of that from the formula, as far as the cap.
func TestBridgeLaws(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		axles, feet := rapid.IntRange(2, 9).Draw(r, "axles"), rapid.Int64Range(9, 120).Draw(r, "feet")
		got := BridgeLimitLB(axles, feet)
		if BridgeLimitLB(axles, feet+1) < got || BridgeLimitLB(axles, feet-1) > got {
			r.Fatalf("%d axles: the limit falls near %d ft", axles, feet)
		}
		n := float64(axles)
		exact := 500 * (float64(feet)*n/(n-1) + 12*n + 36)
		if d := exact - float64(got); got%500 != 0 || got < GrossLB && (d > 250.001 || d < -250.001) || got == GrossLB && exact < GrossLB-250 {
			r.Fatalf("%d axles, %d ft: %d lb, the formula gives %f", axles, feet, got, exact)
		}
	})
}

// The span that decides between a tandem and the formula is 96 inches, 2438.4 mm.
func TestTandemSpan(t *testing.T) {
	for span, want := range map[int64]int64{0: 34_000, 2_438: 34_000, 2_439: 38_000, 2_743: 39_000} {
		if got := spanLimitLB(2, span); got != want {
			t.Errorf("two axles %d mm apart: %d lb, want %d", span, got, want)
		}
	}
	// 39,000 lb for 9 ft: 500 (9*2/1 + 24 + 36), by hand.
	g := Group{MassG: reports.MulDiv(39_000, 45_359_237, 100_000), LimitLB: 39_000}
	if g.MarginG() != -1 && g.MarginG() != 0 {
		t.Errorf("39,000 lb against 39,000 lb leave %d g (%s lb)", g.MarginG(), units.Pound.Show(g.MassG, 3))
	}
}
