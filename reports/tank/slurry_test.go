package tank_test

import (
	"errors"
	"testing"

	"spoilbook/reports/tank"
)

// Dredging slurry table, specific gravity of solids 2.67: solids by mass, by volume
// and specific gravity as published (read), rounded there to whole percents.
func TestDredgingSlurryTable(t *testing.T) {
	for _, row := range []struct{ massPct, volumePct, densityGPerM3 int64 }{
		{10, 4, 1_070_000}, {30, 14, 1_230_000}, {50, 27, 1_450_000}, {80, 60, 2_000_000}, {90, 77, 2_280_000},
	} {
		density := tank.DensityOfMassShareGPerM3(row.massPct*10_000, 2670)
		near(t, "density", density, row.densityGPerM3, 10_000)
		near(t, "solids by volume", tank.SolidsByVolumePPM(density, 2670), row.volumePct*10_000, 6_000)
		near(t, "solids by mass", tank.SolidsByMassPPM(density, 2670), row.massPct*10_000, 2)
	}
}

// HEC-RAS Non-Newtonian reference manual, mixture density, recomputed independently
// for specific gravity 2.65.
func TestMixtureDensity(t *testing.T) {
	for _, row := range []struct{ densityGPerM3, volumePPM, massPPM int64 }{
		{1_100_000, 60_600, 146_000}, {1_200_000, 121_200, 267_700}, {1_400_000, 242_400, 458_900},
		{1_600_000, 363_600, 602_300}, {1_800_000, 484_800, 713_800},
	} {
		near(t, "solids by volume", tank.SolidsByVolumePPM(row.densityGPerM3, 2650), row.volumePPM, 50)
		near(t, "solids by mass", tank.SolidsByMassPPM(row.densityGPerM3, 2650), row.massPPM, 50)
		near(t, "density", tank.MixtureDensityGPerM3(tank.SolidsByVolumePPM(row.densityGPerM3, 2650), 2650), row.densityGPerM3, 2)
		p, err := tank.PhasesOfVolumeAndMass(1_000_000, row.densityGPerM3, 2650)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "solids of a cubic metre", p.SolidsG, row.volumePPM*2650/1000, 150)
		near(t, "its volume", p.VolumeML(2650), 1_000_000, 1)
	}
}

// Engineering ToolBox, slurry density: 30 % solids by mass of 2500 kg/m3 is printed
// as 1220 kg/m3; recomputed 1219.5.
func TestDensityOfMassShare(t *testing.T) {
	near(t, "density", tank.DensityOfMassShareGPerM3(300_000, 2500), 1_219_500, 50)
}

// Soil phase problems as set in textbooks, answers recomputed independently; the
// third is Das, Principles of Geotechnical Engineering (from memory). The first two
// take water as 62.4 lb/ft3, 0.05 % lighter than ours, which shows in the void ratio.
func TestSoilPhases(t *testing.T) {
	const poundG, cubicFootML = 453.59237, 28316.846592
	for _, row := range []struct {
		name                                                     string
		massG, volumeML                                          float64
		moisturePPM, particle                                    int64
		dryGPerM3, voidRatioPPM, porosityPPM, saturationPPM, tol int64
	}{
		{"330 lb in 3.00 ft3", 330 * poundG, 3 * cubicFootML, 270_000, 2720, 1_387_427, 959_600, 489_700, 765_000, 1000},
		{"12.72 lb in 0.1050 ft3", 12.72 * poundG, 0.1050 * cubicFootML, 95_000, 2700, 1_772_134, 522_900, 343_358, 491_000, 1300},
		{"177.6 N in 0.0093 m3", 177.6 / 9.80665 * 1000, 9300, 156_250, 2710, 1_684_200, 609_600, 378_700, 695_000, 1500},
	} {
		s, err := tank.SoilPhases(tank.Soil{VolumeML: int64(row.volumeML + 0.5), BulkDensityGPerM3: int64(row.massG/row.volumeML*1e6 + 0.5),
			MoisturePPM: row.moisturePPM, ParticleDensityKgPerM3: row.particle})
		if err != nil {
			t.Errorf("%s: %v", row.name, err)
		}
		near(t, row.name+": dry density", s.DryDensityGPerM3, row.dryGPerM3, 700)
		near(t, row.name+": void ratio", s.VoidRatioPPM, row.voidRatioPPM, row.tol)
		near(t, row.name+": porosity", s.PorosityPPM, row.porosityPPM, row.tol)
		near(t, row.name+": saturation", s.SaturationPPM, row.saturationPPM, row.tol)
	}
}

