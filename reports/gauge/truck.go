package gauge

import (
	"errors"
	"fmt"

	"spoilbook/events"
)

// ErrNoGeometry is returned, wrapped, for a tank whose shape the register does not
// say.
var ErrNoGeometry = errors.New("neither a strapping table nor a diameter and a length in the register")

// Means says what turned a level into a volume.
type Means string

// The means, the better one first.
const (
	ByStrapping Means = "strapping table"
	ByCylinder  Means = "horizontal cylinder"
)

// OfTruck returns what one of a truck's tanks holds up to a level, rounded to the
// millilitre: by its strapping table where the register has one, and otherwise, for
// the debris tank, as a horizontal cylinder. It returns ErrNoGeometry, wrapped, where
// the register has neither, and ErrOutside, wrapped, for a level that the tank or its
// table does not have.
func OfTruck(truck events.Truck, tank events.Tank, levelMM int64) (volumeML int64, by Means, err error) {
	table := truck.FreshStrapping
	if tank == events.DebrisTank {
		table = truck.DebrisStrapping
	}
	if len(table) > 0 {
		volumeML, err = strapped(table, levelMM)
		return volumeML, ByStrapping, err
	}
	if tank != events.DebrisTank || truck.DebrisTankDiameterMM == 0 || truck.DebrisTankLengthMM == 0 {
		return 0, "", fmt.Errorf("volume at level %d mm of the %s tank: %w", levelMM, tank, ErrNoGeometry)
	}
	volumeML, err = HorizontalCylinder{DiameterMM: truck.DebrisTankDiameterMM, LengthMM: truck.DebrisTankLengthMM}.VolumeML(levelMM)
	return volumeML, ByCylinder, err
}

func strapped(table []events.StrappingPoint, levelMM int64) (int64, error) {
	marks := make([]Mark, len(table))
	for i, p := range table {
		marks[i] = Mark{LevelMM: p.LevelMM, VolumeML: p.VolumeL * 1000}
	}
	s, err := NewStrapping(marks)
	if err != nil {
		return 0, err
	}
	return s.VolumeML(levelMM)
}
