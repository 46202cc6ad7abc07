package manifest

import (
	"fmt"
	"slices"
	"strings"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
)

// story collects events in the order in which the ledger stores them.
type story struct {
	recs []events.Recorded
	seq  map[events.Source]uint64
}

const registered = "2026-01-01T00:00:00Z"

func newStory() *story {
	s := &story{seq: map[events.Source]uint64{}}
	s.revise("C-1", events.Carrier{Name: "Tarnmoor Groundworks", Address: "1 Quarry Lane, Tarnmoor", Registration: "CR-7781"})
	for _, id := range []string{"TM-01", "TM-02"} {
		s.revise(id, events.Truck{Name: "Truck " + id, Registration: "261-TM-" + id[3:], Carrier: "C-1", DebrisCapacityL: 20_000,
			FreshCapacityL: 4_000, TareKg: 14_000, PermittedGrossKg: 44_000, LevelTolerancePermille: 20})
	}
	s.revise("OP-1", events.Operator{Name: "Odhran Vale"})
	s.revise("CL-1", events.Client{Name: "Harrowmere Water", Address: "2 Weir Street, Tarnmoor", Contact: "01 555 0101"})
	s.revise("CL-2", events.Client{Name: "Quillbeck Fibre", Address: "3 Mast Road, Tarnmoor", Contact: "01 555 0102"})
	s.revise("J-101", events.Job{Client: "CL-1", Name: "Main renewal", SiteAddress: "Weir Street 10-40", OrderNumber: "HW-3301",
		TimeZone: "Europe/Dublin", RateCard: "RC-1", IndustryCode: "36000"})
	s.revise("J-102", events.Job{Client: "CL-2", Name: "Duct survey", SiteAddress: "Mast Road 5", OrderNumber: "QF-88",
		TimeZone: "Europe/Dublin", RateCard: "RC-1", IndustryCode: "61100"})
	s.revise("M-CLAY", clay())
	s.revise("M-SAND", events.Material{Description: "sandy made ground", WasteCode: "17 05 06", ClassifiedBy: "E. Marlow",
		ClassificationBasis: "laboratory report LR-2", ParticleDensityKgPerM3: 2650, SlurryDensityKgPerM3: 1300})
	oily := clay()
	oily.Description, oily.WasteCode, oily.Hazardous = "soil and stones containing hazardous substances", "17 05 03*", true
	s.revise("M-OIL", oily)
	s.revise("F-LAND", landfill())
	s.revise("F-WET", events.Facility{Name: "Sallow Treatment", Address: "Sallow Road, Tarnmoor", Class: events.LiquidTreatmentClass,
		Permit: "P-200", PermitFrom: "2026-01-01", PermitTo: "2027-12-31", AcceptedCodes: []string{"17 05 03*", "17 05 04", "17 05 06"},
		TimeZone: "Europe/Dublin"})
	s.revise("O-1", events.Outfall{Name: "Lagoon east", To: "settlement lagoon", Consent: "DC-9", TimeZone: "Europe/Dublin"})
	return s
}

func clay() events.Material {
	return events.Material{Description: "soil and stones other than those mentioned in 17 05 03", WasteCode: "17 05 04",
		ClassifiedBy: "E. Marlow", ClassificationBasis: "laboratory report LR-1", ParticleDensityKgPerM3: 2650, SlurryDensityKgPerM3: 1400}
}

func landfill() events.Facility {
	return events.Facility{Name: "Garrow Pit", Address: "Garrow Road, Tarnmoor", Class: events.LandfillClass, Permit: "P-100",
		PermitFrom: "2026-01-01", PermitTo: "2026-12-31", AcceptedCodes: []string{"17 05 04", "170506"}, WeighbridgeIntervalKg: 20,
		TimeZone: "Europe/Dublin"}
}

func (s *story) add(e events.Event) *story {
	s.seq[e.Source]++
	e.Seq = s.seq[e.Source]
	if e.ID == "" {
		e.ID = fmt.Sprintf("e-%06d", e.Seq)
	}
	s.recs = append(s.recs, events.Recorded{Event: e, Position: uint64(len(s.recs) + 1), At: e.Occurred})
	return s
}

func (s *story) revise(key string, d events.Document) *story {
	return s.reviseFrom(key, registered, d)
}

func (s *story) reviseFrom(key, from string, d events.Document) *story {
	return s.add(events.Event{Source: events.OfficeSource("yard"), Occurred: events.MustTime(registered), Origin: events.FromOffice,
		Body: events.RegisterRevised{Key: key, EffectiveFrom: events.MustTime(from), Author: "yard", Document: d}})
}

// at is a time on a day of October 2026 in Tarnmoor, "05 08:30".
func at(s string) events.Time { return events.MustTime("2026-10-" + s[:2] + "T" + s[3:] + ":00+01:00") }

func before(t events.Time, minutes int64) events.Time {
	t.UnixMS -= minutes * 60_000
	return t
}

