package gauge

import (
	"math"

	"spoilbook/events"
)

// A nozzle's flow is that of a free jet with the pressure measured at the nozzle: its
// opening times the speed that the pressure gives the water, times a coefficient of
// discharge. It does not hold for a positive-displacement pump at a fixed speed, which
// pushes its volume whatever the pressure is, nor for a pressure read at the pump,
// before the hose has taken its part.

// DefaultDischarge is the coefficient of discharge where none is stated.
const DefaultDischarge = 0.9

// FreeJetFactor times Cd d^2 sqrt(p), d in millimetres and p in bar, is a free jet's
// flow in litres a minute at 1000 kg/m3: pi/4 sqrt(200) 0.06, which is 0.6664.
const FreeJetFactor = math.Pi / 4 * 14.142135623730950488 * 0.06

// FreeJetLPerMin returns the flow of a nozzle in litres a minute, for its coefficient of
// discharge, its diameter in millimetres and the pressure at it in bar.
func FreeJetLPerMin(discharge, diameterMM, pressureBar float64) float64 {
	return FreeJetFactor * discharge * diameterMM * diameterMM * math.Sqrt(pressureBar)
}

// FreeJetGPM returns the same in US gallons a minute, for inches and pounds per square
// inch: 29.84 Cd d^2 sqrt(p) (NFPA 291, 4.9.3).
func FreeJetGPM(discharge, diameterIn, pressurePSI float64) float64 {
	return 29.84 * discharge * diameterIn * diameterIn * math.Sqrt(pressurePSI)
}

// AtPressure returns a free jet's flow at another pressure, Q2 = Q1 sqrt(p2/p1).
func AtPressure(flow, pressure, other float64) float64 { return flow * math.Sqrt(other/pressure) }

// JetML returns what a jet of a setting let out while it ran, rounded to the millilitre.
func JetML(j events.JetSetting) int64 {
	discharge := DefaultDischarge
	if j.DischargePPM != 0 {
		discharge = float64(j.DischargePPM) / 1_000_000
	}
	lPerMin := FreeJetLPerMin(discharge, float64(j.NozzleDiameterUM)/1000, float64(j.PressureKPa)/100)
	// The conversion keeps every machine from fusing the product with what follows.
	l := float64(lPerMin * float64(j.Nozzles) * float64(j.RunningMS) / 60_000)
	return int64(math.Round(l * 1000))
}
