package workrest

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

// monday is 2026-10-05 in Dublin's summer time.
const monday = "2026-10-05T00:00:00.000+01:00"

// duties reads "work 06:00-11:30" items separated by commas; "1d06:00" is a day later.
func duties(t testing.TB, text string) []Duty {
	t.Helper()
	list := []Duty{}
	for item := range strings.SplitSeq(text, ",") {
		word, span, _ := strings.Cut(strings.TrimSpace(item), " ")
		from, to, _ := strings.Cut(span, "-")
		kind := slices.Index([]string{"rest", "work", "driving"}, word)
		if kind < 0 {
			t.Fatalf("no kind of duty: %q", item)
		}
		list = append(list, Duty{Kind: Kind(kind), From: clock(t, from), To: clock(t, to), Truck: "TM-01", Cites: []uint64{uint64(len(list) + 1)}})
	}
	return list
}

func clock(t interface {
	Helper()
	Fatalf(format string, args ...any)
}, text string) events.Time {
	t.Helper()
	day, hour, minute := 0, 0, 0
	if _, err := fmt.Sscanf(text, "%dd%d:%d", &day, &hour, &minute); err != nil {
		day = 0
		if _, err := fmt.Sscanf(text, "%d:%d", &hour, &minute); err != nil {
			t.Fatalf("no clock time: %q", text)
		}
	}
	at := events.MustTime(monday)
	at.UnixMS += int64((day*24+hour)*60+minute) * minuteMS
	return at
}

func dublin(t testing.TB) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

// measured returns the measures of one limit, in minutes.
func measured(t testing.TB, set, limit, text string) []int64 {
	t.Helper()
	rules, ok := Named(set)
	if !ok {
		t.Fatalf("no rules %q", set)
	}
	out := []int64{}
	for _, s := range rules.Stretches(Person{ID: "OP-1", Duties: duties(t, text)}, dublin(t)) {
		if s.Limit.Name == limit {
			out = append(out, s.MS/minuteMS)
		}
	}
	return out
}

// The limits and rests are those of NZ Transport Agency's work time requirements,
// Regulation (EC) No 561/2006 and 49 CFR 395.3.
func TestPublishedLimits(t *testing.T) {
	want := map[string]string{
		"nz-work-time/continuous-work":    "5h30m0s then 30m0s",
		"nz-work-time/work-day":           "13h0m0s then 10h0m0s",
		"nz-work-time/work-period":        "70h0m0s then 24h0m0s",
		"eu-561-2006/continuous-driving":  "4h30m0s then 45m0s",
		"eu-561-2006/daily-driving":       "9h0m0s then 9h0m0s",
		"eu-561-2006/weekly-driving":      "56h0m0s in 1 weeks",
		"eu-561-2006/fortnightly-driving": "90h0m0s in 2 weeks",
		"us-395/driving":                  "11h0m0s then 10h0m0s",
		"us-395/window":                   "14h0m0s then 10h0m0s",
	}
	for _, set := range RuleSets() {
		if set.Source == "" || set.NotChecked == "" || set.Title == "" {
			t.Errorf("%s does not say where it is from or what it leaves out", set.Name)
		}
		for _, l := range set.Limits {
			key := set.Name + "/" + l.Name
			got := fmt.Sprintf("%s then %s", time.Duration(l.MaxMS)*time.Millisecond, time.Duration(l.RestMS)*time.Millisecond)
			if l.Weeks > 0 {
				got = fmt.Sprintf("%s in %d weeks", time.Duration(l.MaxMS)*time.Millisecond, l.Weeks)
			}
			if got != want[key] {
				t.Errorf("%s is %q, want %q", key, got, want[key])
			}
			delete(want, key)
		}
	}
	if len(want) != 0 {
		t.Errorf("limits that are missing: %v", want)
	}
}

