package axles

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
)

// ledger collects events of TM-01 on 5 October and revisions of the register.
type ledger struct{ recs []events.Recorded }

func clock(minute int) events.Time {
	return events.TimeOf(time.Date(2026, 10, 5, 6, minute, 0, 0, time.FixedZone("", 3600)))
}

func (l *ledger) put(minute int, job events.JobID, body events.Body) {
	n := uint64(len(l.recs) + 1)
	l.recs = append(l.recs, events.Recorded{Position: n, At: clock(minute), Event: events.Event{ID: fmt.Sprintf("E-%06d", n),
		Source: "/truck/TM-01", Seq: n, Occurred: clock(minute), Truck: "TM-01", Job: job, Origin: events.FromCrew, Body: body}})
}

func (l *ledger) revise(key string, d events.Document) {
	n := uint64(len(l.recs) + 1)
	l.recs = append(l.recs, events.Recorded{Position: n, At: clock(0), Event: events.Event{ID: fmt.Sprintf("R-%06d", n), Source: "/office/yard",
		Seq: n, Occurred: clock(0), Origin: events.FromOffice,
		Body: events.RegisterRevised{Key: key, EffectiveFrom: events.MustTime("2026-01-01T00:00:00.000Z"), Author: "Yard", Document: d}}})
}

// load brings litres of slurry of a mass in kilograms.
func (l *ledger) load(minute int, litres, kg int64) {
	l.put(minute, "J-1", events.LoadCollected{Start: clock(minute - 10), End: clock(minute), Material: "M-CLAY",
		SlurryVolume: &events.Volume{VolumeML: litres * 1000, Basis: events.Measured}, SlurryMass: &events.Mass{MassG: kg * 1000, Basis: events.Measured}})
}

// truck is the one of the package comment: the debris tank 1.1 m before the rear axle.
func truck() events.Truck {
	return events.Truck{Name: "Heron", Registration: "T 1", Carrier: "TARNMOOR", DebrisCapacityL: 8_000, FreshCapacityL: 2_000,
		TareKg: 15_000, PermittedGrossKg: 25_000, DebrisTankFromFrontMM: 4_100, FreshTankFromFrontMM: 2_600,
		DebrisTankDiameterMM: 1_800, DebrisTankLengthMM: 4_200,
		Axles: []events.Axle{{Name: "front axle", FromFrontMM: 0, TareKg: 6_800, PermittedKg: 8_500},
			{Name: "rear pair", FromFrontMM: 5_200, TareKg: 8_200, PermittedKg: 16_000}}}
}

func clay() events.Material {
	return events.Material{Description: "clay", WasteCode: "17 05 04", ParticleDensityKgPerM3: 2_650, SlurryDensityKgPerM3: 1_500}
}

func newLedger(t events.Truck) *ledger {
	l := &ledger{}
	l.revise("TM-01", t)
	l.revise("M-CLAY", clay())
	return l
}

func (l *ledger) report(t interface{ Fatal(...any) }, f reports.Filter, o Options) *Report {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	p, err := reports.Days("2026-10-05", "2026-10-06", zone)
	if err != nil {
		t.Fatal(err)
	}
	return Compute(reports.Resolve(l.recs, uint64(len(l.recs))), reports.Request{Period: p, Filter: f}, o)
}

func (r *Report) trips() string {
	b := &strings.Builder{}
	for i := range r.Trips {
		t := &r.Trips[i]
		fmt.Fprintf(b, "%s > %s %d kg\n", t.From, t.To, t.Weight.GrossG/1000)
	}
	return b.String()
}

func codes(fs []reports.Finding) string {
	list := []string{}
	for _, f := range fs {
		list = append(list, string(f.Code))
	}
	return strings.Join(list, " ")
}

