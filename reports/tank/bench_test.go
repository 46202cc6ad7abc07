package tank_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// BenchmarkFold folds a truck's year: ten loads, four decants, two tips with dockets,
// refills and gauges a day. It reports the time for one entry.
func BenchmarkFold(b *testing.B) {
	y := newYard()
	for range 250 {
		workingDay(y)
	}
	j := reports.Resolve(y.recs, uint64(len(y.recs)))
	n := len(j.Entries(truck))
	for _, o := range []struct {
		name string
		tank.Options
	}{{"mixed", tank.Options{}}, {"oldest", tank.Options{FirstInFirstOut: true}}, {"lean", tank.Options{OmitMovements: true}}} {
		b.Run(o.name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if a := tank.Fold(j, truck, o.Options); len(a.Tips) != 500 {
					b.Fatalf("%d tips", len(a.Tips))
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*n), "ns/entry")
		})
	}
}

func workingDay(y *yard) {
	job := events.JobID("J-1")
	for i := range 2 {
		y.at(job, events.WaterRefilled{WaterSource: mains, Volume: measuredML(2_500_000)})
		for range 5 {
			l := slurry(clay, 1_200_000, 1_700_000)
			l.JettingWater = measuredML(450_000)
			y.at(job, l)
			if i == 0 {
				job = "J-2"
			}
		}
		y.at(job, clearDecant(700_000))
		y.at(job, clearDecant(300_000))
		y.at("", events.TankGauged{Tank: events.DebrisTank, Volume: *measuredML(5_000_000)})
		tip := y.at("", events.SpoilTipped{Facility: pit, Whole: true})
		y.office(events.DocketReceived{Tip: tip, Facility: pit, Number: "D", WeighedAt: y.now, NetG: 7_500_000})
	}
}