func TestStretches(t *testing.T) {
	for _, c := range []struct {
		set, limit, duties string
		want               []int64 // minutes
	}{
		{"nz-work-time", "continuous-work", "work 06:00-11:30", []int64{330}},
		{"nz-work-time", "continuous-work", "work 06:00-11:31", []int64{331}},
		{"nz-work-time", "continuous-work", "work 06:00-11:30, rest 11:30-12:00, work 12:00-17:30", []int64{330, 330}},
		{"nz-work-time", "continuous-work", "work 06:00-11:00, rest 11:00-11:20, driving 11:20-12:00, work 12:30-13:00", []int64{360, 30}},
		{"nz-work-time", "continuous-work", "work 06:00-11:00, rest 11:00-11:29, work 11:29-12:00", []int64{360}},
		{"nz-work-time", "work-day", "work 06:00-11:00, rest 11:00-11:30, work 11:30-19:00", []int64{750}},
		{"nz-work-time", "work-day", "work 06:00-12:00, work 21:59-1d02:00", []int64{360 + 241}},
		{"nz-work-time", "work-day", "work 06:00-12:00, work 22:00-1d02:00", []int64{360, 240}},
		{"nz-work-time", "work-period", "work 06:00-16:00, work 1d06:00-1d16:00, work 2d16:00-2d17:00", []int64{1200, 60}},
		{"eu-561-2006", "continuous-driving", "driving 06:00-10:30, work 10:30-11:30, driving 11:30-11:31", []int64{271}},
		{"eu-561-2006", "continuous-driving", "driving 06:00-10:30, rest 10:30-11:15, driving 11:15-11:31", []int64{270, 16}},
		{"eu-561-2006", "continuous-driving", "driving 06:00-10:30, rest 10:30-11:14, driving 11:14-11:31", []int64{287}},
		{"eu-561-2006", "continuous-driving", "driving 06:00-08:00, rest 08:00-08:15, driving 08:15-10:30, rest 10:30-11:00, driving 11:00-12:00", []int64{255, 60}},
		{"eu-561-2006", "continuous-driving", "driving 06:00-08:00, rest 08:00-08:30, driving 08:30-10:30, rest 10:30-10:45, driving 10:45-12:00", []int64{315}},
		{"eu-561-2006", "daily-driving", "driving 06:00-12:00, driving 16:00-19:00, driving 1d03:59-1d04:00", []int64{541}},
		{"eu-561-2006", "daily-driving", "driving 06:00-12:00, driving 16:00-19:00, driving 1d04:00-1d05:00", []int64{540, 60}},
		// Sunday 11 October 22:00 to Monday 02:00 is two hours in either week.
		{"eu-561-2006", "weekly-driving", "driving 06:00-07:00, driving 6d22:00-7d02:00", []int64{180, 120}},
		{"eu-561-2006", "fortnightly-driving", "driving 06:00-07:00, driving 6d22:00-7d02:00, driving 14d00:00-14d01:00", []int64{300, 180, 60}},
		{"us-395", "driving", "driving 06:00-12:00, work 12:00-14:00, driving 14:00-19:00", []int64{660}},
		{"us-395", "driving", "driving 06:00-12:00, driving 21:59-22:59", []int64{420}},
		{"us-395", "driving", "driving 06:00-12:00, driving 22:00-23:00", []int64{360, 60}},
		{"us-395", "window", "work 06:00-10:00, driving 19:00-20:00, work 20:00-22:00", []int64{840}},
		{"us-395", "window", "work 06:00-08:00", []int64{0}},
	} {
		if got := measured(t, c.set, c.limit, c.duties); !slices.Equal(got, c.want) {
			t.Errorf("%s, %s of %q measures %v min, want %v", c.set, c.limit, c.duties, got, c.want)
		}
	}
}

// 5 h 30 min is at the limit and keeps it, 5 h 31 min does not.
func TestAtTheLimitIsNotBeyondIt(t *testing.T) {
	rules, _ := Named("")
	for text, want := range map[string]int64{"work 06:00-11:30": 0, "work 06:00-11:31": -1, "work 06:00-11:00": 30} {
		s := rules.Stretches(Person{ID: "OP-1", Duties: duties(t, text)}, dublin(t))[0]
		if s.MarginMS() != want*minuteMS || s.Over() != (want < 0) {
			t.Errorf("%s: margin %d min, over %v", text, s.MarginMS()/minuteMS, s.Over())
		}
	}
}

func TestDutiesOnSeveralTrucksAreOnePersonsTime(t *testing.T) {
	p := Person{ID: "OP-1", Duties: duties(t, "work 06:00-10:00, driving 09:00-11:00, rest 10:30-11:00, work 11:10-12:00")}
	p.Duties[1].Truck, p.Duties[3].Truck = "TM-02", "TM-03"
	rules, _ := Named("nz-work-time")
	s := rules.Stretches(p, dublin(t))[0]
	// Driving wins over the rest of the other truck; ten minutes between are work.
	if s.MS != 360*minuteMS || !slices.Equal(s.Trucks, []events.TruckID{"TM-01", "TM-02", "TM-03"}) || !slices.Equal(s.Cites, []uint64{1, 2, 4}) {
		t.Errorf("measured %+v", s)
	}
}

func TestLinesAreOfThePeriod(t *testing.T) {
	p := Person{ID: "OP-1", Duties: duties(t, "work 06:00-12:00, work 1d06:00-1d11:31, work 1d12:30-1d18:10, work 2d06:00-2d07:00")}
	period, err := reports.Days("2026-10-06", "2026-10-06", dublin(t))
	if err != nil {
		t.Fatal(err)
	}
	rules, _ := Named("nz-work-time")
	lines, over := rules.Lines(p, period)
	if len(lines) != 3 || lines[0].Stretches != 2 || lines[0].Over != 2 || lines[0].Worst.MS != 340*minuteMS || lines[0].Worst.From != clock(t, "1d12:30") {
		t.Errorf("lines %+v", lines)
	}
	if len(over) != 2 || over[0].From != clock(t, "1d06:00") {
		t.Errorf("beyond a limit: %+v", over)
	}
	// The period of work goes on from the day before, for no rest of 24 h lies between.
	if lines[2].Worst.From != clock(t, "06:00") || lines[2].Stretches != 1 {
		t.Errorf("the period of work is %+v", lines[2])
	}
}

func TestSetsAreChosenByName(t *testing.T) {
	if set, ok := Named(""); !ok || set.Name != "nz-work-time" {
		t.Errorf("the usual set is %q", set.Name)
	}
	if _, ok := Named("none"); ok {
		t.Error("a set that there is not was found")
	}
	if want := []string{"nz-work-time", "eu-561-2006", "us-395"}; !slices.Equal(Names(), want) {
		t.Errorf("names %v, want %v", Names(), want)
	}
}