// A day of two loads, whose docket comes a day later: 9000 kg aboard put 8703.8 and 15,296.2 kg on the axles
// (statics, recomputed independently), 203.8 kg more than the front may carry.
func TestDayByHand(t *testing.T) {
	l := newLedger(truck())
	l.put(0, "", events.ShiftStarted{})
	l.put(30, "J-1", events.SiteArrived{})
	l.load(60, 4_000, 5_000)
	l.load(120, 3_000, 4_000)
	l.put(180, "J-1", events.SiteLeft{})
	l.put(210, "J-1", events.FacilityArrived{Facility: "F-1"})
	l.put(240, "J-1", events.SpoilTipped{Start: clock(220), End: clock(240), Facility: "F-1", Whole: true})
	l.put(260, "J-1", events.FacilityLeft{Facility: "F-1"})
	l.put(300, "", events.ShiftEnded{})
	l.put(1_500, "", events.DocketReceived{Tip: events.Ref{Source: "/truck/TM-01", ID: "E-000009"}, Facility: "F-1", Number: "1", NetG: 9_000_000})
	r := l.report(t, reports.Filter{}, Options{})
	const want = "not on record > site of J-1 15000 kg\nsite of J-1 > F-1 24000 kg\nF-1 > end of the shift 15000 kg\n"
	if got := r.trips(); got != want {
		t.Errorf("journeys\n%s\nwant\n%s", got, want)
	}
	w := r.Trips[1].Weight
	if (w.FrontG+50)/100 != 87_038 || (w.RearG+50)/100 != 152_962 {
		t.Errorf("front %d g, rear %d g", w.FrontG, w.RearG)
	}
	if codes(r.Findings) != "axle-over-permitted" || !strings.Contains(r.Findings[0].What, "front axle carried 8,704 kg") {
		t.Errorf("found %v", r.Findings)
	}
	if !slices.Equal(r.Trips[1].Cites, []uint64{6, 7, 8}) {
		t.Errorf("the journey cites %v, want the leaving, the arrival and the last load", r.Trips[1].Cites)
	}
	// After the first load the front has (8500 - 6800 - 5000*1.1/5.2) * 5.2/1.1 kg left.
	if room := r.Loads[0].Room; room.Governs != ByFront || room.MassG/1000 != 3_036 || *room.VolumeG != 6_000_000 {
		t.Errorf("room %+v", room)
	}
	if len(r.Days) != 1 || r.Days[0].Weight.GrossG != 24_000_000 || r.Days[0].At != clock(120) {
		t.Errorf("days %+v", r.Days)
	}
	rows := slices.Collect(r.truckTable().Rows)
	if len(rows) != 1 || rows[0].Cells[8].Int/1000 != 10_687 || rows[0].Cells[2].Int != 15_000_000 {
		t.Errorf("truck %+v", rows)
	}
}

// On site a truck may hold too much; what counts is what it leaves with.
func TestDecantBeforeLeaving(t *testing.T) {
	l := newLedger(truck())
	l.put(30, "J-1", events.SiteArrived{})
	l.load(60, 7_000, 9_000)
	l.put(100, "J-1", events.WaterDecanted{Start: clock(90), End: clock(100), Volume: events.Volume{VolumeML: 1_500_000, Basis: events.Measured}})
	l.put(180, "J-1", events.SiteLeft{})
	r := l.report(t, reports.Filter{}, Options{})
	if len(r.Findings) != 0 || r.Trips[1].Weight.GrossG != 22_500_000 || r.Days[0].Weight.GrossG != 24_000_000 {
		t.Errorf("found %q; journeys\n%s", codes(r.Findings), r.trips())
	}
	if r.Loads[0].Room.MassG >= 0 {
		t.Errorf("room on site %d g, want what must go", r.Loads[0].Room.MassG)
	}
}

func TestGrossOver(t *testing.T) {
	doc := truck()
	doc.PermittedGrossKg = 20_000
	l := newLedger(doc)
	l.load(60, 4_000, 5_500)
	l.put(180, "J-1", events.SiteLeft{})
	l.put(300, "", events.ShiftEnded{})
	r := l.report(t, reports.Filter{}, Options{})
	if codes(r.Findings) != "over-permitted-gross" || !strings.Contains(r.Findings[0].What, "20,500 kg") {
		t.Errorf("found %v", r.Findings)
	}
}

// Water taken aboard on the way counts, and what the fresh tank holds lies elsewhere.
func TestFreshWaterOnTheWay(t *testing.T) {
	l := newLedger(truck())
	l.put(20, "J-1", events.SiteLeft{})
	l.put(50, "", events.WaterRefilled{Start: clock(40), End: clock(50), WaterSource: "W-1", Volume: &events.Volume{VolumeML: 2_000_000, Basis: events.Measured}})
	l.put(80, "J-1", events.SiteArrived{})
	r := l.report(t, reports.Filter{}, Options{})
	// 2000 kg half way between the axles.
	if w := r.Trips[0].Weight; w.FreshG != 2_000_000 || w.FrontG != 7_800_000 || w.RearG != 9_200_000 {
		t.Errorf("weight %+v", w)
	}
}

