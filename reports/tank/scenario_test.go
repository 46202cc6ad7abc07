package tank_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// bankLoad is two cubic metres in the bank at 1900 kg/m3 with 15 % moisture, cut
// with 3 m3 of jetting water.
func bankLoad() events.LoadCollected {
	moisture := int64(150_000)
	return events.LoadCollected{Material: clay, JettingWater: measuredML(3_000_000),
		Bank: &events.BankSoil{Volume: *measuredML(2_000_000), BulkDensityGPerM3: 1_900_000, MoisturePPM: &moisture}}
}

// The scenario's figures come from first principles, recomputed independently and
// confirmed in double entry by hledger.
func TestScenario(t *testing.T) {
	y := newYard()
	y.at("", events.WaterRefilled{WaterSource: mains, Volume: measuredML(3_500_000)})
	y.at("J-1", bankLoad())
	y.at("J-1", clearDecant(1_500_000))
	y.at("", events.SpoilTipped{Facility: pit, PortionPPM: 500_000})
	a := y.fold(tank.Options{})
	wantCodes(t, a, map[reports.Code]int{})

	l := a.Loads[0]
	near(t, "solids", l.SolidsG, 3_304_348, 0)
	near(t, "water", l.WaterG, 3_495_652, 0)
	near(t, "slurry volume", l.VolumeML, 4_742_576, 0)
	near(t, "slurry density", l.After.DensityGPerM3(), 1_433_820, 5)
	near(t, "solids by volume", tank.SolidsByVolumePPM(l.After.DensityGPerM3(), 2650), 262_921, 1)
	near(t, "solids by mass", tank.SolidsByMassPPM(l.After.DensityGPerM3(), 2650), 485_934, 1)
	if l.Method != tank.ByBankSoil || l.Basis != events.Derived || l.BankML != 2_000_000 || l.LostML != 0 {
		t.Errorf("the load is %+v", l)
	}
	d := a.Decants[0]
	near(t, "largest clear decant", d.FreeWaterML, 2_248_728, 1)
	near(t, "after the decant: mass", d.After.MassG(), 5_300_000, 0)
	near(t, "after the decant: volume", d.After.VolumeML, 3_242_576, 0)
	near(t, "after the decant: density", d.After.DensityGPerM3(), 1_634_500, 5)
	near(t, "solids by volume", tank.SolidsByVolumePPM(d.After.DensityGPerM3(), 2650), 384_547, 1)
	near(t, "solids by mass", tank.SolidsByMassPPM(d.After.DensityGPerM3(), 2650), 623_462, 1)
	tip := a.Tips[0]
	near(t, "tipped", tip.MassG(), 2_650_000, 0)
	near(t, "tipped volume", tip.VolumeML, 1_621_288, 0)
	near(t, "tipped density", tip.DensityGPerM3(), 1_634_500, 5)
	near(t, "heel", a.Debris.MassG(), 2_650_000, 0)
	near(t, "heel density", a.Debris.DensityGPerM3(), 1_634_500, 5)
	near(t, "fresh water left", a.FreshML, 500_000, 0)
	if len(tip.Decants) != 1 || tip.Decants[0] != 0 {
		t.Errorf("the tip's decants are %v; want the first", tip.Decants)
	}
	near(t, "site solids", a.Balance(tank.Site).SolidsG, -3_304_348, 0)
	near(t, "site water", a.Balance(tank.Site).WaterG, -495_652, 0)
	near(t, "outfall", a.Balance(tank.OutfallAccount(sewer)).WaterG, 1_500_000, 0)
}

