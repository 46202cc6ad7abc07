package timeline_test

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
	"spoilbook/reports/tank"
	"spoilbook/reports/timeline"
	"spoilbook/reports/timesplit"
)

var dublin = func() *time.Location {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		panic(err)
	}
	return zone
}()

// record is entries of trucks, at local times of Tarnmoor such as "2026-10-05 08:30".
type record struct {
	t    interface{ Fatal(...any) }
	recs []events.Recorded
}

func (r *record) at(text string) events.Time {
	t, err := time.ParseInLocation("2006-01-02 15:04", text, dublin)
	if err != nil {
		r.t.Fatal(err)
	}
	return events.TimeOf(t)
}

func (r *record) add(at events.Time, truck events.TruckID, job events.JobID, body events.Body) {
	n := uint64(len(r.recs) + 1)
	source := events.OfficeSource("register")
	if truck != "" {
		source = events.TruckSource(truck)
	}
	seq := uint64(1)
	for i := range r.recs {
		if r.recs[i].Source == source {
			seq++
		}
	}
	r.recs = append(r.recs, events.Recorded{Position: n, At: at, Event: events.Event{ID: fmt.Sprint(n), Source: source, Seq: seq, Occurred: at, Truck: truck, Job: job,
		Operator: "OP-1", Origin: events.FromCrew, Body: body}})
}

func (r *record) day(date string, now events.Time, trucks ...events.TruckID) *timeline.Report {
	p, err := reports.Days(date, date, dublin)
	if err != nil {
		r.t.Fatal(err)
	}
	j := reports.Resolve(r.recs, uint64(len(r.recs)))
	busy, _ := timeline.Busy(j, p, trucks)
	return timeline.Compute(j, p, busy, timeline.Options{Now: now})
}

func registered(t interface{ Fatal(...any) }) *record {
	r := &record{t: t}
	for _, id := range []string{"TM-01", "TM-02"} {
		r.add(r.at("2026-10-01 05:00"), "", "", events.RegisterRevised{Key: id, EffectiveFrom: events.MustTime("2026-01-01T00:00:00Z"), Author: "Yard office",
			Document: events.Truck{Name: "Heron " + id, Registration: "261-TR-1", Carrier: "TARNMOOR", DebrisCapacityL: 8000, FreshCapacityL: 2000, TareKg: 14000, PermittedGrossKg: 26000}})
	}
	return r
}

func (r *record) load(from, to string, litres int64) events.LoadCollected {
	return events.LoadCollected{Start: r.at(from), End: r.at(to), Material: "M-CLAY", SlurryVolume: &events.Volume{VolumeML: litres * 1000, Basis: events.Measured, ToleranceML: litres * 10},
		SlurryMass: &events.Mass{MassG: litres * 1400, Basis: events.Measured, ToleranceG: litres * 14}}
}

func shown(t *timeline.Truck) string {
	var b strings.Builder
	for i := range t.Slices {
		s := &t.Slices[i]
		fmt.Fprintf(&b, "%s %s %d\n", s.From.Std().In(dublin).Format("15:04"), s.Activity, s.LengthMS()/60_000)
	}
	return b.String()
}

func whats(t *timeline.Truck) string {
	var list []string
	for _, l := range t.Lacks {
		text := string(l.What)
		if l.Later {
			text += " later"
		}
		list = append(list, text)
	}
	return strings.Join(list, ", ")
}