func TestJourneysWithGaps(t *testing.T) {
	for name, c := range map[string]struct {
		kinds []events.Kind // half an hour apart, at J-1 and F-1
		want  string
	}{
		"whole":                  {[]events.Kind{"site.left", "facility.arrived", "spoil.tipped", "facility.left", "site.arrived"}, "site of J-1 > F-1, F-1 > site of J-1"},
		"no arrival":             {[]events.Kind{"site.left", "spoil.tipped", "facility.left"}, "site of J-1 > F-1, F-1 > not on record"},
		"no leaving":             {[]events.Kind{"site.arrived", "spoil.tipped"}, "not on record > site of J-1, not on record > F-1"},
		"tipped twice":           {[]events.Kind{"facility.arrived", "spoil.tipped", "spoil.tipped"}, "not on record > F-1"},
		"left twice":             {[]events.Kind{"site.left", "site.left", "shift.ended"}, "site of J-1 > not on record, site of J-1 > end of the shift"},
		"a load on the way":      {[]events.Kind{"facility.left", "load.collected"}, "F-1 > site of J-1, arrival not on record"},
		"from the yard":          {[]events.Kind{"shift.started", "site.arrived", "shift.ended", "site.arrived"}, "not on record > site of J-1, not on record > site of J-1"},
		"tipped after a day off": {[]events.Kind{"facility.arrived", "shift.ended", "spoil.tipped"}, "not on record > F-1, not on record > F-1"},
	} {
		l := newLedger(truck())
		for i, k := range c.kinds {
			at := 60 + 30*i
			spec, _ := events.SpecOf(k)
			body := events.Deref(spec.New())
			switch body.(type) {
			case events.FacilityArrived:
				body = events.FacilityArrived{Facility: "F-1"}
			case events.FacilityLeft:
				body = events.FacilityLeft{Facility: "F-1"}
			case events.SpoilTipped:
				body = events.SpoilTipped{Start: clock(at - 5), End: clock(at), Facility: "F-1", Whole: true}
			case events.LoadCollected:
				l.load(at, 2_000, 2_500)
				continue
			}
			l.put(at, "J-1", body)
		}
		got := []string{}
		for _, trip := range l.report(t, reports.Filter{}, Options{}).Trips {
			got = append(got, trip.From+" > "+trip.To)
		}
		if strings.Join(got, ", ") != c.want {
			t.Errorf("%s: %s; want %s", name, strings.Join(got, ", "), c.want)
		}
	}
}

func TestWhyThereAreNoAxles(t *testing.T) {
	axle := func(at, tare int64) events.Axle {
		return events.Axle{Name: fmt.Sprint(at), FromFrontMM: at, TareKg: tare, PermittedKg: 9_000}
	}
	for name, c := range map[string]struct {
		change func(*events.Truck)
		why    string
	}{
		"two":          {func(*events.Truck) {}, ""},
		"none":         {func(d *events.Truck) { d.Axles = nil }, "no axles"},
		"one":          {func(d *events.Truck) { d.Axles = d.Axles[:1] }, "1 axle group,"},
		"three apart":  {func(d *events.Truck) { d.Axles = append(d.Axles, axle(9_000, 100)) }, "3 axle groups,"},
		"a rear pair":  {func(d *events.Truck) { d.Axles = []events.Axle{axle(0, 6_800), axle(5_800, 4_100), axle(4_600, 4_100)} }, ""},
		"no debris":    {func(d *events.Truck) { d.DebrisTankFromFrontMM = 0 }, "where the debris tank lies"},
		"no fresh":     {func(d *events.Truck) { d.FreshTankFromFrontMM = 0 }, "where the fresh tank lies"},
		"none to fill": {func(d *events.Truck) { d.FreshTankFromFrontMM, d.FreshCapacityL = 0, 0 }, ""},
	} {
		doc := truck()
		c.change(&doc)
		l := newLedger(doc)
		l.load(60, 7_000, 9_000)
		l.put(180, "J-1", events.SiteLeft{})
		r := l.report(t, reports.Filter{}, Options{})
		if got := r.Trips[0].Weight.Why; (got == "") != (c.why == "") || !strings.Contains(got, c.why) || r.Trucks[0].Why != got {
			t.Errorf("%s: %q, want %q", name, got, c.why)
		}
		row := slices.Collect(r.tripTable().Rows)[0]
		if blank := row.Cells[10].Empty; blank != (c.why != "") || row.Cells[8].Int != 24_000_000 {
			t.Errorf("%s: row %+v", name, row.Cells)
		}
	}
	l := &ledger{}
	l.load(60, 7_000, 9_000)
	l.put(180, "J-1", events.SiteLeft{})
	r := l.report(t, reports.Filter{}, Options{})
	if w := r.Trips[0].Weight; w.Known || w.DebrisG != 9_000_000 || r.Trucks[0].Why == "" || r.Loads[0].HasRoom {
		t.Errorf("a truck that nobody knows: %+v", w)
	}
}

