package tank_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// A tip of the volume that the account shows, or of the whole tank, empties it, and
// the volumes of its shares sum to it whatever they were rounded from.
func TestTipOfVolumeShown(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		y := newYard()
		for range rapid.IntRange(1, 5).Draw(t, "loads") {
			volume := rapid.Int64Range(1_000, 1_500_000).Draw(t, "volume")
			y.at("J-1", slurry(silt, volume, volume+rapid.Int64Range(0, volume).Draw(t, "more")))
		}
		shown := y.fold(tank.Options{}).Debris.VolumeML()
		tip := events.SpoilTipped{Facility: pit, Volume: measuredML(shown)}
		if rapid.Bool().Draw(t, "whole") {
			tip = events.SpoilTipped{Facility: pit, Whole: true}
		}
		y.at("", tip)
		a := y.fold(tank.Options{FirstInFirstOut: rapid.Bool().Draw(t, "first in, first out")})
		if n := codes(a)[reports.TippedOverHeld]; n != 0 || len(a.Debris) != 0 || a.Tips[0].VolumeML != shown {
			t.Errorf("a tip of the %d mL shown is of %d mL, leaves %+v and has %d findings", shown, a.Tips[0].VolumeML, a.Debris, n)
		}
		sum := int64(0)
		for _, s := range a.Tips[0].Shares {
			sum += s.VolumeML
		}
		if sum != shown {
			t.Errorf("the shares sum to %d mL; want %d", sum, shown)
		}
	})
}

// A tip lists the decants since the tank was last empty, not those before.
func TestDecantsOfTip(t *testing.T) {
	y := newYard()
	for range 2 {
		y.at("J-1", slurryOf(clay, 3_000_000))
		y.at("J-1", clearDecant(100_000))
		y.at("", events.SpoilTipped{Facility: pit, PortionPPM: 500_000})
		y.at("J-1", clearDecant(50_000))
		y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	}
	want := [][]int{{0}, {0, 1}, {2}, {2, 3}}
	for i, tip := range y.fold(tank.Options{}).Tips {
		if !slices.Equal(tip.Decants, want[i]) {
			t.Errorf("tip %d follows the decants %v; want %v", i, tip.Decants, want[i])
		}
	}
}

// What a turbid decant leaves must be at least the bed of the solids that it leaves:
// of 200 L of solids and 800 L of water, 700 L with half the solids leave 300 L over a
// bed of 200 L. Clear, they would leave less than the bed of 400 L.
func TestTurbidDecantBeyondFreeWater(t *testing.T) {
	suspended := int64(378_571) // 265 kg in 700 L
	for _, turbid := range []bool{true, false} {
		y := newYard()
		y.at("J-1", slurry(clay, 1_000_000, 1_330_000))
		b := clearDecant(700_000)
		want := map[reports.Code]int{reports.DecantOverFree: 1}
		if turbid {
			b.SuspendedSolidsMGPerL, want = &suspended, map[reports.Code]int{}
		}
		y.at("J-1", b)
		wantCodes(t, y.fold(tank.Options{}), want)
	}
}

// The bed is the material's own: silt settles with 1.5 of voids for 1 of solids, so
// 200 L of its solids in 1000 L leave 500 L free.
func TestBedOfMaterial(t *testing.T) {
	y := newYard()
	y.at("J-1", slurry(silt, 1_000_000, 1_340_000))
	near(t, "free water", y.fold(tank.Options{}).Debris.FreeWaterML(), 500_000, 1)
}

// A typical density is noted once a day and cites every load that rests on it.
func TestAssumedDensityIsNotedDaily(t *testing.T) {
	y := newYard()
	load := func() { y.at("J-1", events.LoadCollected{Material: clay, SlurryVolume: measuredML(1_000_000)}) }
	load()
	load()
	y.now.UnixMS += 24 * 60 * 60 * 1000
	load()
	a := y.fold(tank.Options{})
	n := uint64(len(y.recs))
	if len(a.Findings) != 2 || !slices.Equal(a.Findings[0].Cites, []uint64{n - 2, n - 1}) || !slices.Equal(a.Findings[1].Cites, []uint64{n}) {
		t.Errorf("findings are %+v", a.Findings)
	}
}

// A difference that a gauge left standing within tolerance counts towards what the
// next gauge may differ by, for nothing was adjusted.
func TestGaugeAfterGauge(t *testing.T) {
	y := newYard()
	for _, ml := range []int64{2_000_000, 2_060_000, 2_070_000} {
		y.at("", events.TankGauged{Tank: events.FreshTank, Volume: *measuredML(ml)})
	}
	a := y.fold(tank.Options{})
	wantCodes(t, a, map[reports.Code]int{})
	near(t, "account", a.FreshML, 2_000_000, 0)
	if g := a.Gauges; !g[0].Opening || g[1].Adjusted || g[2].Adjusted || g[2].DifferenceML != 70_000 {
		t.Errorf("gauges are %+v", g)
	}
}
