package tank_test

import (
	"math"
	"testing"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

// expanded is two standard uncertainties of independent limits, each taken as
// rectangular: u = a/sqrt(3) (JCGM 100), root sum square, k = 2.
func expanded(limits ...float64) int64 {
	sum := 0.0
	for _, a := range limits {
		sum += a * a / 3
	}
	return int64(math.Round(2 * math.Sqrt(sum)))
}

// hypot is the root sum square of two expanded uncertainties.
func hypot(a, b int64) int64 { return int64(math.Round(math.Hypot(float64(a), float64(b)))) }

func good(l events.LoadCollected, g, ml int64) events.LoadCollected {
	l.SlurryMass.ToleranceG, l.SlurryVolume.ToleranceML = g, ml
	return l
}

// Two loads good to 60 and 80 kg, tipped whole: 2/sqrt(3) x 100 kg = 115.470 kg; the
// volume good to 30 and 40 L: 57.735 L.
func TestToleranceOfWholeTank(t *testing.T) {
	y := newYard()
	y.at("J-1", good(slurryOf(clay, 3_000_000), 60_000, 30_000))
	y.at("J-2", good(slurryOf(clay, 4_000_000), 80_000, 40_000))
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	a := y.fold(tank.Options{})
	tip := a.Tips[0]
	near(t, "mass of the first load", a.Loads[0].ToleranceG, expanded(60_000), 0)
	near(t, "volume of the second load", a.Loads[1].ToleranceML, expanded(40_000), 0)
	near(t, "mass", tip.ToleranceG, 115_470, 0)
	near(t, "volume", tip.ToleranceML, 57_735, 0)
	near(t, "share of the first", tip.Shares[0].ToleranceG, expanded(60_000), 0)
	near(t, "share of the second", tip.Shares[1].ToleranceG, expanded(80_000), 0)
}

// A portion takes a part of the tank's uncertainty, and of each load's, along; the rest
// stays, and the two tips together are as the whole would have been.
func TestToleranceOfPortion(t *testing.T) {
	y := newYard()
	y.at("J-1", good(slurryOf(clay, 3_000_000), 60_000, 30_000))
	y.at("J-2", good(slurryOf(clay, 4_000_000), 80_000, 40_000))
	y.at("", events.SpoilTipped{Facility: pit, PortionPPM: 250_000})
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	a := y.fold(tank.Options{})
	near(t, "a quarter", a.Tips[0].ToleranceG, expanded(25_000), 1)
	near(t, "a quarter of the first", a.Tips[0].Shares[0].ToleranceG, expanded(15_000), 1)
	near(t, "the rest", a.Tips[1].ToleranceG, expanded(75_000), 1)
	near(t, "the rest of the second", a.Tips[1].Shares[1].ToleranceG, expanded(60_000), 1)
}

// A decant does not make a load more certain: 4000 kg good to 60 kg less 1000 L good to
// 20 L leave 3000 kg good to 2/sqrt(3) x sqrt(60^2 + 20^2) = 73.03 kg.
func TestToleranceAfterDecant(t *testing.T) {
	y := newYard()
	y.at("J-1", good(slurryOf(clay, 4_000_000), 60_000, 30_000))
	d := clearDecant(1_000_000)
	d.Volume.ToleranceML = 20_000
	y.at("J-1", d)
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	a := y.fold(tank.Options{})
	near(t, "the decant", a.Decants[0].ToleranceML, expanded(20_000), 0)
	near(t, "mass", a.Tips[0].ToleranceG, expanded(60_000, 20_000), 0)
	near(t, "volume", a.Tips[0].ToleranceML, expanded(30_000, 20_000), 0)
}

// Two equal loads share a decant: each load's part carries half of the decant's
// uncertainty, 10 L, but the whole carries all of it once: the parts hang together.
func TestToleranceOfSharedDecant(t *testing.T) {
	y := newYard()
	for _, job := range []events.JobID{"J-1", "J-2"} {
		y.at(job, good(slurryOf(clay, 3_000_000), 60_000, 60_000))
	}
	d := clearDecant(1_000_000)
	d.Volume.ToleranceML = 20_000
	y.at("J-1", d)
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	tip := y.fold(tank.Options{}).Tips[0]
	near(t, "share", tip.Shares[0].ToleranceG, expanded(60_000, 10_000), 1)
	near(t, "whole", tip.ToleranceG, expanded(60_000, 60_000, 20_000), 1)
	both := tank.Together(tip.Shares)
	near(t, "both shares together", both.MassG, tip.ToleranceG, 1)
	near(t, "volume of both", both.VolumeML, tip.ToleranceML, 1)
	near(t, "solids of both", both.SolidsG, tip.ToleranceSolidsG, 1)
}

// A tip weighed by the truck is as certain as that weighing, and what it leaves is as
// uncertain as the tank and the weighing together. Without a stated tolerance it is
// 3 %, two standard uncertainties.
func TestToleranceOfWeighedTip(t *testing.T) {
	y := newYard()
	y.at("J-1", good(slurryOf(clay, 4_000_000), 60_000, 30_000))
	y.at("", events.SpoilTipped{Facility: pit, Mass: &events.Mass{MassG: 1_000_000, Basis: events.Measured, ToleranceG: 25_000}})
	y.at("", events.SpoilTipped{Facility: pit, Mass: measuredG(1_000_000)})
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	a := y.fold(tank.Options{})
	near(t, "weighed", a.Tips[0].ToleranceG, expanded(25_000), 0)
	near(t, "weighed by a scale of which nothing is stated", a.Tips[1].ToleranceG, 30_000, 0)
	near(t, "what was left", a.Tips[2].ToleranceG, hypot(expanded(60_000, 25_000), 30_000), 1)
}

// A tip by volume is a portion of the tank, told by the volume: 2000 of 4000 L take
// half of 60 kg along, and 30 L of the volume at 1500 kg/m3 are 45 kg more.
func TestToleranceOfTipByVolume(t *testing.T) {
	y := newYard()
	y.at("J-1", good(slurryOf(clay, 6_000_000), 60_000, 40_000))
	y.at("", events.SpoilTipped{Facility: pit, Volume: &events.Volume{VolumeML: 2_000_000, Basis: events.Measured, ToleranceML: 30_000}})
	tip := y.fold(tank.Options{}).Tips[0]
	near(t, "mass", tip.ToleranceG, expanded(30_000, 45_000), 2)
	near(t, "volume", tip.ToleranceML, expanded(20_000, 30_000), 2)
}

// A load by its bank: 2000 L good to 50 L at 1900 kg/m3 are 95 kg, its jetting water
// good to 60 L is 60 kg. A load by volume alone carries the typical density's 3 % beside
// a stated tolerance, and is good to 3 % where none is stated.
func TestToleranceByMethod(t *testing.T) {
	y := newYard()
	bank := bankLoad()
	bank.Bank.Volume.ToleranceML, bank.JettingWater.ToleranceML = 50_000, 60_000
	y.at("J-1", bank)
	alone := events.LoadCollected{Material: clay, SlurryVolume: &events.Volume{VolumeML: 1_000_000, Basis: events.Measured, ToleranceML: 10_000}}
	y.at("J-1", alone)
	y.at("J-1", events.LoadCollected{Material: clay, SlurryVolume: measuredML(1_000_000)})
	y.at("J-1", events.LoadCollected{Material: clay, SlurryMass: &events.Mass{MassG: 1_400_000, Basis: events.Measured, ToleranceG: 14_000}})
	l := y.fold(tank.Options{}).Loads
	near(t, "bank: mass", l[0].ToleranceG, expanded(95_000, 60_000), 1)
	near(t, "bank: volume, 1742.576 L of soil without air", l[0].ToleranceML, expanded(43_564, 60_000), 2)
	near(t, "volume alone: volume", l[1].ToleranceML, expanded(10_000), 0)
	near(t, "volume alone: mass", l[1].ToleranceG, hypot(expanded(14_000), 42_000), 1)
	near(t, "nothing stated", l[2].ToleranceG, 42_000, 0)
	near(t, "mass alone: mass", l[3].ToleranceG, expanded(14_000), 0)
	near(t, "mass alone: volume", l[3].ToleranceML, hypot(expanded(10_000), 30_000), 1)
}

// First in, first out takes a load's uncertainty along with the load.
func TestToleranceOfOldest(t *testing.T) {
	y := newYard()
	y.at("J-1", good(slurryOf(clay, 2_000_000), 60_000, 30_000))
	y.at("J-2", good(slurryOf(clay, 2_000_000), 10_000, 30_000))
	y.at("", events.SpoilTipped{Facility: pit, PortionPPM: 500_000})
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	a := y.fold(tank.Options{FirstInFirstOut: true})
	near(t, "the first", a.Tips[0].ToleranceG, expanded(60_000), 0)
	near(t, "the second", a.Tips[1].ToleranceG, expanded(10_000), 0)
}
