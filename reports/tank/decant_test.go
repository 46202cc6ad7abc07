package tank_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Solids that ran off with the water are unaccounted for when the account has
// none, as they are when it has too few.
func TestTurbidDecantWithoutSolids(t *testing.T) {
	suspended, density := int64(15_000), int64(1_050_000)
	for _, c := range []struct {
		name   string
		decant events.WaterDecanted
		want   tank.Phases
	}{
		// 15 g/L of 100 L; their volume at 2650 kg/m3 is 566 mL.
		{"suspended solids", events.WaterDecanted{SuspendedSolidsMGPerL: &suspended}, tank.Phases{SolidsG: 1_500, WaterG: 99_434}},
		// 105 kg: Vs = (105 - 100)/1.65 = 3.030 L, 8.030 kg.
		{"density", events.WaterDecanted{DensityGPerM3: &density}, tank.Phases{SolidsG: 8_030, WaterG: 96_970}},
	} {
		t.Run(c.name, func(t *testing.T) {
			y := newYard()
			y.at("J-1", slurry(clay, 1_000_000, 1_000_000))
			c.decant.Volume, c.decant.Outfall = *measuredML(100_000), sewer
			y.at("J-1", c.decant)
			a := y.fold(tank.Options{})
			d := a.Decants[0]
			if got := (tank.Phases{SolidsG: d.SolidsG, WaterG: d.WaterG}); got != c.want || d.UnheldSolidsG != c.want.SolidsG || d.UnheldWaterG != 0 {
				t.Errorf("%v left, of it not held %d g of solids and %d g of water; want %v", got, d.UnheldSolidsG, d.UnheldWaterG, c.want)
			}
			if got := a.Balance(tank.Unaccounted).SolidsG; got != -c.want.SolidsG {
				t.Errorf("unaccounted has %d g of solids", got)
			}
			if a.Debris.SolidsG() != 0 || a.Debris.WaterG() != 1_000_000-c.want.WaterG {
				t.Errorf("the tank holds %+v", a.Debris.Summary())
			}
			wantCodes(t, a, map[reports.Code]int{reports.DecantOverHeld: 1})
		})
	}
}
