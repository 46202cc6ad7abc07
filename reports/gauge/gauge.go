// Package gauge turns what an instrument shows into the quantity that is wanted: a
// tank's level into a volume, by geometry or by a table that somebody made by filling
// the tank; a jet's pressure into a flow; a temperature into the density of water. And
// it says how deep a vacuum the air can give.
//
// For example the debris tank of a truck is a horizontal cylinder with flat ends,
// 1.8 m across and 4.2 m long. At a level of 1.2 m it holds
//
//	HorizontalCylinder{DiameterMM: 1800, LengthMM: 4200}.VolumeML(1200)
//
// 7.569 m3 of the 10.688 m3 it can hold, and ten millimetres more or less on the
// gauge are 71 L. A level outside the tank is refused, not cut to its edge: such a
// gauge is wrong, and so would be the volume.
//
// Domed ends, baffles, a piston, a tank that is tilted or a truck that does not
// stand level all make the true volume another one. Where a strapping table of the
// tank exists it is the better source ([Strapping]).
package gauge

import (
	"errors"
	"fmt"
	"math"
)

// ErrOutside is returned, wrapped, for a level that the tank does not have.
var ErrOutside = errors.New("outside the tank")

// CylinderM3 returns the volume in cubic metres below a level in a horizontal
// cylinder with flat ends, all lengths in metres:
//
//	V = L (r^2 acos((r-h)/r) - (r-h) sqrt(2rh - h^2))
//
// the area of a circular segment times the length (elementary geometry). The level
// must be from 0 to twice the radius.
func CylinderM3(radiusM, lengthM, levelM float64) float64 {
	above := radiusM - levelM // of the centre over the surface
	return lengthM * (radiusM*radiusM*math.Acos(above/radiusM) - above*math.Sqrt(max(0, 2*radiusM*levelM-levelM*levelM)))
}

// HorizontalCylinder is a tank in the shape of a lying cylinder with flat ends.
type HorizontalCylinder struct{ DiameterMM, LengthMM int64 }

// VolumeML returns the volume below a level, rounded to the millilitre. It returns
// ErrOutside, wrapped, for a level below the bottom or above the top.
func (t HorizontalCylinder) VolumeML(levelMM int64) (int64, error) {
	if t.DiameterMM <= 0 || t.LengthMM <= 0 {
		return 0, fmt.Errorf("volume of a cylinder: diameter %d mm, length %d mm: both must be above zero", t.DiameterMM, t.LengthMM)
	}
	if levelMM < 0 || levelMM > t.DiameterMM {
		return 0, fmt.Errorf("volume at level %d mm of a cylinder %d mm across: %w", levelMM, t.DiameterMM, ErrOutside)
	}
	const metre = 1000
	m3 := CylinderM3(float64(t.DiameterMM)/2/metre, float64(t.LengthMM)/metre, float64(levelMM)/metre)
	return int64(math.Round(m3 * 1_000_000)), nil
}

// SensitivityML returns what stepMM more on the gauge are worth at a level: the
// volume between the two. Near half full a gauge is worst, for the surface is widest.
func (t HorizontalCylinder) SensitivityML(levelMM, stepMM int64) (int64, error) {
	low, err := t.VolumeML(levelMM)
	if err != nil {
		return 0, err
	}
	high, err := t.VolumeML(levelMM + stepMM)
	if err != nil {
		return 0, err
	}
	return high - low, nil
}
