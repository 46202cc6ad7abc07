package care

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"spoilbook/events"
	"spoilbook/reports"
)

// ledger collects events of a truck as a test tells them, from 5 October on.
type ledger struct{ recs []events.Recorded }

// clock is a time of 5 October; "1 07:00" is the day after.
func clock(s string) events.Time {
	day := 0
	if d, rest, ok := strings.Cut(s, " "); ok {
		day, s = int(d[0]-'0'), rest
	}
	return events.MustTime(fmt.Sprintf("2026-10-%02dT%s:00.000+01:00", 5+day, s))
}

func (l *ledger) put(at string, job events.JobID, body events.Body) {
	n := uint64(len(l.recs) + 1)
	l.recs = append(l.recs, events.Recorded{Position: n, At: clock(at), Event: events.Event{ID: fmt.Sprintf("E-%06d", n),
		Source: "/truck/TM-01", Seq: n, Occurred: clock(at), Truck: "TM-01", Job: job, Operator: "OP-1", Origin: events.FromCrew, Body: body}})
}

// say puts an event for each line: a time and a word, such as "06:30 start".
func (l *ledger) say(t *testing.T, story string) {
	t.Helper()
	for line := range strings.Lines(story) {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		f := strings.Fields(line)
		at, word := f[0], f[1]
		if len(f) > 2 {
			at, word = f[0]+" "+f[1], f[2]
		}
		ten := func(s string) (events.Time, events.Time) {
			end := clock(s)
			return events.Time{UnixMS: end.UnixMS - 600_000, OffsetMinutes: 60}, end
		}
		body := events.Body(events.CareRecorded{Task: events.CareTask(word)})
		switch word {
		case "start":
			body = events.ShiftStarted{}
		case "end":
			body = events.ShiftEnded{}
		case "check":
			body = events.PrestartChecked{Items: []events.CheckItem{{Item: "brakes", OK: true}, {Item: "lights", OK: true}}}
		case "fault":
			body = events.PrestartChecked{Items: []events.CheckItem{{Item: "brakes", OK: true}, {Item: "Lights ", Note: "left one out"}}}
		case "pump":
			body = events.PumpEngaged{Pump: events.VacuumPump}
		case "load":
			from, to := ten(at)
			body = events.LoadCollected{Start: from, End: to, Material: "M-CLAY", SlurryVolume: &events.Volume{VolumeML: 1_000_000}}
		case "tip":
			from, to := ten(at)
			body = events.SpoilTipped{Start: from, End: to, Facility: "F-1", Whole: true}
		case "arrive":
			body = events.SiteArrived{}
		case "damaged":
			body = events.CareRecorded{Task: events.FinalFilterCheck, FilterDamaged: true}
		case "separator-emptied", "strainer-checked", "final-filter-checked", "vacuum-pump-flushed", "tank-washed":
		default:
			t.Fatalf("no word %q", word)
		}
		l.put(at, "J-1", body)
	}
}

func told(t *testing.T, story string) *ledger {
	t.Helper()
	l := &ledger{}
	l.say(t, story)
	return l
}

func request(t interface{ Fatal(...any) }) reports.Request {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	p, err := reports.Days("2026-10-01", "2026-10-10", zone)
	if err != nil {
		t.Fatal(err)
	}
	return reports.Request{Period: p}
}

func (l *ledger) report(t interface{ Fatal(...any) }, o Options) *Report {
	return Compute(reports.Resolve(l.recs, uint64(len(l.recs))), request(t), o)
}

// states writes rows as "day task state done", one a line, without those of tasks
// that were not due.
func states(r *Report) string {
	b := &strings.Builder{}
	for i := range r.Rows {
		w := &r.Rows[i]
		if w.State == NotDue {
			continue
		}
		done := "-"
		if w.Done != nil {
			done = r.Request.Period.Local(w.Done.Occurred).Format("2 15:04")
		}
		fmt.Fprintf(b, "%s %s by %s %s %s\n", w.Day[8:], w.Rule.Task, r.Request.Period.Local(w.DueBy).Format("2 15:04"), w.State, done)
	}
	return b.String()
}

