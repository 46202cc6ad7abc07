package tank_test

import (
	"fmt"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

const (
	truck = events.TruckID("TM-01")
	clay  = events.MaterialID("M-CLAY")
	silt  = events.MaterialID("M-SILT")
	pit   = events.FacilityID("F-PIT")
	sewer = events.OutfallID("O-SEWER")
	mains = events.WaterSourceID("W-MAINS")
)

// yard writes a ledger for one truck, an event a minute.
type yard struct {
	recs []events.Recorded
	seqs map[events.Source]uint64
	now  events.Time
}

// newYard returns a yard whose register knows two jobs, two materials, a facility
// with a 20 kg weighbridge, an outfall and a water source.
func newYard() *yard {
	y := &yard{seqs: map[events.Source]uint64{}, now: events.MustTime("2026-10-05T07:00:00.000+01:00")}
	y.revise(string(truck), events.Truck{Name: "One", Registration: "TM 1", Carrier: "tarnmoor", DebrisCapacityL: 8000,
		FreshCapacityL: 4000, TareKg: 15_000, PermittedGrossKg: 26_000, LevelTolerancePermille: 20})
	for _, job := range []string{"J-1", "J-2"} {
		y.revise(job, events.Job{Client: "C-1", Name: job, SiteAddress: "Quay, Tarnmoor", TimeZone: "Europe/Dublin", RateCard: "R-1"})
	}
	y.revise(string(clay), events.Material{Description: "clay", WasteCode: "17 05 04", ParticleDensityKgPerM3: 2650, SlurryDensityKgPerM3: 1400,
		BankDensityKgPerM3: 1900, MoisturePermille: 150})
	y.revise(string(silt), events.Material{Description: "silt", WasteCode: "17 05 06", ParticleDensityKgPerM3: 2700, SlurryDensityKgPerM3: 1300,
		BedVoidRatioPermille: 1500})
	y.revise(string(pit), events.Facility{Name: "Pit", Address: "Tarnmoor", Class: events.LiquidTreatmentClass, WeighbridgeIntervalKg: 20, TimeZone: "Europe/Dublin"})
	y.revise(string(sewer), events.Outfall{Name: "Sewer", To: "foul sewer", TimeZone: "Europe/Dublin"})
	y.revise(string(mains), events.WaterSource{Name: "Standpipe", Use: events.MainsStandpipe, MeterTolerancePermille: 20, TimeZone: "Europe/Dublin"})
	return y
}

func (y *yard) revise(key string, doc events.Document) {
	y.append(events.OfficeSource("yard"), "", "", events.RegisterRevised{Key: key, EffectiveFrom: events.MustTime("2026-01-01T00:00:00.000Z"), Author: "A", Document: doc})
}

func (y *yard) append(source events.Source, id events.TruckID, job events.JobID, body events.Body) events.Ref {
	y.seqs[source]++
	n := uint64(len(y.recs) + 1)
	r := events.Recorded{Position: n, At: y.now, Event: events.Event{ID: fmt.Sprintf("e-%d", n), Source: source, Seq: y.seqs[source],
		Occurred: y.now, Truck: id, Job: job, Origin: events.FromCrew, Body: body}}
	y.recs = append(y.recs, r)
	return r.Ref()
}

// at records a truck's event a minute after the one before.
func (y *yard) at(job events.JobID, body events.Body) events.Ref {
	y.now.UnixMS += 60_000
	return y.append(events.TruckSource(truck), truck, job, body)
}

// office records an event about the truck from the office's desk.
func (y *yard) office(body events.Body) events.Ref {
	y.now.UnixMS += 60_000
	return y.append(events.OfficeSource("yard"), truck, "", body)
}

func (y *yard) fold(o tank.Options) *tank.Account {
	return tank.Fold(reports.Resolve(y.recs, uint64(len(y.recs))), truck, o)
}

func measuredML(v int64) *events.Volume { return &events.Volume{VolumeML: v, Basis: events.Measured} }
func measuredG(v int64) *events.Mass    { return &events.Mass{MassG: v, Basis: events.Measured} }

// slurry is a load of known volume and mass.
func slurry(m events.MaterialID, volumeML, massG int64) events.LoadCollected {
	return events.LoadCollected{Material: m, SlurryVolume: measuredML(volumeML), SlurryMass: measuredG(massG)}
}

// slurryOf is a load whose mass is massG exactly, at a density of 1500 kg/m3.
func slurryOf(m events.MaterialID, massG int64) events.LoadCollected {
	return slurry(m, massG*2/3, massG)
}

func clearDecant(volumeML int64) events.WaterDecanted {
	return events.WaterDecanted{Volume: *measuredML(volumeML), Outfall: sewer}
}

func codes(a *tank.Account) map[reports.Code]int {
	n := map[reports.Code]int{}
	for _, f := range a.Findings {
		n[f.Code]++
	}
	return n
}

func near(t *testing.T, what string, got, want, within int64) {
	t.Helper()
	if d := got - want; d > within || d < -within {
		t.Errorf("%s is %d; want %d within %d", what, got, want, within)
	}
}

func wantCodes(t *testing.T, a *tank.Account, want map[reports.Code]int) {
	t.Helper()
	if got := codes(a); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("findings are %v; want %v", got, want)
		for _, f := range a.Findings {
			t.Logf("  %s: %s", f.Code, f.What)
		}
	}
}