// The day of the package comment.
func TestAMorning(t *testing.T) {
	r := registered(t)
	day := "2026-10-05 "
	r.add(r.at(day+"06:30"), "TM-01", "", events.ShiftStarted{Crew: []events.OperatorID{"OP-2"}})
	r.add(r.at(day+"07:40"), "TM-01", "J-101", events.SiteArrived{})
	r.add(r.at(day+"08:30"), "TM-01", "J-101", r.load(day+"08:00", day+"08:30", 3000))
	r.add(r.at(day+"12:00"), "TM-01", "J-101", events.SiteLeft{})
	got := r.day("2026-10-05", r.at(day+"12:00"))
	if len(got.Trucks) != 1 || got.Position != 6 {
		t.Fatalf("%+v", got)
	}
	truck := &got.Trucks[0]
	if want := "06:30 travel 70\n07:40 on-site 20\n08:00 loading 30\n08:30 on-site 210\n"; shown(truck) != want {
		t.Errorf("time:\n%swant\n%s", shown(truck), want)
	}
	if truck.Name != "Heron TM-01" || len(truck.Shifts) != 1 || !truck.Shifts[0].Open || !slices.Equal(truck.Shifts[0].Aboard, []string{"OP-1", "OP-2"}) {
		t.Errorf("shift: %+v", truck.Shifts)
	}
	if len(truck.Levels) != 2 || truck.Levels[0].DebrisML != 0 || truck.Levels[1].At != r.at(day+"08:30") || truck.Levels[1].DebrisML != 3_000_000 || truck.Levels[1].DebrisToleranceML == 0 {
		t.Errorf("levels: %+v", truck.Levels)
	}
	if len(truck.Marks) != 4 || truck.Marks[2].VolumeML != 3_000_000 || truck.Marks[2].After == nil || truck.Marks[2].After.DebrisML != 3_000_000 {
		t.Errorf("marks: %+v", truck.Marks)
	}
	if len(truck.Capacities) != 1 || truck.Capacities[0].DebrisML != 8_000_000 || truck.Capacities[0].FreshML != 2_000_000 {
		t.Errorf("capacities: %+v", truck.Capacities)
	}
	if got := truck.LevelAt(r.at(day + "08:29")).DebrisML; got != 0 {
		t.Errorf("before the load was over the tank holds %d mL", got)
	}
	if got := truck.LevelAt(r.at(day + "08:30")).DebrisML; got != 3_000_000 {
		t.Errorf("after the load the tank holds %d mL", got)
	}
}

func TestWhatADayLacks(t *testing.T) {
	r := registered(t)
	day := "2026-10-05 "
	r.add(r.at(day+"06:30"), "TM-01", "", events.ShiftStarted{})
	r.add(r.at(day+"07:40"), "TM-01", "J-101", events.SiteArrived{})
	r.add(r.at(day+"08:30"), "TM-01", "J-101", r.load(day+"08:00", day+"08:30", 3000))
	r.add(r.at(day+"09:00"), "TM-01", "J-101", events.EmergencyStopPressed{Station: events.StationRear})
	r.add(r.at(day+"09:05"), "TM-01", "J-101", events.PlantRestarted{})
	r.add(r.at(day+"09:30"), "TM-01", "", events.WaterDecanted{Start: r.at(day + "09:20"), End: r.at(day + "09:30"), Volume: events.Volume{VolumeML: 500_000, Basis: events.Measured}})
	r.add(r.at(day+"10:00"), "TM-01", "J-101", events.SiteLeft{})
	r.add(r.at(day+"10:40"), "TM-01", "", events.FacilityArrived{Facility: "F-1"})
	r.add(r.at(day+"11:00"), "TM-01", "", events.SpoilTipped{Start: r.at(day + "10:50"), End: r.at(day + "11:00"), Facility: "F-1", Whole: true})
	during := r.day("2026-10-05", r.at(day+"11:05"))
	// Care of the end of the shift is due later; the pre-start check is due before the arrival at 07:40.
	if got, want := whats(&during.Trucks[0]), "care, stop-cause, stop-reset, outfall, docket, shift-end later, care later, care later, care later, care later"; got != want {
		t.Errorf("while the shift is on: %s; want %s", got, want)
	}
	r.add(r.at(day+"11:20"), "TM-01", "", events.FacilityLeft{Facility: "F-1"})
	r.add(r.at(day+"15:00"), "TM-01", "", events.ShiftEnded{})
	tip := r.recs[10]
	if tip.Kind() != events.KindSpoilTipped {
		t.Fatalf("the tip is a %s", tip.Kind())
	}
	r.add(r.at("2026-10-07 09:00"), "TM-01", "", events.DocketReceived{Tip: tip.Ref(), Facility: "F-1", Number: "D-77", WeighedAt: r.at(day + "10:45"), NetG: 3_600_000})
	over := r.day("2026-10-05", r.at("2026-10-08 08:00"))
	truck := &over.Trucks[0]
	if got := whats(truck); strings.Contains(got, "docket") || strings.Contains(got, "later") || strings.Contains(got, "shift-end") {
		t.Errorf("when it is over: %s", got)
	}
	tips := slices.IndexFunc(truck.Marks, func(m timeline.Mark) bool { return m.Kind() == events.KindSpoilTipped })
	if d := truck.Marks[tips].Docket; d == nil || d.Number != "D-77" || d.NetG != 3_600_000 || d.Position != 14 {
		t.Errorf("docket of the tip: %+v", d)
	}
	if later := r.day("2026-10-07", events.Time{}); len(later.Trucks) != 1 || len(later.Trucks[0].Marks) != 1 || later.Trucks[0].Marks[0].MassG != 3_600_000 {
		t.Errorf("the day on which the docket came: %+v", later.Trucks)
	}
}

