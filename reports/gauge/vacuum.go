package gauge

import "math"

// StandardPressurePa returns the air pressure of the standard atmosphere at an
// altitude in metres above sea level (ICAO standard atmosphere, troposphere: 101,325
// Pa, 288.15 K, falling 6.5 K a kilometre; constants from memory). The weather moves
// the true pressure a few kilopascals up and down. A vacuum, stated as pressure below
// the air around it, can not be deeper than that air.
func StandardPressurePa(altitudeM int64) int64 {
	const (
		seaLevelPa = 101_325
		seaLevelK  = 288.15
		lapseKPerM = 0.0065
		exponent   = 9.80665 * 0.0289644 / (8.314462618 * lapseKPerM)
	)
	return int64(math.Round(seaLevelPa * math.Pow(1-lapseKPerM*float64(altitudeM)/seaLevelK, exponent)))
}
