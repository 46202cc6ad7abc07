package gauge_test

import (
	"math"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/events/units"
	"spoilbook/reports/gauge"
)

// NFPA 291, 4.9.3: 2.5 in, Cd 0.9, 40 psi is 1061 gpm; 4 in, Cd 0.9, 10 psi, times a
// pumper-outlet coefficient of 0.83, is 1127 gpm.
func TestPublishedFlows(t *testing.T) {
	near(t, "2.5 in at 40 psi", gauge.FreeJetGPM(0.9, 2.5, 40), 1061, 1)
	near(t, "4 in at 10 psi", gauge.FreeJetGPM(0.9, 4, 10)*0.83, 1127, 1)
}

// Q2 = Q1 sqrt(p2/p1): from 4000 to 2500 psi it is 0.790569 (recomputed independently).
func TestFlowAtAnotherPressure(t *testing.T) {
	near(t, "4000 to 2500 psi", gauge.AtPressure(1, 4000, 2500), 0.790569, 0.0000005)
	near(t, "by the formula itself", gauge.FreeJetLPerMin(0.9, 1.5, 2500)/gauge.FreeJetLPerMin(0.9, 1.5, 4000), 0.790569, 0.0000005)
}

// The factor for SI units at 1000 kg/m3 is 0.6664, and the two forms are one to a
// thousandth, NFPA's water being a little lighter.
func TestFlowInBothUnits(t *testing.T) {
	near(t, "factor", gauge.FreeJetFactor, 0.6664, 0.00005)
	near(t, "root of 200", gauge.FreeJetFactor/math.Pi*4/0.06, math.Sqrt(200), 1e-12)
	const gallonL = 3.785411784
	pascals, _ := units.PoundPerSquareInch.Factor().Float64()
	barOfPSI := pascals / 100_000
	rapid.Check(t, func(r *rapid.T) {
		inches, psi := rapid.Float64Range(0.02, 4).Draw(r, "inches"), rapid.Float64Range(1, 6000).Draw(r, "psi")
		si := gauge.FreeJetLPerMin(0.9, inches*25.4, psi*barOfPSI)
		if us := gauge.FreeJetGPM(0.9, inches, psi) * gallonL; math.Abs(us/si-1) > 0.001 {
			r.Fatalf("%v in at %v psi: %v L/min and %v", inches, psi, si, us)
		}
	})
}

// 275.79 bar through two nozzles of 1.5 mm with Cd 0.9: 0.6664 x 0.9 x 2.25 x 16.607 is
// 22.41 L a minute each; in 25 minutes both let out 1120.6 L (recomputed independently).
func TestJetOfASetting(t *testing.T) {
	j := events.JetSetting{PressureKPa: 27_579, NozzleDiameterUM: 1500, Nozzles: 2, RunningMS: 25 * 60_000}
	near(t, "mL", float64(gauge.JetML(j)), 1_120_600, 150)
	j.DischargePPM = 450_000
	near(t, "half the coefficient", float64(gauge.JetML(j)), 560_300, 80)
	j.RunningMS = 0
	near(t, "at rest", float64(gauge.JetML(j)), 0, 0)
}
