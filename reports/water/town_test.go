package water_test

import (
	"fmt"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/water"
)

const (
	one, two = events.TruckID("TM-01"), events.TruckID("TM-02")
	mains    = events.WaterSourceID("W-MAINS") // a public standpipe that asks for a backflow device
	bore     = events.WaterSourceID("W-BORE")  // with a permit and 5000 L a day
	recycled = events.WaterSourceID("W-RECYCLED")
	sewer    = events.OutfallID("O-SEWER") // every limit on single readings
	lagoon   = events.OutfallID("O-LAGOON")
)

// town writes a ledger of two trucks, an event at a time.
type town struct {
	recs []events.Recorded
	seqs map[events.Source]uint64
	now  events.Time
}

func newTown() *town {
	w := &town{seqs: map[events.Source]uint64{}, now: events.MustTime("2026-10-05T07:00:00.000+01:00")} // a Monday
	for _, id := range []events.TruckID{one, two} {
		w.revise(string(id), events.Truck{Name: "T", Registration: "T", Carrier: "tarnmoor", DebrisCapacityL: 8000, FreshCapacityL: 4000,
			TareKg: 15_000, PermittedGrossKg: 40_000, LevelTolerancePermille: 20})
	}
	for job, client := range map[string]events.ClientID{"J-1": "C-1", "J-2": "C-2"} {
		w.revise(job, events.Job{Client: client, Name: job, SiteAddress: "Quay, Tarnmoor", TimeZone: "Europe/Dublin", RateCard: "R-1"})
	}
	w.revise("M-CLAY", events.Material{Description: "clay", WasteCode: "17 05 04", ParticleDensityKgPerM3: 2650, SlurryDensityKgPerM3: 1400, BankDensityKgPerM3: 1900, MoisturePermille: 150})
	w.revise(string(mains), events.WaterSource{Name: "Standpipe", Use: events.MainsStandpipe, Meter: "M-1", BackflowRequired: true, TimeZone: "Europe/Dublin"})
	w.revise(string(bore), events.WaterSource{Name: "Bore", Use: events.BoreSource, Permit: "P-9", Meter: "M-2", MeterTolerancePermille: 50, DailyCapL: 5000, TimeZone: "Europe/Dublin"})
	w.revise(string(recycled), events.WaterSource{Name: "Recycling", Use: events.RecycledSource, TimeZone: "Europe/Dublin"})
	w.revise(string(sewer), events.Outfall{Name: "Sewer", To: "foul sewer", Consent: "S-1", ConsentFrom: "2026-01-01", ConsentTo: "2026-10-31", DailyLimitL: 3000,
		TurbidityLimitNTU: 100, SuspendedSolidsLimitMGPerL: 400, PHMinHundredths: 600, PHMaxHundredths: 900, TimeZone: "Europe/Dublin"})
	w.revise(string(lagoon), events.Outfall{Name: "Lagoon", To: "settlement lagoon", Consent: "S-2", TurbidityLimitNTU: 50, TurbidityWeeklyAverage: true, TimeZone: "Europe/Dublin"})
	return w
}

func (w *town) revise(key string, doc events.Document) {
	w.append(events.OfficeSource("yard"), "", "", events.RegisterRevised{Key: key, EffectiveFrom: events.MustTime("2026-01-01T00:00:00.000Z"), Author: "A", Document: doc})
}

func (w *town) append(source events.Source, id events.TruckID, job events.JobID, body events.Body) {
	w.seqs[source]++
	n := uint64(len(w.recs) + 1)
	w.recs = append(w.recs, events.Recorded{Position: n, At: w.now, Event: events.Event{ID: fmt.Sprintf("e-%s-%d", id, w.seqs[source]), Source: source, Seq: w.seqs[source],
		Occurred: w.now, Truck: id, Job: job, Origin: events.FromCrew, Body: body}})
}

func (w *town) at(id events.TruckID, job events.JobID, body events.Body) {
	w.now.UnixMS += 60_000
	w.append(events.TruckSource(id), id, job, body)
}

func (w *town) read(source events.WaterSourceID, meter string, readingML int64) {
	w.now.UnixMS += 60_000
	w.append(events.OfficeSource("yard"), "", "", events.MeterRead{WaterSource: source, Meter: meter, ReadingML: readingML})
}

func (w *town) refill(id events.TruckID, job events.JobID, source events.WaterSourceID, ml int64) {
	w.at(id, job, events.WaterRefilled{WaterSource: source, Volume: measuredML(ml), BackflowDevice: events.AirGap, Start: w.now, End: w.now})
}

// week asks for Monday 5 to Sunday 11 October 2026.
func week(t testing.TB, f reports.Filter) reports.Request {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	p, err := reports.Days("2026-10-05", "2026-10-11", zone)
	if err != nil {
		t.Fatal(err)
	}
	return reports.Request{Period: p, Filter: f}
}

func (w *town) compute(q reports.Request) *water.Report {
	return water.Compute(reports.Resolve(w.recs, uint64(len(w.recs))), q, water.Options{})
}

func measuredML(v int64) *events.Volume { return &events.Volume{VolumeML: v, Basis: events.Measured} }

func wantCodes(t *testing.T, r *water.Report, want map[reports.Code]int) {
	t.Helper()
	got := map[reports.Code]int{}
	for _, f := range r.Findings {
		got[f.Code]++
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("findings are %v; want %v", got, want)
		for _, f := range r.Findings {
			t.Logf("  %s: %s", f.Code, f.What)
		}
	}
}
