package gauge

// WaterDensityKgPerM3 returns the density of pure, air-free water at a temperature in
// degrees Celsius from 0 to 40 and a pressure of 101,325 Pa:
//
//	rho = a5 (1 - (t + a1)^2 (t + a2) / (a3 (t + a4)))
//
// (Tanaka et al., Metrologia 38 (2001) 301; constants from memory, and held in tests to
// the values that the paper gives). The reports count water as 1000 kg/m3 throughout;
// this says how far that may be off, 0.44 % at 30 degC, which is less than any
// instrument on a truck can tell.
func WaterDensityKgPerM3(tempDegC float64) float64 {
	const (
		a1 = -3.983035
		a2 = 301.797
		a3 = 522528.9
		a4 = 69.34881
		a5 = 999.974950
	)
	return a5 * (1 - (tempDegC+a1)*(tempDegC+a1)*(tempDegC+a2)/(a3*(tempDegC+a4)))
}