// A pair entered as two axles stands at its middle, and each carries half of what is
// added; the bridge formula then sees three axles.
func TestBridgeRule(t *testing.T) {
	doc := truck()
	doc.Axles = []events.Axle{{Name: "steer", FromFrontMM: 0, TareKg: 6_800, PermittedKg: 8_500},
		{Name: "drive 1", FromFrontMM: 4_600, TareKg: 4_300, PermittedKg: 9_000}, {Name: "drive 2", FromFrontMM: 5_800, TareKg: 3_900, PermittedKg: 9_000}}
	l := newLedger(doc)
	l.load(60, 7_000, 9_000)
	l.put(180, "J-1", events.SiteLeft{})
	r := l.report(t, reports.Filter{}, Options{Rule: USBridge})
	w := r.Trips[0].Weight
	if len(w.Axles) != 3 || w.Axles[0].MassG != w.FrontG || w.Axles[1].MassG+w.Axles[2].MassG != w.RearG || w.Axles[1].MassG-w.Axles[2].MassG != 400_000 {
		t.Errorf("axles %+v of %d and %d g", w.Axles, w.FrontG, w.RearG)
	}
	// Three axles over 5.8 m, 19 ft: 500 (19*3/2 + 36 + 36) = 50,250, a tie that goes
	// down to 50,000 lb or 22.7 t, and the truck weighs 24. The pair's 15.3 t are 33,723
	// of 34,000 lb.
	if codes(r.Findings) != "axle-over-permitted bridge-formula-exceeded" || !strings.Contains(r.Findings[1].What, "50,000 lb") {
		t.Errorf("found %v", r.Findings)
	}
	row := slices.Collect(r.bridgeTable().Rows)[0]
	if row.Cells[4].Int != 1 || row.Cells[5].Int != 3 || row.Cells[8].Int >= 0 {
		t.Errorf("row %+v", row.Cells)
	}
	if plain := l.report(t, reports.Filter{}, Options{}); codes(plain.Findings) != "axle-over-permitted" {
		t.Errorf("without the rule: %v", plain.Findings)
	}
}

func TestNarrowed(t *testing.T) {
	l := newLedger(truck())
	l.load(60, 2_000, 2_500)
	l.put(180, "J-2", events.SiteLeft{})
	l.put(190, "J-1", events.SiteArrived{})
	l.put(200, "J-1", events.SiteLeft{})
	r := l.report(t, reports.Filter{Job: "J-1"}, Options{})
	if len(r.Trips) != 1 || len(r.Loads) != 1 || len(r.Days) != 0 {
		t.Errorf("%d journeys, %d loads, %d days", len(r.Trips), len(r.Loads), len(r.Days))
	}
	if r := l.report(t, reports.Filter{Truck: "TM-09"}, Options{}); len(r.Trips)+len(r.Loads)+len(r.Days)+len(r.Trucks) != 0 {
		t.Errorf("another truck: %+v", r)
	}
}

// drawLedger draws a few days of a truck in any order.
func drawLedger(r *rapid.T) *ledger {
	l := newLedger(truck())
	for range rapid.IntRange(0, 30).Draw(r, "events") {
		minute := rapid.IntRange(10, 2_000).Draw(r, "minute")
		at := clock(minute)
		switch rapid.IntRange(0, 8).Draw(r, "kind") {
		case 0, 1:
			volume := rapid.Int64Range(100, 5_000).Draw(r, "litres")
			l.load(minute, volume, volume*rapid.Int64Range(1_000, 2_000).Draw(r, "density")/1_000)
		case 2:
			l.put(minute, "J-1", events.WaterDecanted{Start: at, End: at, Volume: events.Volume{VolumeML: 400_000, Basis: events.Measured}})
		case 3:
			l.put(minute, "J-1", events.SpoilTipped{Start: at, End: at, Facility: "F-1", PortionPPM: rapid.SampledFrom([]int64{400_000, 1_000_000}).Draw(r, "part")})
		case 4:
			l.put(minute, "", events.WaterRefilled{Start: at, End: at, WaterSource: "W-1", Volume: &events.Volume{VolumeML: 900_000, Basis: events.Measured}})
		case 5:
			l.put(minute, "J-1", events.SiteLeft{})
		case 6:
			l.put(minute, "J-1", events.SiteArrived{})
		case 7:
			l.put(minute, "J-1", events.FacilityLeft{Facility: "F-1"})
		case 8:
			l.put(minute, "", events.TankGauged{Tank: events.DebrisTank, Volume: events.Volume{VolumeML: 2_000_000, Basis: events.Measured, ToleranceML: 50_000}})
		}
	}
	return l
}

