package gauge_test

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events/units"
	"spoilbook/reports/gauge"
)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > within {
		t.Errorf("%s: %v, want %v to %v", what, got, want, within)
	}
}

// Published examples of a partly filled horizontal cylinder: 48 in across and 96 in
// long at 19.2 in, in US gallons (recomputed independently), and radius 0.725 m,
// length 10 m with an empty segment of 0.2 m.
func TestPublishedCylinders(t *testing.T) {
	const inch, gallon = 0.0254, 0.003785411784
	near(t, "48 in x 96 in at 19.2 in, US gal", gauge.CylinderM3(24*inch, 96*inch, 19.2*inch)/gallon, 280.9, 0.05)
	near(t, "48 in x 96 in full, US gal", gauge.CylinderM3(24*inch, 96*inch, 48*inch)/gallon, 752.0, 0.05)
	near(t, "radius 0.725 m, empty segment 0.2 m", gauge.CylinderM3(0.725, 10, 2*0.725-0.2), 15.138, 0.0005)
}

// The formula recomputed independently for radius 0.9 m and length 4.2 m.
func TestCylinderOfATruck(t *testing.T) {
	tank := gauge.HorizontalCylinder{DiameterMM: 1800, LengthMM: 4200}
	for level, want := range map[int64]int64{0: 0, 450: 2_089_460, 900: 5_343_850, 1200: 7_569_120, 1800: 10_687_700} {
		got, err := tank.VolumeML(level)
		if d := got - want; err != nil || d < -5 || d > 5 { // the figures are printed to 10 mL
			t.Errorf("level %d mm: %d mL, %v; want %d", level, got, err, want)
		}
	}
	if got, err := tank.SensitivityML(1195, 10); err != nil || got < 71_250 || got > 71_350 {
		t.Errorf("10 mm around 1.2 m: %d mL, %v; want 71.3 L", got, err)
	}
}

func TestLevelsOutsideAreRefused(t *testing.T) {
	tank := gauge.HorizontalCylinder{DiameterMM: 1800, LengthMM: 4200}
	for _, level := range []int64{-1, 1801, math.MinInt64, math.MaxInt64} {
		if v, err := tank.VolumeML(level); !errors.Is(err, gauge.ErrOutside) {
			t.Errorf("level %d: %d mL, %v", level, v, err)
		}
	}
	if v, err := tank.SensitivityML(1795, 10); !errors.Is(err, gauge.ErrOutside) {
		t.Errorf("a step above the top: %d mL, %v", v, err)
	}
	if v, err := tank.SensitivityML(-3, 10); !errors.Is(err, gauge.ErrOutside) {
		t.Errorf("a step from below the bottom: %d mL, %v", v, err)
	}
	for _, bad := range []gauge.HorizontalCylinder{{0, 1}, {1, 0}, {-5, 10}} {
		if v, err := bad.VolumeML(0); err == nil || errors.Is(err, gauge.ErrOutside) {
			t.Errorf("%+v: %d mL, %v", bad, v, err)
		}
	}
}

// A cylinder fills as it empties: the volume below a level and that below the same
// distance from the top make the whole, a higher level never holds less, and the
// exact volume is the integral of the chord (midpoint rule).
func TestCylinderLaws(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		tank := gauge.HorizontalCylinder{DiameterMM: rapid.Int64Range(1, 4000).Draw(r, "diameter"), LengthMM: rapid.Int64Range(1, 20_000).Draw(r, "length")}
		level := rapid.Int64Range(0, tank.DiameterMM).Draw(r, "level")
		volume := func(mm int64) int64 {
			v, err := tank.VolumeML(mm)
			if err != nil {
				r.Fatal(err)
			}
			return v
		}
		whole := volume(tank.DiameterMM)
		if d := volume(level) + volume(tank.DiameterMM-level) - whole; d < -1 || d > 1 {
			r.Fatalf("%d mm of %+v: the two parts differ from the whole by %d mL", level, tank, d)
		}
		if level > 0 && volume(level) < volume(level-1) {
			r.Fatalf("%+v holds less at %d mm than below", tank, level)
		}
		const steps = 2000
		radius, sum := float64(tank.DiameterMM)/2, 0.0
		for i := range steps {
			h := (float64(i) + 0.5) / steps * float64(level)
			sum += 2 * math.Sqrt(h*(2*radius-h))
		}
		want := sum * float64(level) / steps * float64(tank.LengthMM) / 1000
		if d := math.Abs(float64(volume(level)) - want); d > 1+float64(whole)*1e-4 {
			r.Fatalf("%+v at %d mm: %d mL, the integral is %.1f", tank, level, volume(level), want)
		}
	})
}

