package timesplit

import (
	"testing"

	"spoilbook/events"
)

// Each of these records contradicts itself or leaves two things out.
func TestRecordsThatContradictThemselves(t *testing.T) {
	for _, c := range []struct {
		name, story string
		loads, tips [][3]string // from, to, job
		want        string
		codes       []string
		dumps       int
	}{
		{name: "leaving the site of another job",
			story: "06:00 shift.started\n06:10 site.arrived J-1\n07:55 site.left J-2\n08:00 shift.ended",
			loads: [][3]string{{"06:30", "07:00", "J-1"}, {"07:10", "07:30", "J-2"}},
			want:  "06:00 travel 10 J-1\n06:10 on-site 20 J-1\n06:30 loading 30 J-1\n07:00 unexplained 10 \n07:10 loading 20 J-2\n07:30 on-site 25 J-2\n07:55 travel 5 J-2"},
		{name: "leaving the site of another job where nothing was done",
			story: "06:00 shift.started\n06:10 site.arrived J-1\n07:55 site.left J-2\n08:00 shift.ended",
			loads: [][3]string{{"06:30", "07:00", "J-1"}},
			want:  "06:00 travel 10 J-1\n06:10 on-site 20 J-1\n06:30 loading 30 J-1\n07:00 unexplained 55 \n07:55 travel 5 J-2",
			codes: []string{"time-unexplained"}},
		{name: "arrived at a site twice, and left another",
			story: "06:00 shift.started\n06:00 site.arrived J-1\n08:00 site.arrived J-1\n09:00 site.left J-2\n09:00 shift.ended",
			loads: [][3]string{{"06:00", "07:00", "J-2"}, {"08:10", "08:30", "J-2"}},
			want:  "06:00 loading 60 J-2\n07:00 on-site 60 J-1\n08:00 unexplained 10 \n08:10 loading 20 J-2\n08:30 on-site 30 J-2"},
		{name: "a tip on a site that only the leaving names",
			story: "06:00 shift.started\n06:00 site.arrived J-1\n08:00 site.left J-2\n08:00 shift.ended",
			loads: [][3]string{{"06:00", "06:30", "J-1"}, {"06:30", "07:00", "J-2"}},
			tips:  [][3]string{{"07:00", "07:10"}},
			want:  "06:00 loading 30 J-1\n06:30 loading 30 J-2\n07:00 tip 10 J-2\n07:10 on-site 50 J-2", dumps: 1},
		{name: "at a facility without having left the site",
			story: "06:00 shift.started\n06:00 site.arrived J-1\n08:00 facility.arrived\n08:30 facility.left\n09:00 site.arrived J-2\n09:30 site.left J-2\n09:30 shift.ended",
			loads: [][3]string{{"06:00", "07:50", "J-1"}},
			want:  "06:00 loading 110 J-1\n07:50 unexplained 10 \n08:00 travel 60 J-2\n09:00 on-site 30 J-2"},
		{name: "loads before and after a stop at a facility, and one leaving",
			story: "06:00 shift.started\n08:00 facility.arrived\n08:10 facility.left\n10:00 site.left J-1\n10:10 shift.ended",
			loads: [][3]string{{"07:00", "07:30", "J-1"}, {"09:00", "09:30", "J-1"}},
			want:  "06:00 unexplained 60 \n07:00 loading 30 J-1\n07:30 unexplained 90 \n09:00 loading 30 J-1\n09:30 on-site 30 J-1\n10:00 travel 10 J-1",
			codes: []string{"time-unexplained"}},
		{name: "two tips with a load between, and nothing said of where",
			story: "06:00 shift.started\n06:10 site.arrived J-1\n07:00 site.left J-1\n12:00 shift.ended",
			loads: [][3]string{{"06:10", "07:00", "J-1"}, {"09:00", "09:40", "J-1"}},
			tips:  [][3]string{{"07:30", "07:40"}, {"10:10", "10:20"}},
			want: "06:00 travel 10 J-1\n06:10 loading 50 J-1\n07:00 haul 30 J-1\n07:30 tip 10 J-1\n07:40 haul 80 J-1\n09:00 loading 40 J-1\n" +
				"09:40 haul 30 J-1\n10:10 tip 10 J-1\n10:20 return 100 J-1",
			dumps: 2},
		{name: "two tips one after the other are one stop",
			story: "06:00 shift.started\n06:10 site.arrived J-1\n07:00 site.left J-1\n09:00 shift.ended",
			loads: [][3]string{{"06:10", "07:00", "J-1"}},
			tips:  [][3]string{{"07:30", "07:40"}, {"07:50", "08:00"}},
			want:  "06:00 travel 10 J-1\n06:10 loading 50 J-1\n07:00 haul 30 J-1\n07:30 tip 10 J-1\n07:40 wash-out 10 J-1\n07:50 tip 10 J-1\n08:00 return 60 J-1",
			dumps: 1},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := newLedger(t)
			for _, x := range c.loads {
				l.load(x[0], x[1], events.JobID(x[2]))
			}
			for _, x := range c.tips {
				l.tip(x[0], x[1])
			}
			l.say(c.story)
			shifts, findings := l.cut()
			wantText(t, &shifts[0], c.want)
			wantCodes(t, findings, c.codes...)
			if len(shifts[0].Dumps) != c.dumps {
				t.Errorf("%d full dumps; want %d", len(shifts[0].Dumps), c.dumps)
			}
		})
	}
}