// A shift over the night in which the clock goes back: an hour is there twice, the load that crosses midnight is in both days, and the tank
// fills on the day on which the load was over.
func TestOverMidnightAndTheClockChange(t *testing.T) {
	r := registered(t)
	second := events.MustTime("2026-10-25T01:30:00.000Z") // the second 01:30
	r.add(r.at("2026-10-24 23:00"), "TM-01", "", events.ShiftStarted{})
	r.add(r.at("2026-10-24 23:00"), "TM-01", "J-1", events.SiteArrived{})
	load := r.load("2026-10-24 23:30", "2026-10-24 23:30", 3000)
	load.End = second
	r.add(second, "TM-01", "J-1", load)
	r.add(r.at("2026-10-25 02:00"), "TM-01", "J-1", events.SiteLeft{})
	r.add(r.at("2026-10-25 02:00"), "TM-01", "", events.ShiftEnded{})
	saturday, sunday := r.day("2026-10-24", events.Time{}), r.day("2026-10-25", events.Time{})
	if hours := (sunday.Period.To.UnixMS - sunday.Period.From.UnixMS) / 3_600_000; hours != 25 {
		t.Fatalf("the Sunday has %d hours", hours)
	}
	if got, want := shown(&saturday.Trucks[0]), "23:00 on-site 30\n23:30 loading 30\n"; got != want {
		t.Errorf("Saturday:\n%swant\n%s", got, want)
	}
	if got, want := shown(&sunday.Trucks[0]), "00:00 loading 150\n01:30 on-site 30\n"; got != want {
		t.Errorf("Sunday:\n%swant\n%s", got, want)
	}
	if s := sunday.Trucks[0].Slices[0]; s.Began != r.at("2026-10-24 23:30") || s.Ended != second {
		t.Errorf("the whole load is from %s to %s", s.Began, s.Ended)
	}
	for name, c := range map[string]struct {
		truck *timeline.Truck
		marks int
		steps int
		end   int64
	}{"Saturday": {&saturday.Trucks[0], 3, 1, 0}, "Sunday": {&sunday.Trucks[0], 3, 2, 3_000_000}} {
		if n := len(c.truck.Marks); n != c.marks {
			t.Errorf("%s has %d marks, want %d", name, n, c.marks)
		}
		if n := len(c.truck.Levels); n != c.steps || c.truck.Levels[n-1].DebrisML != c.end {
			t.Errorf("%s: levels %+v", name, c.truck.Levels)
		}
	}
	if m := saturday.Trucks[0].Marks[2]; m.After != nil || m.Kind() != events.KindLoadCollected {
		t.Errorf("on Saturday the load is not in the tank yet: %+v", m)
	}
}

// A day between two others of one long shift has no entry of its own and is drawn all the same.
func TestADayInsideAShift(t *testing.T) {
	r := registered(t)
	r.add(r.at("2026-10-05 22:00"), "TM-01", "", events.ShiftStarted{})
	r.add(r.at("2026-10-05 23:00"), "TM-01", "J-1", events.SiteArrived{})
	r.add(r.at("2026-10-07 02:00"), "TM-01", "J-1", events.SiteLeft{})
	r.add(r.at("2026-10-07 03:00"), "TM-01", "", events.ShiftEnded{})
	between := r.day("2026-10-06", events.Time{})
	if len(between.Trucks) != 1 || between.Trucks[0].Truck != "TM-01" || shown(&between.Trucks[0]) != "00:00 on-site 1440\n" {
		t.Fatalf("%+v", between.Trucks)
	}
	if after := r.day("2026-10-08", events.Time{}); len(after.Trucks) != 0 {
		t.Errorf("the day after has %+v", after.Trucks)
	}
	j := reports.Resolve(r.recs, uint64(len(r.recs)))
	if busy, idle := timeline.Busy(j, between.Period, []events.TruckID{"TM-02", "TM-99"}); len(busy) != 0 || !slices.Equal(idle, []events.TruckID{"TM-02"}) {
		t.Errorf("busy %v, idle %v", busy, idle)
	}
}