// The same scenario with a decant of specific gravity 1.05: 1575 kg leave, 120.455 kg
// of it solids, and the tank is left at 1611.37 kg/m3 (recomputed independently).
func TestTurbidDecant(t *testing.T) {
	density := int64(1_050_000)
	y := newYard()
	y.at("", events.WaterRefilled{WaterSource: mains, Volume: measuredML(3_000_000)})
	y.at("J-1", bankLoad())
	b := clearDecant(1_500_000)
	b.DensityGPerM3 = &density
	y.at("J-1", b)
	a := y.fold(tank.Options{})
	d := a.Decants[0]
	near(t, "mass", d.SolidsG+d.WaterG, 1_575_000, 1)
	near(t, "solids", d.SolidsG, 120_455, 1)
	near(t, "rest", a.Debris.DensityGPerM3(), 1_611_370, 5)
	wantCodes(t, a, map[reports.Code]int{})

	suspended := int64(80_303) // the same solids, 120 455 g in 1500 L
	b.DensityGPerM3, b.SuspendedSolidsMGPerL = nil, &suspended
	y.recs[len(y.recs)-1].Body = b
	near(t, "solids by suspended solids", y.fold(tank.Options{}).Decants[0].SolidsG, 120_455, 1)
}

// Shares from first principles, recomputed independently: A 2.4 m3 of 3600 kg and B
// 1.6 m3 of 2000 kg; of a tip of 1400 kg A has 900 and B 500, by mass.
func TestSharesByMass(t *testing.T) {
	y := newYard()
	y.at("J-1", slurry(clay, 2_400_000, 3_600_000))
	y.at("J-2", slurry(clay, 1_600_000, 2_000_000))
	y.at("", events.SpoilTipped{Facility: pit, Mass: measuredG(1_400_000)})
	tip := y.fold(tank.Options{}).Tips[0]
	if len(tip.Shares) != 2 || tip.MassG() != 1_400_000 {
		t.Fatalf("the tip is %+v", tip)
	}
	near(t, "share of A", tip.Shares[0].MassG(), 900_000, 1)
	near(t, "share of B", tip.Shares[1].MassG(), 500_000, 1)
}

// First principles: A 4 t, tip 1 t, B 3 t, tip 3 t leaves 1.5 and 1.5 when well mixed,
// 0 and 3 first in, first out.
func TestOrderOfTipping(t *testing.T) {
	y := newYard()
	y.at("J-1", slurryOf(clay, 4_000_000))
	y.at("", events.SpoilTipped{Facility: pit, Mass: measuredG(1_000_000)})
	y.at("J-2", slurryOf(clay, 3_000_000))
	y.at("", events.SpoilTipped{Facility: pit, Mass: measuredG(3_000_000)})
	mixed, oldest := y.fold(tank.Options{}), y.fold(tank.Options{FirstInFirstOut: true})
	if len(mixed.Debris) != 2 || len(oldest.Debris) != 1 {
		t.Fatalf("%d and %d parcels are left; want 2 and 1", len(mixed.Debris), len(oldest.Debris))
	}
	for i, job := range []events.JobID{"J-1", "J-2"} {
		near(t, "well mixed", mixed.Debris[i:i+1].MassG(), 1_500_000, 2)
		if mixed.Debris[i].Job != job {
			t.Errorf("parcel %d is of %s", i, mixed.Debris[i].Job)
		}
	}
	if oldest.Debris[0].Job != "J-2" {
		t.Errorf("first in, first out leaves %+v", oldest.Debris)
	}
	near(t, "first in, first out", oldest.Debris.MassG(), 3_000_000, 0)
	near(t, "mixed together", mixed.Debris.MassG(), 3_000_000, 0)
}

// First principles: 1000 kg over three equal shares is 334, 333 and 333.
func TestLargestRemainder(t *testing.T) {
	y := newYard()
	for range 3 {
		y.at("J-1", slurry(clay, 1_000, 1_000)) // a litre of water each
	}
	y.at("", events.SpoilTipped{Facility: pit, Mass: measuredG(1_000)})
	tip := y.fold(tank.Options{}).Tips[0]
	if s := tip.Shares; len(s) != 3 || s[0].WaterG != 334 || s[1].WaterG != 333 || s[2].WaterG != 333 {
		t.Errorf("shares are %+v; want 334, 333, 333", s)
	}
}