func text(d reports.Document) string {
	b := &strings.Builder{}
	for _, table := range d.Tables {
		for row := range table.Rows {
			fmt.Fprintln(b, table.Name, row.Cells)
		}
	}
	for _, f := range d.Findings {
		fmt.Fprintln(b, f.Code, f.At, f.Truck, f.Job, f.What)
	}
	return b.String()
}

// Whatever is recorded, in whatever order it came: the axles carry the gross, the
// tanks never hold less than nothing, rows have a cell for each column, findings are
// those of rows with a negative margin, and nothing depends on the order of arrival.
func TestLaws(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := drawLedger(r)
		rep := l.report(r, reports.Filter{}, Options{})
		over := 0
		for i := range rep.Trips {
			w := &rep.Trips[i].Weight
			if w.FrontG+w.RearG != w.GrossG || w.DebrisG < 0 || w.FreshG < 0 || w.GrossG != 15_000_000+w.DebrisG+w.FreshG {
				r.Fatalf("weight %+v", w)
			}
			for _, margin := range []int64{w.GrossMarginG(), w.FrontMarginG, w.RearMarginG} {
				if margin < 0 {
					over++
				}
			}
		}
		if over != len(rep.Findings) {
			r.Fatalf("%d margins below zero, found %q", over, codes(rep.Findings))
		}
		for i := range rep.Days {
			for k := range rep.Loads {
				if rep.Days[i].Date == rep.Request.Period.Day(rep.Loads[k].Entry.Occurred) && rep.Loads[k].Weight.GrossG > rep.Days[i].Weight.GrossG {
					r.Fatalf("%s: a load is heavier than the day", rep.Days[i].Date)
				}
			}
		}
		for _, table := range rep.Document().Tables {
			for row := range table.Rows {
				if len(row.Cells) != len(table.Columns) {
					r.Fatalf("%s: %d cells under %d columns", table.Name, len(row.Cells), len(table.Columns))
				}
			}
		}
		shuffled := &ledger{rapid.Permutation(l.recs).Draw(r, "arrival")}
		for i := range shuffled.recs {
			shuffled.recs[i].Position = uint64(i + 1)
		}
		if a, b := text(rep.Document()), text(shuffled.report(r, reports.Filter{}, Options{}).Document()); a != b {
			r.Fatalf("in order\n%s\nas they came\n%s", a, b)
		}
	})
}

// The report of one truck is its part of the fleet's.
func TestTrucksStandAlone(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		a, b := drawLedger(r), drawLedger(r)
		one := a.report(r, reports.Filter{}, Options{})
		both := &ledger{recs: slices.Clone(a.recs)}
		for _, rec := range b.recs {
			if rec.Truck != "" {
				rec.Truck, rec.Source, rec.Position = "TM-02", "/truck/TM-02", uint64(len(both.recs)+1)
				both.recs = append(both.recs, rec)
			}
		}
		mine, all := both.report(r, reports.Filter{Truck: "TM-01"}, Options{}), both.report(r, reports.Filter{}, Options{})
		if x, y := text(one.Document()), text(mine.Document()); x != y {
			r.Fatalf("alone\n%s\nbeside another\n%s", x, y)
		}
		other := both.report(r, reports.Filter{Truck: "TM-02"}, Options{})
		if len(all.Trips) != len(mine.Trips)+len(other.Trips) || len(all.Loads) != len(mine.Loads)+len(other.Loads) ||
			len(all.Days) != len(mine.Days)+len(other.Days) || len(all.Findings) != len(mine.Findings)+len(other.Findings) {
			r.Fatalf("the fleet has %d journeys, the trucks %d and %d", len(all.Trips), len(mine.Trips), len(other.Trips))
		}
	})
}
