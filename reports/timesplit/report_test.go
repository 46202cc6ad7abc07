package timesplit

import (
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

func TestNearestRank(t *testing.T) {
	// The nearest-rank method: the smallest value with at least the share of the
	// values at or below it.
	for _, c := range []struct {
		lengths []int64
		percent int
		want    int64
	}{
		{nil, 50, 0}, {[]int64{7}, 90, 7}, {[]int64{50, 15, 35, 20, 40}, 30, 20}, {[]int64{50, 15, 35, 20, 40}, 40, 20},
		{[]int64{50, 15, 35, 20, 40}, 50, 35}, {[]int64{50, 15, 35, 20, 40}, 100, 50}, {[]int64{4, 3, 2, 1}, 50, 2},
		{[]int64{10, 9, 8, 7, 6, 5, 4, 3, 2, 1}, 90, 9}, {[]int64{11, 10, 9, 8, 7, 6, 5, 4, 3, 2, 1}, 90, 10},
	} {
		if got := nearestRank(c.lengths, c.percent); got != c.want {
			t.Errorf("%d %% of %v is %d, want %d", c.percent, c.lengths, got, c.want)
		}
	}
}

func TestLongWorkWithoutRest(t *testing.T) {
	// NZTA work time: 30 minutes after five and a half hours. 5:30 is at the
	// limit, 5:31 is beyond it.
	for _, c := range []struct {
		story string
		want  int
	}{
		{"06:00 shift.started\n11:30 shift.ended", 0},
		{"06:00 shift.started\n11:31 shift.ended", 1},
		{"06:00 shift.started\n11:30 rest.started\n12:00 rest.ended\n17:30 shift.ended", 0},
		{"06:00 shift.started\n11:00 rest.started\n11:29 rest.ended\n12:00 shift.ended", 1},
		{"06:00 shift.started\n12:00 rest.started\n12:30 rest.ended\n18:30 shift.ended", 2},
	} {
		l := newLedger(t)
		l.say(c.story)
		rep := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{})
		n := 0
		for _, f := range rep.Findings {
			if f.Code == reports.WorkWithoutRest {
				n++
				if !strings.Contains(f.What, "no certification") {
					t.Errorf("the warning says %q", f.What)
				}
			}
		}
		if n != c.want {
			t.Errorf("%q: %d warnings, want %d", c.story, n, c.want)
		}
	}
}

// register puts a truck of 5 m3 and 9 t payload with 1 t of fresh water.
func (l *ledger) register(dumpMinutes int64) {
	l.recs = append(l.recs, events.Recorded{Position: uint64(len(l.recs) + 1), At: l.at("00:00"), Event: events.Event{
		ID: "r", Source: events.OfficeSource("yard"), Seq: 1, Occurred: l.at("00:00"), Origin: events.FromOffice,
		Body: events.RegisterRevised{Key: "TM-01", EffectiveFrom: l.at("00:00"), Author: "A", Document: events.Truck{Name: "One", Registration: "X",
			Carrier: "C", DebrisCapacityL: 5_000, FreshCapacityL: 1_000, TareKg: 15_000, PermittedGrossKg: 25_000, DumpMinutes: dumpMinutes}}}})
}

// busyDay is four loads of 2 m3, each followed by a decant of 0.6 m3, and one dump
// of 90 minutes. Without a density in the register a load of 2 m3 weighs 2.8 t.
func busyDay(l *ledger) {
	l.say("06:00 shift.started\n06:00 site.arrived J-1")
	for _, h := range []string{"06", "07", "08", "09"} {
		l.load(h+":00", h+":30", "J-1")
		l.decant(h+":30", h+":40")
	}
	l.say("10:00 site.left J-1\n10:30 facility.arrived")
	l.tip("10:40", "10:50")
	l.say("11:00 facility.left\n11:30 shift.ended")
}

