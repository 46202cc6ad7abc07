package timesplit

import (
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/workrest"
)

// cells writes a table's rows, each with its texts and its figures in minutes where
// they are lengths of time.
func cells(t *testing.T, d reports.Document, table string) []string {
	t.Helper()
	n := slices.IndexFunc(d.Tables, func(x reports.Table) bool { return x.Name == table })
	if n < 0 {
		t.Fatalf("no table %q", table)
	}
	out := []string{}
	for row := range d.Tables[n].Rows {
		parts := []string{}
		for i, c := range row.Cells {
			switch kind := d.Tables[n].Columns[i].Kind; {
			case c.Empty:
				parts = append(parts, "-")
			case kind == reports.Duration:
				parts = append(parts, reports.Decimal(c.Int/60_000, 0, 0))
			case kind == reports.Number:
				parts = append(parts, reports.Decimal(c.Int, d.Tables[n].Columns[i].Scale, d.Tables[n].Columns[i].Scale))
			case kind == reports.Text:
				parts = append(parts, c.Text)
			}
		}
		out = append(out, strings.Join(parts, "|"))
	}
	return out
}

func wantRows(t *testing.T, got []string, want ...string) {
	t.Helper()
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
}

// on records an event of another truck or operator.
func (l *ledger) on(truck events.TruckID, operator events.OperatorID, clock string, job events.JobID, body events.Body) {
	l.put(clock, job, body)
	e := &l.recs[len(l.recs)-1].Event
	e.Truck, e.Operator, e.Source = truck, operator, events.TruckSource(truck)
}

// twoTrucks has OP-1 drive TM-01 from 06:00 with OP-2 aboard, and TM-02 alone later.
func twoTrucks(l *ledger) {
	l.put("06:00", "", events.ShiftStarted{Crew: []events.OperatorID{"OP-2", "OP-1"}})
	l.say("06:30 site.arrived J-1\n09:00 rest.started\n09:20 rest.ended\n10:00 site.left J-1\n10:20 shift.ended")
	l.on("TM-02", "OP-1", "10:40", "", events.ShiftStarted{})
	l.on("TM-02", "OP-1", "11:00", "J-2", events.SiteArrived{})
	l.on("TM-02", "OP-1", "11:40", "J-2", events.SiteLeft{})
	l.on("TM-02", "OP-1", "12:00", "", events.ShiftEnded{})
}

func TestHoursByOperatorAndCrew(t *testing.T) {
	l := newLedger(t)
	twoTrucks(l)
	d := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{}).Document()
	// Travel, on site, rest: 30 + 20 and 20 + 20; 150 + 40 + 20 less the rest, and 40.
	wantRows(t, cells(t, d, "Operators"), "OP-1|2|340|90|230|0|0|0|0|0|0|20|0")
	wantRows(t, cells(t, d, "Crews"), "OP-1|2|0|340|0|340|90|20", "OP-2|0|1|0|260|260|0|20")
}

func TestWorkAndRestOfAPersonAcrossTrucks(t *testing.T) {
	l := newLedger(t)
	twoTrucks(l)
	day := reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}
	rep := Compute(l.journal(), day, Options{})
	// No rest of 30 minutes from 06:00 to 12:00: the rest of 20 and the 20 between the
	// trucks are work. OP-2 worked 4 h 20 min.
	wantRows(t, cells(t, rep.Document(), "Work and rest"),
		"OP-1|work before a rest of 30 min|330|360|-30|beyond|TM-01, TM-02|1|1",
		"OP-1|work before a rest of 10 h|780|360|420|within|TM-01, TM-02|1|0",
		"OP-1|work before a rest of 24 h|4,200|360|3,840|within|TM-01, TM-02|1|0",
		"OP-2|work before a rest of 30 min|330|260|70|within|TM-01|1|0",
		"OP-2|work before a rest of 10 h|780|260|520|within|TM-01|1|0",
		"OP-2|work before a rest of 24 h|4,200|260|3,940|within|TM-01|1|0")
	n := slices.IndexFunc(rep.Findings, func(f reports.Finding) bool { return f.Code == reports.WorkWithoutRest })
	if n < 0 {
		t.Fatalf("findings %v", rep.Findings)
	}
	f := rep.Findings[n]
	for _, want := range []string{"OP-1", "6 h 00 min", "5 h 30 min", "New Zealand work time rule", "NZ Transport Agency", "no certification"} {
		if !strings.Contains(f.What, want) {
			t.Errorf("the warning does not say %q: %s", want, f.What)
		}
	}
	if !slices.Equal(f.Cites, []uint64{1, 6, 7, 10}) {
		t.Errorf("the warning cites %v", f.Cites)
	}

	alone := Compute(l.journal(), reports.Request{Period: day.Period, Filter: reports.Filter{Truck: "TM-02"}}, Options{})
	if note := alone.workRestTable().Note; len(alone.WorkRest) != 3 || !strings.Contains(note, "Only the shifts of TM-02") {
		t.Errorf("one truck's report does not say that it is partial: %s", note)
	}

	// Driving is 90 minutes of the operator and none of the crew.
	eu, _ := workrest.Named("eu-561-2006")
	rep = Compute(l.journal(), day, Options{Rest: eu})
	rows := cells(t, rep.Document(), "Work and rest")
	if len(rows) != 8 || rows[0] != "OP-1|driving before a break of 45 min, or of 15 and then 30 min|270|90|180|within|TM-01, TM-02|1|0" {
		t.Errorf("driving: %v", rows)
	}
	if rep = Compute(l.journal(), reports.Request{Period: day.Period, Filter: reports.Filter{Job: "J-1"}}, Options{}); len(rep.WorkRest) != 0 ||
		slices.Contains(codes(rep.Findings), string(reports.WorkWithoutRest)) {
		t.Errorf("a job's report shows people's hours: %+v", rep.WorkRest)
	}
}