func TestStrapping(t *testing.T) {
	s, err := gauge.NewStrapping([]gauge.Mark{{100, 0}, {200, 300_000}, {400, 1_300_001}, {500, 1_300_001}})
	if err != nil {
		t.Fatal(err)
	}
	for level, want := range map[int64]int64{100: 0, 150: 150_000, 200: 300_000, 201: 305_000, 300: 800_001, 400: 1_300_001, 450: 1_300_001, 500: 1_300_001} {
		if got, err := s.VolumeML(level); err != nil || got != want {
			t.Errorf("level %d: %d mL, %v; want %d", level, got, err, want)
		}
	}
	for _, level := range []int64{99, 501, -4} {
		if got, err := s.VolumeML(level); !errors.Is(err, gauge.ErrOutside) {
			t.Errorf("level %d: %d mL, %v", level, got, err)
		}
	}
}

func TestStrappingsWithMistakes(t *testing.T) {
	for name, marks := range map[string][]gauge.Mark{
		"none": nil, "one": {{0, 0}}, "falling volume": {{0, 5}, {1, 4}}, "level twice": {{0, 0}, {0, 1}},
		"falling level": {{5, 0}, {4, 1}}, "negative": {{0, -1}, {1, 0}}, "too many": make([]gauge.Mark, 10_001),
	} {
		if _, err := gauge.NewStrapping(marks); err == nil {
			t.Errorf("%s: accepted", name)
		}
	}
	marks := []gauge.Mark{{0, 0}, {10, 10}}
	s, err := gauge.NewStrapping(marks)
	if err != nil {
		t.Fatal(err)
	}
	marks[1].VolumeML = 99
	if got, _ := s.VolumeML(10); got != 10 {
		t.Errorf("the table changed under its owner: %d", got)
	}
}

// A table taken from a cylinder every 20 mm is within the bow of the curve between
// two marks.
func TestStrappingAgreesWithItsTank(t *testing.T) {
	tank := gauge.HorizontalCylinder{DiameterMM: 1700, LengthMM: 3600}
	marks := []gauge.Mark{}
	for level := int64(0); level <= 1700; level += 20 {
		v, err := tank.VolumeML(level)
		if err != nil {
			t.Fatal(err)
		}
		marks = append(marks, gauge.Mark{LevelMM: level, VolumeML: v})
	}
	s, err := gauge.NewStrapping(marks)
	if err != nil {
		t.Fatal(err)
	}
	for level := range int64(1701) {
		byTable, err := s.VolumeML(level)
		exact, _ := tank.VolumeML(level)
		if d := byTable - exact; err != nil || d < -3_000 || d > 3_000 {
			t.Fatalf("level %d: %d by table, %d by geometry, %v", level, byTable, exact, err)
		}
	}
}

// 29.92 inHg at sea level and 26.54 at 1000 m: the standard atmosphere, from memory
// (confidence 95 %).
func TestStandardPressure(t *testing.T) {
	for altitude, want := range map[int64]string{0: "29.92", 1000: "26.54"} {
		if got := units.InchOfMercury.Show(gauge.StandardPressurePa(altitude), 2); got != want {
			t.Errorf("%d m: %s inHg, want %s", altitude, got, want)
		}
	}
}
