package axles

import (
	"math"
	"math/big"
	"slices"
	"testing"

	"pgregory.net/rapid"
)

// example is the truck of the package comment: wheelbase 5.2 m, 6800 and 8200 kg
// tare, 8500 and 16,000 kg permitted.
func example() Beam {
	return Beam{Support{"front", 0, 6_800_000, 8_500_000}, Support{"rear", 5_200, 8_200_000, 16_000_000}}
}

// Front share P a/WB, the rest behind (statics, recomputed independently).
func TestStaticsByHand(t *testing.T) {
	for _, c := range []struct {
		aheadMM             int64 // of the rear support
		frontTenth, rearTen int64 // hundreds of grams
	}{{1_100, 87_038, 152_962}, {-300, 62_808, 177_192}} {
		front, rear := example().Carry(Point{5_200 - c.aheadMM, 9_000_000})
		if (front+50)/100 != c.frontTenth || (rear+50)/100 != c.rearTen || front+rear != 24_000_000 {
			t.Errorf("a = %d mm: %d and %d g, want %d and %d hundred g", c.aheadMM, front, rear, c.frontTenth, c.rearTen)
		}
	}
}

// Limits 8500, 16,000 and 25,000 kg: front 8036.4, rear 9892.7, gross 10,000 kg
// (recomputed independently): the front governs.
func TestFurtherByHand(t *testing.T) {
	b := example()
	room := b.Further(10_000_000, 4_100, nil)
	if *room.FrontG/100 != 80_363 || *room.RearG/100 != 98_926 || *room.GrossG != 10_000_000 {
		t.Errorf("front %d, rear %d, gross %d g", *room.FrontG, *room.RearG, *room.GrossG)
	}
	if room.Governs != ByFront || room.MassG != *room.FrontG || room.VolumeG != nil {
		t.Errorf("%s governs at %d g", room.Governs, room.MassG)
	}
	small := int64(4_000_000)
	if room := b.Further(10_000_000, 4_100, &small); room.Governs != ByVolume || room.MassG != small {
		t.Errorf("with room for 4000 kg %s governs at %d g", room.Governs, room.MassG)
	}
	behind := b.Further(10_000_000, 5_500, nil)
	if behind.FrontG != nil || behind.Governs != ByRear || *behind.RearG != 7_800_000*5_200/5_500 {
		t.Errorf("behind the rear axle %s governs at %d g", behind.Governs, behind.MassG)
	}
	ahead := b.Further(10_000_000, 0, nil)
	if ahead.RearG != nil || ahead.Governs != ByFront || ahead.MassG != 1_700_000 {
		t.Errorf("over the front axle %s governs at %d g", ahead.Governs, ahead.MassG)
	}
	if over := b.Further(10_000_000, 4_100, nil, Point{0, 2_200_000}); over.MassG >= 0 || over.Governs != ByFront {
		t.Errorf("with the front 500 kg over, the room is %d g by the %s", over.MassG, over.Governs)
	}
}

func drawBeam(r *rapid.T) Beam {
	front := rapid.Int64Range(-500, 2_000).Draw(r, "front")
	return Beam{
		Support{"front", front, rapid.Int64Range(0, 12_000_000).Draw(r, "front tare"), rapid.Int64Range(1, 20_000_000).Draw(r, "front permitted")},
		Support{"rear", front + rapid.Int64Range(1, 9_000).Draw(r, "wheelbase"), rapid.Int64Range(0, 12_000_000).Draw(r, "rear tare"), rapid.Int64Range(1, 20_000_000).Draw(r, "rear permitted")},
	}
}

// What the supports carry is all there is, its moment is that of the loads to half a
// gram at the wheelbase, and loads in one place act as their sum.
func TestStaticsLaws(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		b := drawBeam(r)
		points, total, moment := []Point{}, int64(0), 0.0
		for range rapid.IntRange(0, 3).Draw(r, "loads") {
			p := Point{rapid.Int64Range(-5_000, 20_000).Draw(r, "at"), rapid.Int64Range(0, 100_000_000).Draw(r, "mass")}
			points, total = append(points, p), total+p.MassG
			moment += float64(p.MassG) * float64(p.FromFrontMM-b.Front.FromFrontMM)
		}
		front, rear := b.Carry(points...)
		if front+rear != b.Front.TareG+b.Rear.TareG+total {
			r.Fatalf("%d + %d is not the whole", front, rear)
		}
		if d := math.Abs(float64(rear-b.Rear.TareG)*float64(b.wheelbaseMM()) - moment); d > 0.51*float64(b.wheelbaseMM()) {
			r.Fatalf("the moment is %f off", d)
		}
		at := rapid.Int64Range(-5_000, 20_000).Draw(r, "one place")
		a1, b1 := b.Carry(Point{at, 3_000_000}, Point{at, 4_000_000})
		if a2, b2 := b.Carry(Point{at, 7_000_000}); a1 != a2 || b1 != b2 {
			r.Fatalf("%d %d apart, %d %d together", a1, b1, a2, b2)
		}
	})
}

