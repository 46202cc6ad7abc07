package tank_test

import (
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

// Whatever passes validation folds without a panic and conserves: the largest and the
// smallest quantities, the lightest and the heaviest soil.
func TestExtremes(t *testing.T) {
	edge := func(t *rapid.T, max int64) int64 {
		return rapid.SampledFrom([]int64{0, 1, 2, 999, max / 2, max - 1, max}).Draw(t, "edge")
	}
	rapid.Check(t, func(t *rapid.T) {
		y := newYard()
		y.revise("M-EDGE", events.Material{Description: "edge", WasteCode: "1", BedVoidRatioPermille: edge(t, 10_000), MoisturePermille: edge(t, 20_000),
			ParticleDensityKgPerM3: rapid.SampledFrom([]int64{1100, 5000}).Draw(t, "particle"), SlurryDensityKgPerM3: rapid.SampledFrom([]int64{1000, 1100}).Draw(t, "typical"),
			BankDensityKgPerM3: rapid.SampledFrom([]int64{0, 500, 4000}).Draw(t, "bank")})
		volume := func() *events.Volume {
			return &events.Volume{VolumeML: edge(t, events.MaxVolumeML), ToleranceML: edge(t, events.MaxVolumeML), Basis: events.Measured}
		}
		mass := func() *events.Mass {
			return &events.Mass{MassG: edge(t, events.MaxMassG), ToleranceG: edge(t, events.MaxMassG), Basis: events.Measured}
		}
		for range rapid.IntRange(1, 20).Draw(t, "events") {
			var body events.Body
			switch rapid.IntRange(0, 10).Draw(t, "kind") {
			case 0:
				body = events.LoadCollected{Material: "M-EDGE", SlurryVolume: volume(), SlurryMass: mass(), JettingWater: volume()}
			case 1:
				moisture := edge(t, 20_000_000)
				body = events.LoadCollected{Material: "M-EDGE", Bank: &events.BankSoil{Volume: *volume(), MoisturePPM: &moisture,
					BulkDensityGPerM3: rapid.SampledFrom([]int64{0, 500_000, 4_000_000}).Draw(t, "bulk")}}
			case 2:
				density := rapid.SampledFrom([]int64{990_000, 1_000_001, 2_000_000}).Draw(t, "density")
				body = events.WaterDecanted{Volume: *volume(), DensityGPerM3: &density}
			case 3:
				suspended := edge(t, 1_000_000)
				body = events.WaterDecanted{Volume: *volume(), SuspendedSolidsMGPerL: &suspended}
			case 4:
				body = events.SpoilTipped{Facility: pit, Volume: volume()}
			case 5:
				body = events.SpoilTipped{Facility: pit, Mass: mass()}
			case 6:
				body = events.TankGauged{Tank: events.DebrisTank, Volume: *volume()}
			case 7:
				body = events.TankGauged{Tank: events.FreshTank, Volume: *volume()}
			case 8:
				ref := y.at("J-1", events.SpoilTipped{Facility: pit, PortionPPM: 1 + edge(t, 999_999)})
				body = events.DocketReceived{Tip: ref, Facility: pit, Number: "D", WeighedAt: y.now, NetG: edge(t, events.MaxMassG), ScaleIntervalG: edge(t, 1_000_000)}
			case 9:
				ref := y.at("J-1", events.SpoilTipped{Facility: pit, Volume: volume()})
				body = events.SpoilReturned{Facility: pit, Tip: ref, Mass: mass()}
			case 10:
				ref := y.at("J-1", events.SpoilTipped{Facility: pit, Mass: mass()})
				body = events.SpoilReturned{Facility: pit, Tip: ref, Volume: volume()}
			}
			y.at("J-1", body)
		}
		conserved(t, y.fold(tank.Options{FirstInFirstOut: rapid.Bool().Draw(t, "first in, first out")}))
	})
}
