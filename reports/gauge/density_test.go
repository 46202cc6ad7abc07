package gauge_test

import (
	"testing"

	"spoilbook/reports/gauge"
)

// Tanaka et al., Metrologia 38 (2001) 301, density of water; 4 and 25 degC recomputed
// independently.
func TestWaterDensity(t *testing.T) {
	for degC, want := range map[float64]float64{0: 999.8428, 4: 999.9749, 10: 999.7027, 15: 999.1026, 20: 998.2067, 25: 997.0470, 30: 995.6488} {
		near(t, "density of water", gauge.WaterDensityKgPerM3(degC), want, 0.00011)
	}
}