func TestFullDumpsByFacility(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:00 site.arrived J-1")
	dump := func(left, arrived, tip, tipped, gone, back, facility string) {
		l.say(left + " site.left J-1")
		l.put(arrived, "", events.FacilityArrived{Facility: events.FacilityID(facility)})
		l.put(tipped, "", events.SpoilTipped{Start: l.at(tip), End: l.at(tipped), Facility: events.FacilityID(facility), Whole: true})
		l.put(gone, "", events.FacilityLeft{Facility: events.FacilityID(facility)})
		l.say(back + " site.arrived J-1")
	}
	dump("07:00", "07:20", "07:30", "07:35", "07:40", "08:00", "F-1") // 20 10 5 5 20
	dump("08:00", "08:30", "08:30", "08:40", "08:50", "09:20", "F-1") // 30 0 10 10 30
	dump("09:30", "09:40", "10:00", "10:10", "10:10", "10:30", "F-2") // 10 20 10 0 20
	l.say("11:00 site.left J-1\n11:30 shift.ended")
	d := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{}).Document()
	wantRows(t, cells(t, d, "Facilities"), "F-1|2|140|60|80", "F-2|1|60|60|60")
	wantRows(t, cells(t, d, "Facility parts"),
		"F-1|haul|2|50|20|30", "F-1|queue|1|10|10|10", "F-1|tip|2|15|5|10", "F-1|wash-out|2|15|5|10", "F-1|return|2|50|20|30",
		"F-2|haul|1|10|10|10", "F-2|queue|1|20|20|20", "F-2|tip|1|10|10|10", "F-2|return|1|20|20|20")
}

func TestWhatLimitsEachTrip(t *testing.T) {
	l := newLedger(t)
	l.register(60) // 5 m3, and 9 t beside a full fresh tank
	l.say("06:00 shift.started\n06:00 site.arrived J-1")
	load := func(hour string, volumeML, massG int64) {
		l.put(hour+":30", "J-1", events.LoadCollected{Start: l.at(hour + ":00"), End: l.at(hour + ":30"), Material: "M",
			SlurryVolume: &events.Volume{VolumeML: volumeML, Basis: events.Measured}, SlurryMass: &events.Mass{MassG: massG, Basis: events.Measured}})
	}
	load("06", 3_000_000, 4_000_000)
	load("07", 2_100_000, 4_000_000) // 5.1 m3 and 8 t: by volume
	load("08", 1_500_000, 3_000_000)
	load("09", 1_300_000, 2_500_000) // 4.9 m3 and 9.5 t: by payload
	load("10", 4_600_000, 6_600_000) // 5.9 m3 and 9.1 t: by both
	l.decant("10:30", "10:40")
	load("11", 900_000, 950_000) // 5.5 m3: by volume, but 4.9 m3 with the decant
	l.tip("11:40", "11:50")
	l.say("12:00 shift.ended")
	rep := Compute(l.journal(), reports.Request{Period: period(t, "2026-10-05", "2026-10-05", "Europe/Dublin")}, Options{})
	got := []string{}
	for _, trip := range rep.Replays[0].Trips {
		got = append(got, string(trip.Limit))
	}
	wantRows(t, got, "volume", "payload", "volume and payload", "volume", "end of loads")
	if p := &rep.Replays[0]; p.Trips[3].WithDecants || !p.Trips[4].WithDecants || p.PlainTrips != 5 || p.DecantTrips != 4 {
		t.Errorf("replay %+v", p)
	}
}

func TestSensitivityToTheLengthOfADump(t *testing.T) {
	// Two trips saved at 60 minutes, less 90 minutes of decanting.
	r := &Report{Replays: []Replay{{Truck: "TM-01", PlainTrips: 5, DecantTrips: 3, CycleMS: 3_600_000, DecantMS: 5_400_000}}}
	d := reports.Document{Tables: []reports.Table{r.sensitivityTable()}}
	wantRows(t, cells(t, d, "If dumps took longer"),
		"TM-01|-25 %|45|2|90|0|45", "TM-01|as is|60|2|90|30|45", "TM-01|+25 %|75|2|90|60|45", "TM-01|+50 %|90|2|90|90|45")
	if _, ok := (&Replay{DecantMS: 1}).BreakEvenMS(); ok {
		t.Error("no trip saved, and yet a length at which decanting pays")
	}
}