// carried returns exactly what the supports carry with loads aboard.
func carried(b Beam, loads ...Point) (front, rear *big.Rat) {
	front, rear = new(big.Rat).SetInt64(b.Front.TareG), new(big.Rat).SetInt64(b.Rear.TareG)
	for _, l := range loads {
		m, base := big.NewRat(l.MassG, 1), b.wheelbaseMM()
		front.Add(front, new(big.Rat).Mul(m, big.NewRat(b.Rear.FromFrontMM-l.FromFrontMM, base)))
		rear.Add(rear, new(big.Rat).Mul(m, big.NewRat(l.FromFrontMM-b.Front.FromFrontMM, base)))
	}
	return front, rear
}

func drawAboard(r *rapid.T) []Point {
	points := []Point{}
	for range rapid.IntRange(0, 3).Draw(r, "loads") {
		points = append(points, Point{rapid.Int64Range(-5_000, 20_000).Draw(r, "at"), rapid.Int64Range(0, 30_000_000).Draw(r, "mass")})
	}
	return points
}

// The further load fits exactly and a gram more does not: where there is room it is
// never read too large. Where a limit is passed the same, so taking away what must go
// is enough and a gram less is not: an excess is never read too small.
func TestFurtherIsTheLargest(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		b, aboard := drawBeam(r), drawAboard(r)
		at := rapid.Int64Range(-5_000, 20_000).Draw(r, "at")
		gross := rapid.Int64Range(-20_000_000, 20_000_000).Draw(r, "gross left")
		room := b.Further(gross, at, nil, aboard...)
		within := func(p int64) map[Limit]bool {
			front, rear := carried(b, append(slices.Clone(aboard), Point{at, p})...)
			return map[Limit]bool{ByFront: front.Cmp(big.NewRat(b.Front.PermittedG, 1)) <= 0, ByRear: rear.Cmp(big.NewRat(b.Rear.PermittedG, 1)) <= 0, ByGross: p <= gross}
		}
		for limit, g := range map[Limit]*int64{ByFront: room.FrontG, ByRear: room.RearG, ByGross: room.GrossG} {
			if g != nil && (!within(*g)[limit] || within(*g + 1)[limit]) {
				r.Fatalf("by the %s the room is %d g: within %v, with a gram more %v", limit, *g, within(*g)[limit], within(*g + 1)[limit])
			}
			if g != nil && *g < room.MassG {
				r.Fatalf("%d g, and by the %s %d", room.MassG, limit, *g)
			}
		}
		if !within(room.MassG)[room.Governs] || within(room.MassG + 1)[room.Governs] {
			r.Fatalf("%s does not govern at %d g", room.Governs, room.MassG)
		}
	})
}

// A margin is below zero exactly where a support carries too much, be it by a fraction
// of a gram; it is never more than what is left, and less by under a gram. In whole
// kilograms the same holds to the kilogram.
func TestMarginsFlatterNobody(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		b, aboard := drawBeam(r), drawAboard(r)
		front, rear := carried(b, aboard...)
		frontG, rearG := b.Margins(aboard...)
		for _, c := range []struct {
			carried             *big.Rat
			permittedG, marginG int64
		}{{front, b.Front.PermittedG, frontG}, {rear, b.Rear.PermittedG, rearG}} {
			left := new(big.Rat).Sub(big.NewRat(c.permittedG, 1), c.carried)
			short := new(big.Rat).Sub(left, big.NewRat(c.marginG, 1))
			if short.Sign() < 0 || short.Cmp(big.NewRat(1, 1)) >= 0 || (c.marginG < 0) != (left.Sign() < 0) {
				r.Fatalf("%s g are left, the margin says %d", left.FloatString(6), c.marginG)
			}
			kg := kilogramsDown(c.marginG)
			short.Sub(left, big.NewRat(kg*1000, 1))
			if short.Sign() < 0 || short.Cmp(big.NewRat(1000, 1)) >= 0 || (kg < 0) != (left.Sign() < 0) {
				r.Fatalf("%s g are left, the table says %d kg", left.FloatString(6), kg)
			}
		}
	})
}

// A beam whose front carries a third of a gram too much is over, though to the nearest
// gram it carries what is permitted; a third of a gram of room is none.
func TestAFractionTooMuch(t *testing.T) {
	b := Beam{Support{"front", 0, 1_000, 2_000}, Support{"rear", 3, 0, 5_000}}
	front, _ := b.Carry(Point{2, 3_001}) // 1000 + 3001/3 = 2000 1/3
	if marginG, _ := b.Margins(Point{2, 3_001}); front != 2_000 || marginG != -1 {
		t.Errorf("%d g carried of 2000, margin %d", front, marginG)
	}
	if marginG, _ := b.Margins(Point{2, 2_999}); marginG != 0 {
		t.Errorf("a third of a gram left reads %d", marginG)
	}
	if room := b.Further(10_000, 1, nil, Point{2, 3_001}); *room.FrontG != -1 { // 1/3 x 3/2 = half a gram
		t.Errorf("half a gram must go: %d", *room.FrontG)
	}
	for g, want := range map[int64]int64{-1: -1, -1_000: -1, -1_001: -2, 999: 0, 1_000: 1, 0: 0} {
		if got := kilogramsDown(g); got != want {
			t.Errorf("%d g are %d kg, want %d", g, got, want)
		}
	}
}
