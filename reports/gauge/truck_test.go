package gauge_test

import (
	"errors"
	"testing"

	"spoilbook/events"
	"spoilbook/reports/gauge"
)

// A truck whose debris tank is the cylinder of 1.8 m by 4.2 m; at 1.2 m the formula,
// recomputed independently, gives 7.56912 m3.
func cylinderTruck() events.Truck {
	return events.Truck{DebrisTankDiameterMM: 1800, DebrisTankLengthMM: 4200}
}

func TestLevelOfTruck(t *testing.T) {
	strapped := cylinderTruck()
	strapped.DebrisStrapping = []events.StrappingPoint{{LevelMM: 0, VolumeL: 0}, {LevelMM: 1000, VolumeL: 6000}, {LevelMM: 1800, VolumeL: 10_400}}
	strapped.FreshStrapping = []events.StrappingPoint{{LevelMM: 0, VolumeL: 20}, {LevelMM: 800, VolumeL: 2020}}
	one := strapped
	one.DebrisStrapping = one.DebrisStrapping[:1]
	for name, c := range map[string]struct {
		truck events.Truck
		tank  events.Tank
		level int64
		want  int64
		by    gauge.Means
		err   error
	}{
		"cylinder":               {cylinderTruck(), events.DebrisTank, 1200, 7_569_120, gauge.ByCylinder, nil},
		"the table wins":         {strapped, events.DebrisTank, 1200, 7_100_000, gauge.ByStrapping, nil},
		"fresh by table":         {strapped, events.FreshTank, 400, 1_020_000, gauge.ByStrapping, nil},
		"fresh without one":      {cylinderTruck(), events.FreshTank, 400, 0, "", gauge.ErrNoGeometry},
		"no geometry":            {events.Truck{DebrisTankDiameterMM: 1800}, events.DebrisTank, 400, 0, "", gauge.ErrNoGeometry},
		"above the cylinder":     {cylinderTruck(), events.DebrisTank, 1801, 0, gauge.ByCylinder, gauge.ErrOutside},
		"above the table":        {strapped, events.DebrisTank, 1801, 0, gauge.ByStrapping, gauge.ErrOutside},
		"a table of a line only": {one, events.DebrisTank, 0, 0, gauge.ByStrapping, errAny},
	} {
		got, by, err := gauge.OfTruck(c.truck, c.tank, c.level)
		wrong := err != nil && c.err == nil || c.err != nil && err == nil || c.err != nil && c.err != errAny && !errors.Is(err, c.err)
		if d := got - c.want; d < -5 || d > 5 || by != c.by || wrong {
			t.Errorf("%s: %d mL by %q, %v; want %d by %q, %v", name, got, by, err, c.want, c.by, c.err)
		}
	}
}

// errAny stands for any error at all.
var errAny = errors.New("any")