func TestReplayWithoutDecanting(t *testing.T) {
	l := newLedger(t)
	l.register(60)
	busyDay(l)
	rep := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{})
	if len(rep.Replays) != 1 {
		t.Fatalf("replays: %+v, findings %v", rep.Replays, rep.Findings)
	}
	// By hand: 2, 4, then 6 > 5 so a trip, 2, 4, and the last trip: two. With the
	// decants 1.4, 2.8, 4.2, then 6.2 > 5, so a trip, and the last: also two. The
	// record made do with one, for it went over the tank's capacity.
	p := rep.Replays[0]
	if p.Loads != 4 || p.RecordedTrips != 1 || p.PlainTrips != 2 || p.DecantTrips != 2 || p.OverLoads != 0 {
		t.Errorf("replay is %+v", p)
	}
	const minute = 60_000
	if p.CycleMS != 90*minute || p.DecantMS != 40*minute || p.SavedTrips() != 0 || p.SavedMS() != -40*minute {
		t.Errorf("cycle %d, decants %d, saved %d trips and %d ms", p.CycleMS, p.DecantMS, p.SavedTrips(), p.SavedMS())
	}
}

func TestReplayUnderThePayloadLimit(t *testing.T) {
	l := newLedger(t)
	l.register(45)
	l.say("06:00 shift.started\n06:00 site.arrived J-1")
	for _, h := range []string{"06", "07", "08"} {
		l.put(h+":30", "J-1", events.LoadCollected{Start: l.at(h + ":00"), End: l.at(h + ":30"), Material: "M",
			SlurryVolume: &events.Volume{VolumeML: 1_500_000, Basis: events.Measured}, SlurryMass: &events.Mass{MassG: 3_001_000, Basis: events.Measured}})
	}
	l.say("10:00 site.left J-1\n11:30 shift.ended")
	rep := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{})
	// 25 t less 15 t less 1 t of fresh water is 9 t: the third load of 3.001 t
	// would be 9.003 t, though 4.5 m3 would fit. Nothing was tipped at the end.
	p := rep.Replays[0]
	if p.PlainTrips != 1 || p.RecordedTrips != 0 || p.CycleMS != 45*60_000 {
		t.Errorf("replay is %+v", p)
	}
}

func TestReplayKnowsTheFreshWater(t *testing.T) {
	l := newLedger(t)
	l.register(45)
	l.say("06:00 shift.started\n06:00 site.arrived J-1")
	l.put("06:00", "", events.TankGauged{Tank: events.FreshTank, Volume: events.Volume{VolumeML: 1_000_000, Basis: events.Measured}})
	for _, h := range []string{"06", "07", "08"} {
		l.put(h+":30", "J-1", events.LoadCollected{Start: l.at(h + ":00"), End: l.at(h + ":30"), Material: "M",
			SlurryVolume: &events.Volume{VolumeML: 1_600_000, Basis: events.Measured}, SlurryMass: &events.Mass{MassG: 3_200_000, Basis: events.Measured},
			JettingWater: &events.Volume{VolumeML: 330_000, Basis: events.Measured}})
	}
	l.say("10:00 site.left J-1\n11:30 shift.ended")
	rep := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{})
	// After three times 330 L of jetting 10 L are aboard: 9.99 t may be carried and
	// the three loads are 9.6 t. With a full fresh tank the limit would be 9 t.
	if p := rep.Replays[0]; p.PlainTrips != 0 {
		t.Errorf("replay is %+v", p)
	}
}

func TestDecantsAndDumpsSideBySide(t *testing.T) {
	l := newLedger(t)
	l.register(60)
	busyDay(l)
	rep := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{})
	const minute = 60_000
	d, f := rep.Efforts[0], rep.Efforts[1]
	if d.Count != 4 || d.TotalMS != 40*minute || d.MedianMS != 10*minute || d.ClearedML != 2_400_000 || d.ClearedMLPerHour() != 3_600_000 {
		t.Errorf("decants: %+v, %d mL/h", d, d.ClearedMLPerHour())
	}
	if f.Count != 1 || f.TotalMS != 90*minute || f.ClearedML-5_600_000 > 4 || f.ClearedML < 5_600_000 || // whole grams: a millilitre a load
		f.ClearedMLPerHour() != f.ClearedML*2/3 {
		t.Errorf("full dumps: %+v, %d mL/h", f, f.ClearedMLPerHour())
	}
	want := map[Part]int64{Haul: 30, Queue: 10, Tip: 10, WashOut: 10, Return: 30}
	for part, minutes := range want {
		if got := rep.Parts[0].MS[part]; got != minutes*minute {
			t.Errorf("%s took %d ms, want %d min", part, got, minutes)
		}
	}
}