// Whatever is recorded in whatever order, days hold what the time split and the tank's fold hold: the slices of all days sum to the shifts, the
// levels at any moment are those of a fold of what had occurred by then, and each day goes on where the one before ended.
func TestDaysAgreeWithSplitAndFold(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := registered(t)
		from := r.at("2026-10-24 00:00")
		minute := int64(0)
		for range rapid.IntRange(1, 40).Draw(t, "entries") {
			minute += int64(rapid.IntRange(0, 400).Draw(t, "gap"))
			end := events.Time{UnixMS: from.UnixMS + minute*60_000}
			start := events.Time{UnixMS: end.UnixMS - int64(rapid.IntRange(0, 200).Draw(t, "length"))*60_000}
			volume := events.Volume{VolumeML: int64(rapid.IntRange(1, 4000).Draw(t, "litres")) * 1000, Basis: events.Measured}
			load := events.LoadCollected{Start: start, End: end, Material: "M-CLAY", SlurryVolume: &volume}
			r.add(end, "TM-01", "J-1", rapid.SampledFrom([]events.Body{events.ShiftStarted{}, events.ShiftEnded{}, events.SiteArrived{}, events.SiteLeft{},
				load, load, events.WaterDecanted{Start: start, End: end, Volume: volume}, events.SpoilTipped{Start: start, End: end, Facility: "F-1", Whole: true},
				events.WaterRefilled{Start: start, End: end, WaterSource: "W-1", Volume: &volume}, events.EmergencyStopPressed{Station: events.StationCab},
				events.PlantRestarted{}, events.StandbyStarted{Cause: events.Weather}, events.TankGauged{Tank: events.DebrisTank, Volume: volume}}).Draw(t, "body"))
		}
		j := reports.Resolve(r.recs, uint64(len(r.recs)))
		whole, _, _ := timesplit.PartitionAll(j, "TM-01")
		var want, got int64
		for i := range whole {
			want += whole[i].LengthMS()
		}
		var before *timeline.Level
		for date := time.Date(2026, 10, 22, 12, 0, 0, 0, time.UTC); date.Before(time.Date(2026, 11, 8, 0, 0, 0, 0, time.UTC)); date = date.AddDate(0, 0, 1) {
			day := date.Format(time.DateOnly)
			p, err := reports.Days(day, day, dublin)
			if err != nil {
				t.Fatal(err)
			}
			truck := timeline.Compute(j, p, []events.TruckID{"TM-01"}, timeline.Options{}).Trucks[0]
			got += checkDay(t, j, p, &truck)
			if first := truck.Levels[0]; before != nil && (first.DebrisML != before.DebrisML || first.FreshML != before.FreshML || first.DebrisToleranceML != before.DebrisToleranceML) {
				t.Fatalf("%s begins with %+v after %+v", day, first, *before)
			}
			before = &truck.Levels[len(truck.Levels)-1]
			if busy, _ := timeline.Busy(j, p, nil); len(truck.Slices)+len(truck.Marks)+len(truck.Outside) > 0 && !slices.Contains(busy, "TM-01") {
				t.Fatalf("%s has %d slices and %d marks and counts as idle", day, len(truck.Slices), len(truck.Marks))
			}
		}
		if got != want {
			t.Fatalf("the days hold %d ms of shifts of %d ms", got, want)
		}
	})
}

func checkDay(t *rapid.T, j *reports.Journal, p reports.Period, truck *timeline.Truck) (ms int64) {
	at := p.From
	for i := range truck.Slices {
		s := &truck.Slices[i]
		if s.From.Before(at) || !s.From.Before(s.To) || p.To.Before(s.To) || s.From.Before(s.Began) || s.Ended.Before(s.To) {
			t.Fatalf("slice %+v after %s", s, at)
		}
		at = s.To
		ms += s.LengthMS()
	}
	for i := range truck.Levels {
		l := truck.LevelAt(truck.Levels[i].At)
		if l.Position == 0 {
			continue
		}
		a := tank.Fold(j.Until(l.At), truck.Truck, tank.Options{})
		if l.At.Before(p.From) || !l.At.Before(p.To) || a.Debris.VolumeML() != l.DebrisML || a.FreshML != l.FreshML || a.DebrisToleranceML != l.DebrisToleranceML {
			t.Fatalf("at %s %+v; a fold until then has %d, %d, %d", l.At, l, a.Debris.VolumeML(), a.DebrisToleranceML, a.FreshML)
		}
	}
	return ms
}
