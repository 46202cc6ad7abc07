package naive_test

import (
	"fmt"
	"math/big"
	"testing"

	"spoilbook/events"
	"spoilbook/reports/naive"
)

// told is a ledger of bodies a minute apart, all of job J-1.
func told(t *testing.T, bodies ...events.Body) naive.Ledger {
	s := starts(t)[0]
	at := func(i int) events.Time { return events.Time{UnixMS: s.unixMS + int64(i)*minute} }
	l := naive.Ledger{Revisions: registers(at(0))}
	for i, b := range bodies {
		l.Entries = append(l.Entries, events.Event{ID: fmt.Sprint("E", i), Source: events.TruckSource(truck), Seq: uint64(i + 1), Occurred: at(i), Truck: truck, Job: "J-1", Body: b})
	}
	return l
}

func ml(v int64) *events.Volume  { return &events.Volume{VolumeML: v, Basis: events.Measured} }
func grams(v int64) *events.Mass { return &events.Mass{MassG: v, Basis: events.Measured} }

func near(t *testing.T, what string, got *big.Rat, want string) {
	t.Helper()
	w, ok := new(big.Rat).SetString(want)
	if !ok {
		t.Fatalf("%s: %q is no number", what, want)
	}
	// The published figure is rounded to its last digit, which is worth a gram, a
	// millilitre or a millionth.
	if d := new(big.Rat).Sub(got, w); d.Abs(d).Cmp(big.NewRat(1, 2)) > 0 {
		t.Errorf("%s is %s; want %s", what, got.FloatString(6), want)
	}
}

func millionths(r *big.Rat) *big.Rat { return new(big.Rat).Mul(r, big.NewRat(1_000_000, 1)) }

// soil is two cubic metres in the bank at 1900 kg/m3 with 15 % moisture and
// particles of 2650 kg/m3, cut with three cubic metres of water.
func soil() events.LoadCollected {
	return events.LoadCollected{Material: "M-CLAY", Bank: &events.BankSoil{Volume: *ml(2_000_000)}, JettingWater: ml(3_000_000)}
}

// The figures come from first principles, recomputed independently.
func TestScenario(t *testing.T) {
	l := told(t, events.WaterRefilled{WaterSource: "S-MAINS", Volume: ml(3_500_000)}, soil(),
		events.WaterDecanted{Outfall: "O-SEWER", Volume: *ml(1_500_000)}, events.SpoilTipped{Facility: "F-PIT", PortionPPM: 500_000})
	for _, c := range []struct {
		entries                          int
		solids, water, volume, perVolume string // g, g, mL, parts per million of solids by volume
	}{
		{2, "3304348", "3495652", "4742576", "262921"},
		{3, "3304348", "1995652", "3242576", "384547"},
		{4, "1652174", "997826", "1621288", "384547"},
	} {
		tank, _ := l.TankAfter(c.entries, naive.Options{})
		held := tank.Held()
		near(t, "solids", held.SolidsG, c.solids)
		near(t, "water", held.WaterG, c.water)
		near(t, "volume", tank.VolumeML(), c.volume)
		near(t, "solids by volume", millionths(new(big.Rat).Quo(tank.SolidsML(), tank.VolumeML())), c.perVolume)
	}
	_, decant := l.TankAfter(3, naive.Options{})
	near(t, "largest clear decant", decant.FreeML, "2248728")
	tank, _ := l.TankAfter(4, naive.Options{})
	near(t, "dug", tank.Accounts["site"].SolidsG, "-3304348")
	near(t, "dug water", tank.Accounts["site"].WaterG, "-495652")
	near(t, "fresh water left", tank.FreshML, "500000")
	near(t, "tipped", tank.Accounts["facility:F-PIT"].MassG(), "2650000")
}

// A turbid decant of specific gravity 1.05 instead of the clear one takes 1575 kg,
// 120.455 kg of it solids (recomputed independently).
func TestScenarioTurbid(t *testing.T) {
	density := int64(1_050_000)
	l := told(t, soil(), events.WaterDecanted{Outfall: "O-SEWER", Volume: *ml(1_500_000), DensityGPerM3: &density})
	tank, decant := l.TankAfter(2, naive.Options{})
	near(t, "mass decanted", decant.Moved.MassG(), "1575000")
	near(t, "solids decanted", decant.Moved.SolidsG, "120455")
	near(t, "density left", new(big.Rat).Quo(new(big.Rat).Mul(tank.Held().MassG(), big.NewRat(1000, 1)), tank.VolumeML()), "1611.37")
}

// Shares by mass, and by which parcel came first (recomputed independently).
func TestScenarioShares(t *testing.T) {
	load := func(volumeML, massG int64) events.LoadCollected {
		return events.LoadCollected{Material: "M-CLAY", SlurryVolume: ml(volumeML), SlurryMass: grams(massG)}
	}
	tip := func(massG int64) events.SpoilTipped { return events.SpoilTipped{Facility: "F-PIT", Mass: grams(massG)} }
	_, tipped := told(t, load(2_400_000, 3_600_000), load(1_600_000, 2_000_000), tip(1_400_000)).TankAfter(3, naive.Options{})
	near(t, "share of A", tipped.Parts[0].MassG(), "900000")
	near(t, "share of B", tipped.Parts[1].MassG(), "500000")
	for _, c := range []struct {
		fifo    bool
		a, b    string
		parcels int
	}{{false, "1500000", "1500000", 2}, {true, "0", "3000000", 1}} {
		l := told(t, load(3_000_000, 4_000_000), tip(1_000_000), load(2_000_000, 3_000_000), tip(3_000_000))
		tank, _ := l.TankAfter(4, naive.Options{FirstInFirstOut: c.fifo})
		if len(tank.Parcels) != c.parcels {
			t.Fatalf("first in first out %v leaves %d parcels; want %d", c.fifo, len(tank.Parcels), c.parcels)
		}
		near(t, "left of B", tank.Parcels[c.parcels-1].MassG(), c.b)
		near(t, "left of A", new(big.Rat).Sub(tank.Held().MassG(), tank.Parcels[c.parcels-1].MassG()), c.a)
	}
}