func TestNarrowedToAJob(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:30 site.arrived J-1\n07:00 site.left J-1\n07:30 site.arrived J-2\n08:00 site.left J-2\n08:30 shift.ended\n09:00 standby.started J-1")
	q := reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin"), Filter: reports.Filter{Job: "J-2"}}
	rep := Compute(l.journal(), q, Options{})
	wantText(t, &rep.Shifts[0], "07:00 travel 30 J-2\n07:30 on-site 30 J-2\n08:00 travel 30 J-2")
	if len(rep.Outside) != 0 || len(rep.Replays) != 0 {
		t.Errorf("another job shows: %+v, %+v", rep.Outside, rep.Replays)
	}
	for _, f := range rep.Findings {
		if f.Job == "J-1" {
			t.Errorf("a finding of another job: %s", f.What)
		}
	}
}

func TestDocumentNames(t *testing.T) {
	l := newLedger(t)
	l.register(60)
	busyDay(l)
	doc := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-06", "Europe/Dublin")}, Options{}).Document()
	tables := map[string]reports.Table{}
	for _, table := range doc.Tables {
		if len(table.Name) > 25 || tables[table.Name].Name != "" {
			t.Errorf("table name %q is too long or taken", table.Name)
		}
		tables[table.Name] = table
	}
	if len(doc.Pictures) != 3 {
		t.Errorf("%d pictures", len(doc.Pictures))
	}
	for _, p := range doc.Pictures {
		table, rows := tables[p.Table], 0
		keys := map[string]bool{}
		for _, c := range table.Columns {
			keys[c.Key] = true
		}
		for range table.Rows {
			rows++
		}
		for _, k := range append(p.Series, p.Category) {
			if !keys[k] {
				t.Errorf("picture %q draws %q, which %s has not", p.Title, k, p.Table)
			}
		}
		if p.Rows < 1 || p.Rows > rows {
			t.Errorf("picture %q draws %d of %d rows", p.Title, p.Rows, rows)
		}
	}
}

func TestADocketDoesNotLengthenAShift(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:00 site.arrived J-1\n07:00 standby.started\n07:30 standby.ended")
	l.put("2026-10-09T09:00:00.000+01:00", "", events.DocketReceived{Tip: events.Ref{Source: "/truck/TM-01", ID: "x"}, Facility: "F-1",
		Number: "1", WeighedAt: l.at("06:00")})
	shifts, findings := l.cut()
	wantCodes(t, findings, "shift-not-ended")
	if shifts[0].To != l.at("07:30") {
		t.Errorf("the shift ends %s", shifts[0].To)
	}
}

func TestAPeriodThatBeginsWithinAShift(t *testing.T) {
	l := newLedger(t)
	l.register(60)
	l.say("06:00 shift.started\n06:00 site.arrived J-1")
	l.load("06:10", "07:00", "J-1")
	l.load("22:00", "23:00", "J-1")
	l.load("2026-10-06T00:10:00.000+01:00", "2026-10-06T00:40:00.000+01:00", "J-1")
	rep := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-06", "2026-10-06", "Europe/Dublin")}, Options{})
	if len(rep.Shifts) != 1 || rep.Shifts[0].LengthMS() != 40*60_000 || len(rep.Shifts[0].Slices) != 2 {
		t.Fatalf("shifts %+v", rep.Shifts)
	}
	// What is wrong with the shift is said though it began the day before, and the
	// 4 m3 loaded then leave no room for the load of the period in a tank of 5 m3.
	if got := codes(rep.Findings); got[0] != "shift-not-ended" {
		t.Errorf("found %v", got)
	}
	if p := rep.Replays[0]; p.Loads != 1 || p.PlainTrips != 1 {
		t.Errorf("replay %+v", p)
	}
}
