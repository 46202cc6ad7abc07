package timesplit

import (
	"slices"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

func TestTheWorkedExample(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:40 site.arrived J-101\n07:20 standby.started")
	l.load("07:00", "07:30", "J-101")
	l.say("08:00 standby.ended\n08:00 site.left J-101\n08:30 facility.arrived")
	l.tip("08:40", "08:50")
	l.say("09:10 facility.left\n10:00 shift.ended")
	shifts, findings := l.cut()
	if len(shifts) != 1 {
		t.Fatalf("%d shifts", len(shifts))
	}
	wantText(t, &shifts[0], `
		06:00 travel 40 J-101
		06:40 on-site 20 J-101
		07:00 loading 30 J-101
		07:30 standby 30 J-101
		08:00 haul 30 J-101
		08:30 queue 10 J-101
		08:40 tip 10 J-101
		08:50 wash-out 20 J-101
		09:10 return 50 J-101`)
	wantCodes(t, findings, "overlapping-entries")
	if c := shifts[0].Slices[3]; c.Cause != "awaiting-client" || c.Visit != 0 || c.Dump != -1 {
		t.Errorf("standby is %+v", c)
	}
}

func TestWhichActivityWins(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:00 site.arrived J-1\n06:00 standby.started\n06:00 rest.started")
	end := l.at("07:00")
	refill := events.WaterRefilled{Start: l.at("06:00"), End: l.at("06:50"), WaterSource: "W-1", Volume: &events.Volume{VolumeML: 1, Basis: events.Measured}}
	l.put("06:10", "", events.EmergencyStopPressed{Station: events.StationCab, Cause: "alarm"})
	l.put("06:15", "", events.EmergencyStopReset{})
	l.load("06:00", "06:20", "J-1")
	l.put("06:20", "", events.PlantRestarted{})
	l.decant("06:00", "06:30")
	l.tip("06:00", "06:40")
	l.put("06:50", "", refill)
	l.put("07:00", "", events.RestEnded{})
	l.put("07:10", "", events.StandbyEnded{})
	l.say("07:30 site.left J-1\n07:40 shift.ended")
	shifts, findings := l.cut()
	wantText(t, &shifts[0], `
		06:00 loading 10 J-1
		06:10 stopped 10 J-1
		06:20 decanting 10 J-1
		06:30 tip 10 J-1
		06:40 refilling 10 J-1
		06:50 rest 10 J-1
		07:00 standby 10 J-1
		07:10 on-site 20 J-1
		07:30 travel 10 J-1`)
	if shifts[0].Slices[5].To.UnixMS != end.UnixMS {
		t.Error("the rest ends elsewhere")
	}
	for _, f := range findings {
		if f.Code != reports.OverlappingEntries {
			t.Errorf("found %s: %s", f.Code, f.What)
		}
	}
	if len(findings) != 15 { // each pair of six claims from 06:00
		t.Errorf("%d overlaps noted: %v", len(findings), findings)
	}
}

func TestPlacesThatTheRecordLeavesOut(t *testing.T) {
	for _, c := range []struct {
		name, story string
		tips        [][2]string
		loads       [][2]string
		want        string
		codes       []string
	}{
		{name: "a tip without facility entries ends and begins the journey",
			story: "06:00 shift.started\n06:10 site.arrived J-1\n07:00 site.left J-1\n09:00 site.arrived J-2\n10:00 site.left J-2\n10:30 shift.ended",
			tips:  [][2]string{{"07:40", "08:00"}},
			want:  "06:00 travel 10 J-1\n06:10 on-site 50 J-1\n07:00 haul 40 J-1\n07:40 tip 20 J-1\n08:00 return 60 J-1\n09:00 on-site 60 J-2\n10:00 travel 30 J-2"},
		{name: "a leaving that is missing",
			story: "06:00 shift.started\n06:10 site.arrived J-1\n09:00 site.arrived J-2\n10:00 site.left J-2\n10:30 shift.ended",
			loads: [][2]string{{"06:30", "08:00"}},
			want:  "06:00 travel 10 J-1\n06:10 on-site 20 J-1\n06:30 loading 90 J-1\n08:00 unexplained 60 \n09:00 on-site 60 J-2\n10:00 travel 30 J-2",
			codes: []string{"time-unexplained"}},
		{name: "an arrival that is missing",
			story: "06:00 shift.started\n08:30 site.left J-1\n09:00 shift.ended",
			loads: [][2]string{{"07:00", "08:00"}},
			want:  "06:00 unexplained 60 \n07:00 loading 60 J-1\n08:00 on-site 30 J-1\n08:30 travel 30 J-1",
			codes: []string{"time-unexplained"}},
		{name: "a facility without a tip is part of the journey",
			story: "06:00 shift.started\n06:10 site.arrived J-1\n07:00 site.left J-1\n07:30 facility.arrived\n08:00 facility.left\n08:30 site.arrived J-2\n10:00 site.left J-2\n10:30 shift.ended",
			want:  "06:00 travel 10 J-1\n06:10 on-site 50 J-1\n07:00 travel 90 J-2\n08:30 on-site 90 J-2\n10:00 travel 30 J-2"},
		{name: "nothing at all",
			story: "06:00 shift.started\n06:16 shift.ended", want: "06:00 unexplained 16 ", codes: []string{"time-unexplained"}},
		{name: "a quarter of an hour may be unexplained",
			story: "06:00 shift.started\n06:15 shift.ended", want: "06:00 unexplained 15 "},
		{name: "standby on the way to the tip is standby",
			story: "06:00 shift.started\n06:10 site.arrived J-1\n07:00 site.left J-1\n07:10 standby.started\n07:20 standby.ended\n07:30 facility.arrived\n08:00 facility.left\n08:30 shift.ended",
			tips:  [][2]string{{"07:40", "07:50"}},
			want:  "06:00 travel 10 J-1\n06:10 on-site 50 J-1\n07:00 haul 10 J-1\n07:10 standby 10 J-1\n07:20 haul 10 J-1\n07:30 queue 10 J-1\n07:40 tip 10 J-1\n07:50 wash-out 10 J-1\n08:00 return 30 J-1"},
		{name: "a standby without an end ends with the next activity",
			story: "06:00 shift.started\n06:00 site.arrived J-1\n06:10 standby.started\n08:00 site.left J-1\n08:10 shift.ended",
			loads: [][2]string{{"07:00", "07:30"}},
			want:  "06:00 on-site 10 J-1\n06:10 standby 50 J-1\n07:00 loading 30 J-1\n07:30 on-site 30 J-1\n08:00 travel 10 J-1",
			codes: []string{"standby-not-ended"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := newLedger(t)
			l.say(c.story)
			for _, x := range c.loads {
				l.load(x[0], x[1], "J-1")
			}
			for _, x := range c.tips {
				l.tip(x[0], x[1])
			}
			shifts, findings := l.cut()
			wantText(t, &shifts[0], c.want)
			wantCodes(t, findings, c.codes...)
		})
	}
}

func TestVisitsGoOnIntoTheNextShift(t *testing.T) {
	l := newLedger(t)
	l.say("18:00 shift.started\n18:30 site.arrived J-1\n20:00 shift.ended\n20:00 shift.started\n22:00 site.left J-1\n22:30 shift.ended")
	shifts, findings := l.cut()
	wantCodes(t, findings)
	wantText(t, &shifts[0], "18:00 travel 30 J-1\n18:30 on-site 90 J-1")
	wantText(t, &shifts[1], "20:00 on-site 120 J-1\n22:00 travel 30 J-1")
	first, second := shifts[0].Visits[0], shifts[1].Visits[shifts[1].Slices[0].Visit]
	if first.Arrived != second.Arrived || second.Left != l.at("22:00") {
		t.Errorf("the visit is %+v, then %+v", first, second)
	}
}

func TestShiftsWithoutAnEnd(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:10 site.arrived J-1")
	l.load("06:20", "07:00", "J-1")
	l.say("08:00 standby.started J-1\n09:00 shift.started\n09:30 shift.ended\n11:00 standby.started")
	l.load("09:20", "10:00", "J-1")
	shifts, findings := l.cut()
	wantText(t, &shifts[0], "06:00 travel 10 J-1\n06:10 on-site 10 J-1\n06:20 loading 40 J-1\n07:00 on-site 60 J-1")
	if !shifts[0].Open || shifts[0].To != l.at("08:00") || shifts[1].Open {
		t.Errorf("shifts are %+v", shifts)
	}
	wantCodes(t, findings, "shift-not-ended", "standby-not-ended", "outside-shift", "outside-shift")
	d := divide(l.journal().Entries("TM-01"), "TM-01")
	if len(d.outside) != 2 || d.outside[0].Why != "0 h 30 min of it outside any shift" || d.outside[1].Kind != events.KindStandbyStarted {
		t.Errorf("outside: %+v", d.outside)
	}
}

func TestEmergencyStops(t *testing.T) {
	begin := "06:00 shift.started\n06:00 site.arrived J-1\n"
	end := "\n09:00 site.left J-1\n09:00 shift.ended"
	for _, c := range []struct {
		name, story, want string
		codes             []string
	}{
		{"a reset is not a restart", "07:00 stop.pressed\n07:10 stop.reset\n07:30 plant.restarted",
			"06:00 on-site 60 J-1\n07:00 stopped 30 J-1\n07:30 on-site 90 J-1", nil},
		{"several presses are one stop", "07:00 stop.pressed\n07:05 stop.reset\n07:10 stop.pressed\n07:20 stop.reset\n07:30 plant.restarted",
			"06:00 on-site 60 J-1\n07:00 stopped 30 J-1\n07:30 on-site 90 J-1", nil},
		{"a restart needs a reset since the last press", "07:00 stop.pressed\n07:05 stop.reset\n07:10 stop.pressed\n07:30 plant.restarted",
			"06:00 on-site 60 J-1\n07:00 stopped 30 J-1\n07:30 on-site 90 J-1", []string{"restart-without-reset"}},
		{"never reset", "07:00 stop.pressed", "06:00 on-site 60 J-1\n07:00 stopped 120 J-1", []string{"stop-not-reset"}},
		{"reset and never restarted", "07:00 stop.pressed\n07:20 stop.reset", "06:00 on-site 60 J-1\n07:00 stopped 120 J-1", nil},
		{"restarted after nothing", "07:00 plant.restarted", "06:00 on-site 180 J-1", nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := newLedger(t)
			l.say(begin + c.story + end)
			shifts, findings := l.cut()
			wantText(t, &shifts[0], c.want)
			wantCodes(t, findings, c.codes...)
		})
	}
}