// Moisture 25.7 % at a dry density of 1.647 with specific gravity 2.65 is a
// saturation of 1.12 (recomputed independently): impossible.
func TestSoilOverSaturationIsRefused(t *testing.T) {
	s, err := tank.SoilPhases(tank.Soil{VolumeML: 1_000_000, BulkDensityGPerM3: 2_070_279, MoisturePPM: 257_000, ParticleDensityKgPerM3: 2650})
	if !errors.Is(err, tank.ErrImpossibleSaturation) {
		t.Fatalf("error is %v; want ErrImpossibleSaturation", err)
	}
	near(t, "saturation", s.SaturationPPM, 1_120_000, 5_000)
	// Just saturated is possible: e = w Gs, here 0.5 with particles of 2500 kg/m3.
	just := tank.Soil{VolumeML: 1_000_000, BulkDensityGPerM3: 2_000_000, MoisturePPM: 200_000, ParticleDensityKgPerM3: 2500}
	if s, err := tank.SoilPhases(just); err != nil || s.SaturationPPM != 1_000_000 {
		t.Errorf("just saturated soil gives %d ppm, %v; want 1000000 and no error", s.SaturationPPM, err)
	}
	just.BulkDensityGPerM3++
	if _, err := tank.SoilPhases(just); !errors.Is(err, tank.ErrImpossibleSaturation) {
		t.Errorf("a gram more a cubic metre gives %v; want ErrImpossibleSaturation", err)
	}
}

func TestImpossibleDensityIsRefused(t *testing.T) {
	for _, massG := range []int64{999_999, 2_650_001} {
		if _, err := tank.PhasesOfVolumeAndMass(1_000_000, massG, 2650); !errors.Is(err, tank.ErrImpossibleDensity) {
			t.Errorf("%d g in a cubic metre gives %v; want ErrImpossibleDensity", massG, err)
		}
	}
	for massG, want := range map[int64]tank.Phases{1_000_000: {WaterG: 1_000_000}, 2_650_000: {SolidsG: 2_650_000}} {
		if got, err := tank.PhasesOfVolumeAndMass(1_000_000, massG, 2650); err != nil || got != want {
			t.Errorf("%d g in a cubic metre gives %v, %v; want %v", massG, got, err, want)
		}
	}
}

// First principles, recomputed independently: from 4.742576 m3 at 1433.82 kg/m3 to
// 1700 kg/m3 takes 1.803399 m3 of clear water.
func TestDecantToDensity(t *testing.T) {
	got, ok := tank.DecantToDensityML(4_742_576, 1_433_820, 1_700_000)
	near(t, "decant", got, 1_803_399, 20) // the density is given to five figures
	if !ok {
		t.Error("a denser rest is said to be out of reach")
	}
	if _, ok := tank.DecantToDensityML(1_000_000, 1_500_000, 1_500_000); ok {
		t.Error("the density that the slurry has already needs a decant")
	}
}

// UK SI 1995/1907: class III in service, for an interval of 20 kg.
func TestWeighingLimits(t *testing.T) {
	for loadG, want := range map[int64]int64{10_000_000: 20_000, 10_000_001: 40_000, 40_000_000: 40_000, 40_000_001: 60_000} {
		if got := tank.WeighingLimitG(loadG, 20_000); got != want {
			t.Errorf("limit at %d g is %d; want %d", loadG, got, want)
		}
	}
}
