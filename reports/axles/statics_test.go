package axles

import (
	"math"
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
	room := b.Further(b.Front.TareG, b.Rear.TareG, 25_000_000, 4_100, nil)
	if *room.FrontG/100 != 80_363 || *room.RearG/100 != 98_926 || *room.GrossG != 10_000_000 {
		t.Errorf("front %d, rear %d, gross %d g", *room.FrontG, *room.RearG, *room.GrossG)
	}
	if room.Governs != ByFront || room.MassG != *room.FrontG || room.VolumeG != nil {
		t.Errorf("%s governs at %d g", room.Governs, room.MassG)
	}
	small := int64(4_000_000)
	if room := b.Further(b.Front.TareG, b.Rear.TareG, 25_000_000, 4_100, &small); room.Governs != ByVolume || room.MassG != small {
		t.Errorf("with room for 4000 kg %s governs at %d g", room.Governs, room.MassG)
	}
	behind := b.Further(b.Front.TareG, b.Rear.TareG, 25_000_000, 5_500, nil)
	if behind.FrontG != nil || behind.Governs != ByRear || *behind.RearG != 7_800_000*5_200/5_500 {
		t.Errorf("behind the rear axle %s governs at %d g", behind.Governs, behind.MassG)
	}
	ahead := b.Further(b.Front.TareG, b.Rear.TareG, 25_000_000, 0, nil)
	if ahead.RearG != nil || ahead.Governs != ByFront || ahead.MassG != 1_700_000 {
		t.Errorf("over the front axle %s governs at %d g", ahead.Governs, ahead.MassG)
	}
	if over := b.Further(9_000_000, 8_200_000, 25_000_000, 4_100, nil); over.MassG >= 0 || over.Governs != ByFront {
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

// The further load fits and a little more does not: the limit that governs is then
// passed, to the rounding of half a gram.
func TestFurtherIsTheLargest(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		b := drawBeam(r)
		at := rapid.Int64Range(-5_000, 20_000).Draw(r, "at")
		gross := rapid.Int64Range(1, 40_000_000).Draw(r, "gross permitted")
		room := b.Further(b.Front.TareG, b.Rear.TareG, gross, at, nil)
		over := func(p int64) (front, rear, all int64) {
			f, h := b.Carry(Point{at, p})
			return f - b.Front.PermittedG, h - b.Rear.PermittedG, f + h - gross
		}
		f, h, all := over(room.MassG)
		if room.MassG >= 0 && (room.FrontG != nil && f > 1 || room.RearG != nil && h > 1 || all > 0) {
			r.Fatalf("%d g fit by the room and are over by %d, %d, %d g", room.MassG, f, h, all)
		}
		// Two grams at the governing support: far enough for its share to show.
		more := room.MassG + 2*max(b.wheelbaseMM(), 1)
		f, h, all = over(more)
		if map[Limit]int64{ByFront: f, ByRear: h, ByGross: all}[room.Governs] <= 0 {
			r.Fatalf("%s governs at %d g, and %d g more pass no limit of it", room.Governs, room.MassG, more-room.MassG)
		}
	})
}