func TestStopsNameTheirCauseAndSide(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:00 site.arrived J-1")
	l.put("07:00", "", events.EmergencyStopPressed{Station: events.StationLeft})
	l.put("07:01", "", events.EmergencyStopPressed{Station: events.StationRear, Cause: "cable struck", Attribution: events.ByClient})
	l.say("07:20 stop.reset\n07:30 plant.restarted\n08:00 shift.ended")
	shifts, findings := l.cut()
	wantCodes(t, findings, "stop-without-cause")
	if c := shifts[0].Slices[1]; c.Cause != "cable struck" || c.Side != events.ByUnknown {
		t.Errorf("two presses of which one does not say: %q, %q", c.Cause, c.Side)
	}
}

func TestStopsAcrossShifts(t *testing.T) {
	story := "06:00 shift.started\n06:00 site.arrived J-1\n07:00 stop.pressed\n08:00 shift.ended\n09:00 shift.started\n"
	l := newLedger(t)
	l.say(story + "09:20 stop.reset\n09:30 plant.restarted\n10:00 shift.ended")
	shifts, findings := l.cut()
	wantCodes(t, findings)
	wantText(t, &shifts[1], "09:00 stopped 30 J-1\n09:30 on-site 30 J-1")

	l = newLedger(t)
	l.say(story)
	l.load("09:05", "09:15", "J-1")
	l.say("09:30 plant.restarted\n10:00 shift.ended")
	shifts, findings = l.cut()
	wantCodes(t, findings, "stop-not-reset")
	wantText(t, &shifts[0], "06:00 on-site 60 J-1\n07:00 stopped 60 J-1")
	wantText(t, &shifts[1], "09:00 on-site 5 J-1\n09:05 loading 10 J-1\n09:15 on-site 45 J-1")
}

