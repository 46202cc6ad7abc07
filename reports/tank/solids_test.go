package tank_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

// 2400 L of slurry that weigh 3600 kg, good to 24 L and 36 kg, of particles of
// 2650 kg/m3 (recomputed independently):
//
//	S    = 2.65/1.65 x 1200         = 1927.273 kg
//	u(S) = 2.65/1.65 x sqrt((36^2 + 24^2)/3) = 1.606061 x 24.97999 = 40.1194 kg, twice that 80.239
//
// 500 L of clear water take none of it away, and half of the tank has half of it.
func TestSolidsToleranceByHand(t *testing.T) {
	y := newYard()
	y.at("J-1", good(slurry(clay, 2_400_000, 3_600_000), 36_000, 24_000))
	d := clearDecant(500_000)
	d.Volume.ToleranceML = 10_000
	y.at("J-1", d)
	y.at("", events.SpoilTipped{Facility: pit, PortionPPM: 500_000})
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	a := y.fold(tank.Options{})
	near(t, "solids", a.Loads[0].SolidsG, 1_927_273, 0)
	near(t, "solids of the load within", a.Loads[0].ToleranceSolidsG, 80_239, 1)
	near(t, "of half of the tank", a.Tips[0].ToleranceSolidsG, 40_119, 1)
	near(t, "of its one share", a.Tips[0].Shares[0].ToleranceSolidsG, 40_119, 1)
	near(t, "of the rest", a.Tips[1].ToleranceSolidsG, 40_119, 1)
}

// The other ways of knowing a load, by hand: 2000 L of bank hold 3304.348 kg of solids,
// so 50 L are 82.609 kg; 1000 L of typical slurry of 1400 kg/m3 hold 642.424 kg, and 3 %
// of its 1400 kg are 67.455 kg of solids; water has none.
func TestSolidsToleranceByMethod(t *testing.T) {
	y := newYard()
	bank := bankLoad()
	bank.Bank.Volume.ToleranceML, bank.JettingWater.ToleranceML = 50_000, 60_000
	y.at("J-1", bank)
	y.at("J-1", events.LoadCollected{Material: clay, SlurryVolume: &events.Volume{VolumeML: 1_000_000, Basis: events.Measured, ToleranceML: 10_000}})
	y.at("J-1", events.LoadCollected{Material: clay, SlurryMass: measuredG(1_400_000)})
	y.at("J-1", events.WaterUsed{Purpose: events.ForWashing, Volume: *measuredML(100_000), IntoDebrisTank: true})
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	a := y.fold(tank.Options{})
	l := a.Loads
	near(t, "bank", l[0].ToleranceSolidsG, expanded(82_609), 1)
	near(t, "volume alone", l[1].ToleranceSolidsG, hypot(expanded(6_424), 67_455), 1)
	near(t, "mass alone", l[2].ToleranceSolidsG, hypot(19_273, 48_182), 1) // 3 % of 642.424 kg, and of 1000 L
	near(t, "water", a.Tips[0].Shares[3].ToleranceSolidsG, 0, 0)
}

// tankModel is what a day comes to, in floating point and by the formulas alone.
type tankModel struct{ solids, mass, volume float64 } // kg, kg, L

// model works out two loads by volume and mass, one by its bank, a clear decant and a
// tip of 400 parts of a thousand of what was left.
func model(in []float64) tankModel {
	const rho, dry, wet = 2.65, 1.9 / 1.15, 1.9 - 1.9/1.15
	solved := func(volume, mass float64) float64 { return rho / (rho - 1) * (mass - volume) }
	v1, m1, v2, m2, bank, jetting, decant := in[0], in[1], in[2], in[3], in[4], in[5], in[6]
	t := tankModel{solids: solved(v1, m1) + solved(v2, m2) + bank*dry, mass: m1 + m2 + bank*(dry+wet) + jetting - decant}
	t.volume = v1 + v2 + bank*(dry/rho+wet) + jetting - decant
	return tankModel{0.4 * t.solids, 0.4 * t.mass, 0.4 * t.volume}
}