func wantStates(t *testing.T, name string, r *Report, want string) {
	t.Helper()
	lines := []string{}
	for line := range strings.Lines(want) {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	if got := strings.TrimSpace(states(r)); got != strings.Join(lines, "\n") {
		t.Errorf("%s: got\n%s\nwant\n%s", name, got, strings.Join(lines, "\n"))
	}
}

func codes(fs []reports.Finding) string {
	list := []string{}
	for _, f := range fs {
		list = append(list, string(f.Code))
	}
	return strings.Join(list, " ")
}

// The day of the package comment.
func TestDayByHand(t *testing.T) {
	r := told(t, `
		06:30 start
		06:38 check
		06:41 strainer-checked
		06:43 final-filter-checked
		07:40 pump
		08:10 load
		11:05 tip
		11:08 separator-emptied
		12:30 load
		14:00 tip
		14:02 separator-emptied
		15:00 end`).report(t, Options{})
	wantStates(t, "the day", r, `
		05 prestart-check by 5 07:40 done 5 06:38
		05 separator-emptied by 5 12:20 done 5 11:08
		05 separator-emptied by 5 15:00 done 5 14:02
		05 strainer-checked by 5 15:00 done 5 06:41
		05 final-filter-checked by 5 15:00 done 5 06:43
		05 vacuum-pump-flushed by 5 15:00 missed -`)
	if codes(r.Findings) != "care-missed" || r.Findings[0].At != clock("15:00") || !slices.Equal(r.Findings[0].Cites, []uint64{9}) {
		t.Errorf("found %+v", r.Findings)
	}
	if row := r.Rows[0]; !slices.Equal(row.Cites, []uint64{1, 2, 5, 12}) || row.Done.Operator != "OP-1" {
		t.Errorf("row %+v", row)
	}
}

func TestStates(t *testing.T) {
	const morning = "06:30 start\n06:35 check\n06:36 strainer-checked\n06:37 final-filter-checked\n"
	const done = "05 prestart-check by 5 08:00 done 5 06:35\n"
	daily := func(by string) string {
		return "05 strainer-checked by 5 " + by + " done 5 06:36\n05 final-filter-checked by 5 " + by + " done 5 06:37\n"
	}
	for name, c := range map[string]struct{ story, want, codes string }{
		"check after work began": {
			"06:30 start\n06:36 strainer-checked\n06:37 final-filter-checked\n08:00 arrive\n08:20 check\n15:00 end",
			"05 prestart-check by 5 08:00 late 5 08:20\n" + daily("15:00"), "prestart-missing"},
		"no check": {
			"06:30 start\n06:36 strainer-checked\n06:37 final-filter-checked\n08:00 arrive\n15:00 end\n15:10 check",
			"05 prestart-check by 5 08:00 missed -\n" + daily("15:00"), "prestart-missing"},
		"check before the shift": {
			"05:10 check\n06:30 start\n06:36 strainer-checked\n06:37 final-filter-checked\n08:00 arrive\n15:00 end",
			"05 prestart-check by 5 08:00 done 5 05:10\n" + daily("15:00"), ""},
		"check too long before": {
			"04:20 check\n06:30 start\n06:36 strainer-checked\n06:37 final-filter-checked\n08:00 arrive\n15:00 end",
			"05 prestart-check by 5 08:00 missed -\n" + daily("15:00"), "prestart-missing"},
		"separator before the next load": {
			morning + "08:00 pump\n11:00 tip\n12:30 separator-emptied\n12:30 load\n15:00 vacuum-pump-flushed\n15:00 end",
			done + "05 separator-emptied by 5 12:20 late 5 12:30\n" + daily("15:00") + "05 vacuum-pump-flushed by 5 15:00 done 5 15:00", "care-late"},
		"separator at the last moment": {
			morning + "08:00 pump\n11:00 tip\n12:20 separator-emptied\n12:30 load\n15:00 vacuum-pump-flushed\n15:00 end",
			done + "05 separator-emptied by 5 12:20 done 5 12:20\n" + daily("15:00") + "05 vacuum-pump-flushed by 5 15:00 done 5 15:00", ""},
		"separator not before the next tip": {
			morning + "08:00 pump\n11:00 tip\n12:30 load\n14:00 tip\n14:05 separator-emptied\n15:00 vacuum-pump-flushed\n15:00 end",
			done + "05 separator-emptied by 5 12:20 missed -\n05 separator-emptied by 5 15:00 done 5 14:05\n" + daily("15:00") + "05 vacuum-pump-flushed by 5 15:00 done 5 15:00", "care-missed"},
		"one emptying after two tips without a load": {
			morning + "08:00 pump\n11:00 tip\n11:40 tip\n11:45 separator-emptied\n15:00 vacuum-pump-flushed\n15:00 end",
			done + "05 separator-emptied by 5 15:00 done 5 11:45\n05 separator-emptied by 5 15:00 done 5 11:45\n" + daily("15:00") + "05 vacuum-pump-flushed by 5 15:00 done 5 15:00", ""},
		"separator during the tip": {
			morning + "08:00 pump\n10:55 separator-emptied\n11:00 tip\n15:00 vacuum-pump-flushed\n15:00 end",
			done + "05 separator-emptied by 5 15:00 missed -\n" + daily("15:00") + "05 vacuum-pump-flushed by 5 15:00 done 5 15:00", "care-missed"},
		"separator after the shift": {
			morning + "08:00 pump\n11:00 tip\n15:00 vacuum-pump-flushed\n15:00 end\n15:10 separator-emptied",
			done + "05 separator-emptied by 5 15:00 late 5 15:10\n" + daily("15:00") + "05 vacuum-pump-flushed by 5 15:00 done 5 15:00", "care-late"},
		"daily checks before the shift": {
			"06:00 strainer-checked\n06:10 final-filter-checked\n06:30 start\n06:35 check\n08:00 arrive\n15:00 end",
			done + "05 strainer-checked by 5 15:00 done 5 06:00\n05 final-filter-checked by 5 15:00 done 5 06:10", ""},
		"daily checks after the shift": {
			"06:30 start\n06:35 check\n08:00 arrive\n15:00 end\n15:20 strainer-checked\n15:30 final-filter-checked",
			done + "05 strainer-checked by 5 15:00 late 5 15:20\n05 final-filter-checked by 5 15:00 late 5 15:30", "care-late care-late"},
		"a check of the shift before": {
			"06:30 start\n06:35 check\n06:36 strainer-checked\n06:37 final-filter-checked\n08:00 arrive\n11:30 check\n12:00 end\n12:30 start\n13:00 arrive\n15:00 end",
			done + "05 prestart-check by 5 13:00 missed -\n" + daily("15:00"), "prestart-missing"},
		"flushed and run again": {
			morning + "08:00 pump\n09:00 vacuum-pump-flushed\n10:00 load\n15:00 end",
			done + daily("15:00") + "05 vacuum-pump-flushed by 5 15:00 missed -", "care-missed"},
		"flushed after the shift": {
			morning + "08:00 load\n15:00 end\n15:20 vacuum-pump-flushed",
			strings.ReplaceAll(done, "08:00", "07:50") + daily("15:00") + "05 vacuum-pump-flushed by 5 15:00 late 5 15:20", "care-late"},
		"shift with no end": {
			morning + "08:00 pump\n11:00 tip",
			done + "05 separator-emptied by 5 11:00 due -\n" + daily("11:00") + "05 vacuum-pump-flushed by 5 11:00 due -", ""},
		"nothing done in the yard": {"06:30 start\n15:00 end", "", ""},
		"work outside any shift":   {"08:00 pump\n11:00 tip\n1 06:00 start\n1 15:00 end", "05 prestart-check by 5 08:00 missed -\n05 separator-emptied by 5 11:00 missed -\n05 strainer-checked by 5 11:00 missed -\n05 final-filter-checked by 5 11:00 missed -\n05 vacuum-pump-flushed by 5 11:00 missed -", "prestart-missing care-missed care-missed care-missed care-missed"},
		"on a job without the vacuum pump": {
			morning + "08:00 arrive\n15:00 end", done + daily("15:00"), ""},
	} {
		r := told(t, c.story).report(t, Options{})
		wantStates(t, name, r, c.want)
		if got := codes(r.Findings); got != c.codes {
			t.Errorf("%s: found %q, want %q", name, got, c.codes)
		}
	}
}

// What is forgotten in the evening is late when it is done the next morning before the
// pump runs, and missed when it is not.
func TestNextMorning(t *testing.T) {
	const first = "06:30 start\n06:35 check\n06:36 strainer-checked\n06:37 final-filter-checked\n08:00 pump\n15:00 end\n"
	const second = "1 06:30 start\n1 06:35 check\n1 06:36 strainer-checked\n1 06:37 final-filter-checked\n"
	for name, c := range map[string]struct{ story, flush string }{
		"in the morning": {first + second + "1 06:40 vacuum-pump-flushed\n1 08:00 pump\n1 15:00 vacuum-pump-flushed\n1 15:00 end", "late"},
		"never":          {first + second + "1 08:00 pump\n1 15:00 vacuum-pump-flushed\n1 15:00 end", "missed"},
	} {
		r := told(t, c.story).report(t, Options{})
		got := []string{}
		for _, w := range r.Rows {
			if w.Rule.When == EndOfDay {
				got = append(got, string(w.State))
			}
		}
		if strings.Join(got, " ") != c.flush+" done" {
			t.Errorf("%s: flushes %v", name, got)
		}
	}
}

// A night shift is one day, the one on which it began; two shifts of one date are one
// day with two pre-start checks.
func TestDaysAndShifts(t *testing.T) {
	night := told(t, `
		21:30 start
		21:35 check
		21:40 strainer-checked
		21:45 final-filter-checked
		23:00 load
		1 05:30 vacuum-pump-flushed
		1 06:00 end`).report(t, Options{})
	wantStates(t, "night", night, `
		05 prestart-check by 5 22:50 done 5 21:35
		05 strainer-checked by 6 06:00 done 5 21:40
		05 final-filter-checked by 6 06:00 done 5 21:45
		05 vacuum-pump-flushed by 6 06:00 done 6 05:30`)
	two := told(t, `
		06:00 start
		06:05 check
		06:10 strainer-checked
		06:15 final-filter-checked
		08:00 load
		12:00 end
		12:00 start
		12:05 check
		14:00 load
		16:55 vacuum-pump-flushed
		17:00 end`).report(t, Options{})
	wantStates(t, "two shifts", two, `
		05 prestart-check by 5 07:50 done 5 06:05
		05 prestart-check by 5 13:50 done 5 12:05
		05 strainer-checked by 5 17:00 done 5 06:10
		05 final-filter-checked by 5 17:00 done 5 06:15
		05 vacuum-pump-flushed by 5 17:00 done 5 16:55`)
}

// Other rules than common practice, all from the caller.
func TestOtherRules(t *testing.T) {
	l := told(t, "06:30 start\n08:00 load\n10:00 tank-washed\n15:00 end")
	r := l.report(t, Options{Rules: []Rule{{Task(events.TankWashed), EachDay, "the yard"}}})
	wantStates(t, "washed", r, "05 tank-washed by 5 15:00 done 5 10:00")
	if rows := slices.Collect(r.ruleTable().Rows); len(rows) != 1 || rows[0].Cells[3].Text != "the yard" {
		t.Errorf("rules %+v", rows)
	}
	if none := l.report(t, Options{Rules: []Rule{}}); len(none.Rows) != 0 || len(none.Findings) != 0 {
		t.Errorf("no rules: %+v", none.Rows)
	}
}

func TestNarrowedToAJob(t *testing.T) {
	l := told(t, "06:30 start\n08:00 load\n15:00 end")
	l.put("2 06:00", "", events.ShiftStarted{})
	l.put("2 08:00", "J-2", events.SiteArrived{})
	l.put("2 09:00", "", events.CareRecorded{Task: events.TankWashed})
	l.put("2 15:00", "", events.ShiftEnded{})
	q := request(t)
	q.Filter.Job = "J-2"
	r := Compute(reports.Resolve(l.recs, uint64(len(l.recs))), q, Options{})
	for _, w := range r.Rows {
		if w.Day != "2026-10-07" {
			t.Errorf("row of %s", w.Day)
		}
	}
	if len(r.Rows) != 5 || len(r.Records) != 1 {
		t.Errorf("%d rows, %d records", len(r.Rows), len(r.Records))
	}
}