func (s *story) truck(id events.TruckID, when string, job events.JobID, b events.Body) *story {
	return s.add(events.Event{Source: events.TruckSource(id), Truck: id, Occurred: at(when), Job: job, Operator: "OP-1",
		Origin: events.FromCrew, Body: b})
}

func kg(v int64) *events.Mass { return &events.Mass{MassG: v * 1000, Basis: events.Measured} }

func l(v int64) *events.Volume { return &events.Volume{VolumeML: v * 1000, Basis: events.Measured} }

func (s *story) load(when string, job events.JobID, m events.MaterialID, volumeL, massKg int64) *story {
	return s.truck("TM-01", when, job, events.LoadCollected{Start: before(at(when), 15), End: at(when), Material: m,
		SlurryVolume: l(volumeL), SlurryMass: kg(massKg)})
}

func (s *story) decant(when string, job events.JobID, volumeL int64, outfall events.OutfallID) *story {
	return s.truck("TM-01", when, job, events.WaterDecanted{Start: before(at(when), 10), End: at(when), Volume: *l(volumeL), Outfall: outfall})
}

func (s *story) tip(when string, f events.FacilityID) *story {
	return s.tipAs(when, events.SpoilTipped{Facility: f, Whole: true})
}

func (s *story) tipAs(when string, b events.SpoilTipped) *story {
	b.Start, b.End = before(at(when), 10), at(when)
	return s.truck("TM-01", when, "", b)
}

// lastTip returns the reference of the last event, which a docket then names.
func (s *story) last() events.Ref { return s.recs[len(s.recs)-1].Ref() }

func (s *story) docket(when string, tip events.Ref, f events.FacilityID, netG int64) *story {
	return s.add(events.Event{Source: events.OfficeSource("yard"), Truck: "TM-01", Occurred: at(when), Origin: events.FromOffice,
		Body: events.DocketReceived{Tip: tip, Facility: f, Number: fmt.Sprintf("D-%d", len(s.recs)), WeighedAt: at(when), NetG: netG}})
}

func october(t rapid.TB) reports.Request {
	t.Helper()
	return days(t, "2026-10-01", "2026-10-31")
}

func days(t rapid.TB, first, last string) reports.Request {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	p, err := reports.Days(first, last, zone)
	if err != nil {
		t.Fatal(err)
	}
	return reports.Request{Period: p}
}

// journal resolves the story, whose events must all be valid.
func (s *story) journal(t rapid.TB) *reports.Journal {
	t.Helper()
	for i := range s.recs {
		if err := s.recs[i].Validate(); err != nil {
			t.Fatalf("event %d: %v", i+1, err)
		}
	}
	return reports.Resolve(s.recs, uint64(len(s.recs)))
}

func (s *story) compute(t rapid.TB, o Options) *Report {
	t.Helper()
	return Compute(s.journal(t), october(t), o)
}

// one returns the only consignment.
func one(t rapid.TB, r *Report) *Consignment {
	t.Helper()
	if len(r.Consignments) != 1 {
		t.Fatalf("%d consignments, want 1", len(r.Consignments))
	}
	return &r.Consignments[0]
}

func codes(r *Report) []reports.Code {
	list := []reports.Code{}
	for _, f := range r.Findings {
		list = append(list, f.Code)
	}
	slices.Sort(list)
	return list
}

func wantCode(t rapid.TB, r *Report, code reports.Code, want int) {
	t.Helper()
	n := 0
	for _, f := range r.Findings {
		if f.Code == code {
			n++
			if len(f.Cites) == 0 {
				t.Errorf("finding %s cites nothing: %s", code, f.What)
			}
		}
	}
	if n != want {
		t.Errorf("%d findings %s, want %d; all: %v", n, code, want, codes(r))
	}
}

// texts returns everything that a document says, one text a line; citations only
// when asked for.
func texts(d reports.Document, cites bool) string {
	b := &strings.Builder{}
	line := func(format string, args ...any) { fmt.Fprintf(b, format+"\n", args...) }
	line("%s|%s", d.Report, d.Title)
	for _, f := range d.Subject {
		if f.Label != "Ledger position" {
			line("%s: %s", f.Label, f.Text)
		}
	}
	for _, n := range d.Notes {
		line("%s", n)
	}
	for _, tb := range d.Tables {
		line("# %s|%s|%s", tb.Name, tb.Title, tb.Note)
		for row := range tb.Rows {
			for i, c := range row.Cells {
				line("%s=%s/%d/%v", tb.Columns[i].Key, c.Text, c.Int, c.Empty)
			}
			if cites {
				line("%v", row.Cites)
			}
		}
		line("totals %v", tb.Totals)
	}
	for _, f := range d.Findings {
		line("%s %s %s %s %s %s %s", f.Code, f.Severity, f.Truck, f.Job, f.At, f.What, f.Settle)
		if cites {
			line("%v", f.Cites)
		}
	}
	for _, p := range d.Pictures {
		line("%v", p)
	}
	return b.String()
}