func TestALateStopIsNeverLost(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:00 site.arrived J-1\n08:00 shift.ended\n07:00 stop.pressed\n07:05 stop.reset\n07:30 plant.restarted")
	shifts, findings := l.cut()
	wantCodes(t, findings)
	wantText(t, &shifts[0], "06:00 on-site 60 J-1\n07:00 stopped 30 J-1\n07:30 on-site 30 J-1")
	if want := []uint64{4, 5, 6}; !slices.Equal(shifts[0].Slices[1].Positions, want) {
		t.Errorf("the stop cites %v, want %v", shifts[0].Slices[1].Positions, want)
	}
}

func TestOfTwoEqualsTheEarlierCounts(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:00 site.arrived J-1")
	l.load("06:10", "06:30", "J-1")
	l.load("06:00", "06:20", "J-1")
	l.say("06:40 site.left J-1\n06:40 shift.ended")
	shifts, findings := l.cut()
	wantText(t, &shifts[0], "06:00 loading 20 J-1\n06:20 loading 10 J-1\n06:30 on-site 10 J-1")
	if c := shifts[0].Slices; c[0].Positions[0] != 4 || c[1].Positions[0] != 3 {
		t.Errorf("the first load counted is %v, the second %v", c[0].Positions, c[1].Positions)
	}
	wantCodes(t, findings, "overlapping-entries")
}

func TestOneShiftEndsAsTheNextBegins(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:00 site.arrived J-1\n07:00 site.left J-1\n08:00 shift.ended\n08:00 shift.started\n08:00 site.arrived J-2\n09:00 site.left J-2\n09:00 shift.ended")
	shifts, findings := l.cut()
	wantCodes(t, findings)
	wantText(t, &shifts[0], "06:00 on-site 60 J-1\n07:00 travel 60 J-1")
	wantText(t, &shifts[1], "08:00 on-site 60 J-2")

	// Two sources counted the end and the start, so the journal has them the
	// other way round.
	for i := range l.recs {
		if l.recs[i].Kind() == events.KindShiftEnded {
			l.recs[i].Source = "/truck/TM-01-late" // sorts after /truck/TM-01
		}
	}
	shifts, findings = l.cut()
	if len(shifts) != 2 || shifts[0].Open || shifts[0].To != l.at("08:00") || shifts[1].To != l.at("09:00") {
		t.Errorf("shifts %+v, findings %v", shifts, findings)
	}
}