// The last entry of a shift without an end is no arrival.
func TestNoWayHomeWithoutAnEnd(t *testing.T) {
	l := newLedger(t)
	l.say("06:00 shift.started\n06:00 site.arrived J-1\n07:00 site.left J-1\n07:30 facility.arrived\n08:00 facility.left\n09:00 standby.started\n12:00 shift.started\n13:00 shift.ended")
	l.tip("07:30", "07:50")
	shifts, _ := l.cut()
	wantText(t, &shifts[0], "06:00 on-site 60 J-1\n07:00 haul 30 J-1\n07:30 tip 20 J-1\n07:50 wash-out 10 J-1\n08:00 unexplained 60 ")
}

// Presses of a later shift are a stop of their own when the first was not
// restarted, or the plant worked in between.
func TestPressesOfALaterShift(t *testing.T) {
	story := "06:00 shift.started\n06:00 site.arrived J-1\n07:00 stop.pressed\n07:10 stop.reset\n08:00 shift.ended\n09:00 shift.started\n09:20 stop.pressed\n"
	for _, c := range []struct {
		name, rest, want string
		worked           bool
		codes            []string
		stops            int
	}{
		{"restarted after work", "09:40 stop.reset\n09:50 plant.restarted\n10:00 shift.ended",
			"09:00 on-site 20 J-1\n09:20 stopped 30 J-1\n09:50 on-site 10 J-1", true, []string{"overlapping-entries"}, 2},
		{"restarted without work", "09:40 stop.reset\n09:50 plant.restarted\n10:00 shift.ended",
			"09:00 stopped 50 J-1\n09:50 on-site 10 J-1", false, nil, 1},
		{"never restarted", "09:40 stop.reset\n10:00 shift.ended",
			"09:00 on-site 20 J-1\n09:20 stopped 40 J-1", false, nil, 2},
		{"never reset", "10:00 shift.ended",
			"09:00 on-site 20 J-1\n09:20 stopped 40 J-1", false, []string{"stop-not-reset"}, 2},
	} {
		t.Run(c.name, func(t *testing.T) {
			l := newLedger(t)
			l.say(story)
			if c.worked {
				l.load("09:30", "09:40", "J-1")
			}
			l.say(c.rest)
			shifts, findings := l.cut()
			wantCodes(t, findings, c.codes...)
			wantText(t, &shifts[0], "06:00 on-site 60 J-1\n07:00 stopped 60 J-1")
			wantText(t, &shifts[1], c.want)
			stops, stray := Stops(l.journal(), "TM-01")
			if len(stops) != c.stops || len(stray) != 0 {
				t.Errorf("%d stops and %d stray; want %d and none", len(stops), len(stray), c.stops)
			}
		})
	}
}
