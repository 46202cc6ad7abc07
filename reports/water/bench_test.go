package water_test

import (
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/water"
)

// BenchmarkCompute makes the report of a year of two trucks and walks its rows. It
// reports the time for one event.
func BenchmarkCompute(b *testing.B) {
	w := newTown()
	for day := range 250 {
		w.now.UnixMS = events.MustTime("2026-01-05T07:00:00.000Z").UnixMS + int64(day)*24*60*60*1000
		for _, id := range []events.TruckID{one, two} {
			workingDay(w, id)
		}
	}
	q := week(b, reports.Filter{})
	q.Period.From, q.Period.To = events.MustTime("2026-01-01T00:00:00.000Z"), events.MustTime("2027-01-01T00:00:00.000Z")
	j := reports.Resolve(w.recs, uint64(len(w.recs)))
	b.ReportAllocs()
	for b.Loop() {
		rows := 0
		for _, table := range water.Compute(j, q, water.Options{}).Document().Tables {
			for range table.Rows {
				rows++
			}
		}
		if rows < len(w.recs) {
			b.Fatalf("%d rows of %d events", rows, len(w.recs))
		}
	}
	b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N*len(w.recs)), "ns/event")
}

func workingDay(w *town, id events.TruckID) {
	for range 3 {
		w.refill(id, "", bore, 1_500_000)
		for range 4 {
			w.at(id, "J-1", events.LoadCollected{Material: "M-CLAY", Bank: &events.BankSoil{Volume: *measuredML(300_000)}, JettingWater: measuredML(350_000)})
		}
		w.at(id, "J-1", events.WaterDecanted{Volume: *measuredML(600_000), Outfall: lagoon, TurbidityMilliNTU: ptr(30_000)})
		w.at(id, "", events.WaterUsed{Purpose: events.ForWashing, Volume: *measuredML(80_000)})
		w.at(id, "", events.SpoilTipped{Facility: "F-PIT", Whole: true})
	}
}