// The fold's uncertainties are what drawing every reading evenly within its limit gives
// (JCGM 101, propagation of distributions by a Monte Carlo method). The spread of n
// draws is itself good to 1/sqrt(2n) of it, or better for distributions flatter than a
// bell; four of those are allowed.
func TestToleranceAgainstMonteCarlo(t *testing.T) {
	const draws = 200_000
	stated := []float64{2400, 3600, 1500, 2100, 2000, 3000, 1200}
	limits := []float64{24, 36, 40, 15, 50, 60, 30}
	random := rand.New(rand.NewPCG(20261005, 1))
	sum, squares := [3]float64{}, [3]float64{}
	in := make([]float64, len(stated))
	centre := model(stated)
	for range draws {
		for i := range in {
			in[i] = stated[i] + limits[i]*(2*random.Float64()-1)
		}
		m := model(in)
		for k, d := range []float64{m.solids - centre.solids, m.mass - centre.mass, m.volume - centre.volume} {
			sum[k] += d
			squares[k] += d * d
		}
	}
	y := newYard()
	y.at("J-1", good(slurry(clay, 2_400_000, 3_600_000), 36_000, 24_000))
	y.at("J-2", good(slurry(clay, 1_500_000, 2_100_000), 15_000, 40_000))
	bank := bankLoad()
	bank.Bank.Volume.ToleranceML, bank.JettingWater.ToleranceML = 50_000, 60_000
	y.at("J-1", bank)
	d := clearDecant(1_200_000)
	d.Volume.ToleranceML = 30_000
	y.at("J-1", d)
	y.at("", events.SpoilTipped{Facility: pit, PortionPPM: 400_000})
	tip := y.fold(tank.Options{}).Tips[0]
	near(t, "solids", tip.SolidsG, int64(math.Round(centre.solids*1000)), 2)
	near(t, "mass", tip.MassG(), int64(math.Round(centre.mass*1000)), 2)
	near(t, "volume", tip.VolumeML, int64(math.Round(centre.volume*1000)), 2)
	for k, got := range []int64{tip.ToleranceSolidsG, tip.ToleranceG, tip.ToleranceML} {
		mean := sum[k] / draws
		drawn := 2000 * math.Sqrt(squares[k]/draws-mean*mean)
		if within := 4*drawn/math.Sqrt(2*draws) + 1; math.Abs(float64(got)-drawn) > within {
			t.Errorf("%s within %d; drawing gives %.0f, good to %.0f", []string{"solids", "mass", "volume"}[k], got, drawn, within)
		}
	}
}

// A turbid decant takes solids that nobody weighed: 1000 L with 40 g/L, good to 20 L, are
// 40 kg good to 2/sqrt(3) x 0.8 kg and to 3 %. What it leaves is uncertain by that, too.
func TestSolidsToleranceAfterTurbidDecant(t *testing.T) {
	y := newYard()
	y.at("J-1", good(slurry(clay, 2_400_000, 3_600_000), 36_000, 24_000))
	mg := int64(40_000)
	y.at("J-1", events.WaterDecanted{Outfall: sewer, Volume: events.Volume{VolumeML: 1_000_000, Basis: events.Measured, ToleranceML: 20_000}, SuspendedSolidsMGPerL: &mg})
	y.at("", events.SpoilTipped{Facility: pit, Whole: true})
	tip := y.fold(tank.Options{}).Tips[0]
	kept := 80_239 * (1_927_273.0 - 40_000) / 1_927_273
	want := math.Sqrt(kept*kept + 2.0/math.Sqrt(3)*800*2.0/math.Sqrt(3)*800 + 1200*1200)
	near(t, "solids left", tip.ToleranceSolidsG, int64(math.Round(want)), 2)
}

// A tip weighed by the truck has solids by its share of the tank's mass: 1000 of 3600 kg
// good to 10 kg have 535.4 kg, good to what the tank's solids, its mass and the weighing
// leave open, each in proportion.
func TestSolidsToleranceOfWeighedTip(t *testing.T) {
	y := newYard()
	y.at("J-1", good(slurry(clay, 2_400_000, 3_600_000), 36_000, 24_000))
	y.at("", events.SpoilTipped{Facility: pit, Mass: &events.Mass{MassG: 1_000_000, Basis: events.Measured, ToleranceG: 10_000}})
	tip := y.fold(tank.Options{}).Tips[0]
	share := 1000.0 / 3600
	u := 2 / math.Sqrt(3)
	s, m, w := 80_239*share, u*36_000*0.535354*share, u*10_000*0.535354
	near(t, "solids", tip.SolidsG, 535_354, 1)
	near(t, "solids within", tip.ToleranceSolidsG, int64(math.Round(math.Sqrt(s*s+m*m+w*w))), 2)
	// By the law of propagation, what the mass has in common with the solids counted:
	// s = m/M x k (M - V), k = 2.65/1.65.
	exact := math.Hypot(math.Hypot(share*(2.65/1.65-0.535354)*u*36_000, share*2.65/1.65*u*24_000), w)
	if float64(tip.ToleranceSolidsG) < exact {
		t.Errorf("solids within %d; exactly %.0f, which it must not be below", tip.ToleranceSolidsG, exact)
	}
}
