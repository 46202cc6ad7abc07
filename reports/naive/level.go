package naive

import (
	"math"
	"math/big"

	"spoilbook/events"
)

// Shown returns the volume that a gauge shows, in whole millilitres; ok is false for a
// level that what the register says of the truck does not turn into one.
func (l Ledger) Shown(e events.Event, g events.TankGauged) (ml *big.Rat, ok bool) {
	if g.LevelMM == nil {
		return whole(g.Volume.VolumeML), true
	}
	truck, _ := l.documentAt(events.TruckRegister, string(e.Truck), e.Occurred).(events.Truck)
	level, table := *g.LevelMM, truck.FreshStrapping
	if g.Tank == events.DebrisTank {
		table = truck.DebrisStrapping
	}
	for i := range table {
		if table[i].LevelMM == level {
			return whole(table[i].VolumeL * 1000), true
		}
		if i > 0 && table[i-1].LevelMM < level && level < table[i].LevelMM { // along a straight line
			rise := mul(ratio(level-table[i-1].LevelMM, table[i].LevelMM-table[i-1].LevelMM), whole(table[i].VolumeL-table[i-1].VolumeL))
			return rounded(mul(add(whole(table[i-1].VolumeL), rise), whole(1000))), true
		}
	}
	r := float64(truck.DebrisTankDiameterMM) / 2
	if len(table) > 0 || g.Tank != events.DebrisTank || r == 0 || level > truck.DebrisTankDiameterMM {
		return nil, false
	}
	// The circular segment by the angle under which the centre sees the surface.
	angle := 2 * math.Acos(1-float64(level)/r)
	return whole(int64(math.Round(r * r / 2 * (angle - math.Sin(angle)) * float64(truck.DebrisTankLengthMM) / 1000))), true
}

// CapacityML returns what the register says that the debris tank can hold at a time.
func (l Ledger) CapacityML(truck events.TruckID, at events.Time) *big.Rat {
	doc, _ := l.documentAt(events.TruckRegister, string(truck), at).(events.Truck)
	return whole(doc.DebrisCapacityL * 1000)
}
