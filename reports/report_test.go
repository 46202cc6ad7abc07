package reports_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/register"
)

func zone(t *testing.T, name string) *time.Location {
	t.Helper()
	z, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return z
}

// In 2026 Ireland's clocks go back on 25 October at 02:00 (tz database): October
// has a day of 25 hours, and March the 29th one of 23.
func TestDays(t *testing.T) {
	dublin := zone(t, "Europe/Dublin")
	for _, c := range []struct {
		first, last, from, to string
		hours                 int64
	}{
		{"2026-10-01", "2026-10-31", "2026-10-01T00:00:00.000+01:00", "2026-11-01T00:00:00.000Z", 31*24 + 1},
		{"2026-10-25", "2026-10-25", "2026-10-25T00:00:00.000+01:00", "2026-10-26T00:00:00.000Z", 25},
		{"2026-03-29", "2026-03-29", "2026-03-29T00:00:00.000Z", "2026-03-30T00:00:00.000+01:00", 23},
		{"2026-12-31", "2027-01-01", "2026-12-31T00:00:00.000Z", "2027-01-02T00:00:00.000Z", 48},
	} {
		p, err := reports.Days(c.first, c.last, dublin)
		if err != nil || p.From.String() != c.from || p.To.String() != c.to || (p.To.UnixMS-p.From.UnixMS)/3_600_000 != c.hours {
			t.Errorf("%s to %s is %s to %s, error %v", c.first, c.last, p.From, p.To, err)
		}
	}
	for _, c := range []struct{ first, last, says string }{
		{"2026-10-1", "2026-10-31", `first day "2026-10-1"`}, {"", "2026-10-31", "first day"}, {"2026-10-01", "2026-10-32", `last day "2026-10-32"`},
		{"2026-10-02", "2026-10-01", "before first day 2026-10-02"},
	} {
		if _, err := reports.Days(c.first, c.last, dublin); err == nil || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q to %q: error %v", c.first, c.last, err)
		}
	}
}

// Some clocks change at midnight, and one island group skipped a day (tz
// database): the day then begins where the calendar first shows it.
func TestStartOfDay(t *testing.T) {
	for _, c := range []struct{ zone, day, want string }{
		{"Europe/Dublin", "2026-10-25", "2026-10-25T00:00:00.000+01:00"},
		{"Africa/Cairo", "2024-04-26", "2024-04-26T01:00:00.000+03:00"},      // 00:00 to 01:00 skipped
		{"America/Havana", "2024-11-03", "2024-11-03T00:00:00.000-04:00"},    // 00:00 to 01:00 twice
		{"America/Sao_Paulo", "2018-11-04", "2018-11-04T01:00:00.000-02:00"}, // 00:00 to 01:00 skipped
		{"America/Sao_Paulo", "2019-02-17", "2019-02-17T00:00:00.000-03:00"}, // 23:00 to 24:00 of the day before twice
		{"Pacific/Apia", "2011-12-31", "2011-12-31T00:00:00.000+14:00"},      // after the day that was not
		{"UTC", "2026-02-28", "2026-02-28T00:00:00.000Z"},
	} {
		day, err := time.Parse(time.DateOnly, c.day)
		if err != nil {
			t.Fatal(err)
		}
		got := events.TimeOf(reports.StartOfDay(day.Year(), day.Month(), day.Day(), zone(t, c.zone)))
		if got.String() != c.want {
			t.Errorf("%s begins in %s at %s, want %s", c.day, c.zone, got, c.want)
		}
		if before := time.UnixMilli(got.UnixMS - 1).In(zone(t, c.zone)).Format(time.DateOnly); before >= c.day {
			t.Errorf("%s has begun in %s before %s", c.day, c.zone, got)
		}
	}
	if got := reports.StartOfDay(2026, time.October, 32, zone(t, "Europe/Dublin")); got.Format(time.DateOnly) != "2026-11-01" {
		t.Errorf("October 32 is %s", got)
	}
}

// Days follow on each other without gap or overlap, in zones whose clocks change
// at midnight too.
func TestDaysFollowOnEachOther(t *testing.T) {
	for _, name := range []string{"Europe/Dublin", "Africa/Cairo", "America/Havana", "America/Santiago", "Asia/Beirut", "Pacific/Auckland"} {
		z := zone(t, name)
		for day := range 400 {
			start, next := reports.StartOfDay(2024, time.January, 1+day, z), reports.StartOfDay(2024, time.January, 2+day, z)
			hours := next.Sub(start).Hours()
			if hours < 23 || hours > 25 || start.Format(time.DateOnly) != next.Add(-time.Millisecond).Format(time.DateOnly) {
				t.Errorf("%s: %s to %s", name, start, next)
			}
		}
	}
}

func TestEachDay(t *testing.T) {
	dublin := zone(t, "Europe/Dublin")
	p, err := reports.Days("2026-10-24", "2026-10-27", dublin)
	if err != nil {
		t.Fatal(err)
	}
	if got := p.EachDay(); !slices.Equal(got, []string{"2026-10-24", "2026-10-25", "2026-10-26", "2026-10-27"}) {
		t.Errorf("days %v", got)
	}
	at := events.MustTime("2026-10-25T23:30:00Z")
	p = reports.Period{From: at, To: events.Time{UnixMS: at.UnixMS + 1}, Zone: dublin}
	if got := p.EachDay(); !slices.Equal(got, []string{"2026-10-25"}) || !p.Contains(at) || p.Contains(p.To) || p.Day(at) != "2026-10-25" {
		t.Errorf("days %v", got)
	}
	p.To = p.From
	if got := p.EachDay(); len(got) != 0 || p.Contains(at) {
		t.Errorf("an empty period has days %v", got)
	}
	apia := zone(t, "Pacific/Apia")
	if p, err = reports.Days("2011-12-29", "2011-12-31", apia); err != nil || !slices.Equal(p.EachDay(), []string{"2011-12-29", "2011-12-31"}) {
		t.Errorf("days %v, error %v", p.EachDay(), err)
	}
}

func TestLocalDay(t *testing.T) {
	p := reports.Period{Zone: zone(t, "Pacific/Auckland")}
	at := events.MustTime("2026-04-04T13:30:00Z") // 02:30 for the first time that night
	if got := p.Local(at).Format(time.RFC3339); got != "2026-04-05T02:30:00+13:00" || p.Day(at) != "2026-04-05" {
		t.Errorf("local %s", got)
	}
}

func TestRequest(t *testing.T) {
	at := events.MustTime(noon)
	job := func(position uint64, from string, client events.ClientID) events.Recorded {
		return events.Recorded{Position: position, Event: events.Event{Body: events.RegisterRevised{Key: "J-1", EffectiveFrom: events.MustTime(from),
			Document: events.Job{Client: client}}}}
	}
	j := &reports.Journal{Book: register.NewBook([]events.Recorded{job(1, "2026-01-01T00:00:00Z", "C-1"), job(2, "2026-10-05T11:00:00Z", "C-2")})}
	for _, c := range []struct {
		filter reports.Filter
		id     events.JobID
		at     events.Time
		wants  bool
	}{
		{reports.Filter{}, "", at, true}, {reports.Filter{Job: "J-1"}, "J-1", at, true}, {reports.Filter{Job: "J-1"}, "J-2", at, false},
		{reports.Filter{Client: "C-2"}, "J-1", at, true}, {reports.Filter{Client: "C-1"}, "J-1", at, false},
		{reports.Filter{Client: "C-1"}, "J-1", events.Time{UnixMS: at.UnixMS - 1}, true}, {reports.Filter{Client: "C-1"}, "J-9", at, false},
		{reports.Filter{Job: "J-1", Client: "C-1"}, "J-1", at, false},
	} {
		if got := (reports.Request{Filter: c.filter}).WantsJob(j, c.id, c.at); got != c.wants {
			t.Errorf("%+v wants %s: %v", c.filter, c.id, got)
		}
	}
	d := &day{}
	d.add("/truck/TM-02", "TM-02", noon, events.RestEnded{})
	d.truck(noon, events.RestEnded{})
	whole := d.resolve()
	if got := (reports.Request{}).Trucks(whole); !slices.Equal(got, []events.TruckID{"TM-01", "TM-02"}) {
		t.Errorf("trucks %v", got)
	}
	if got := (reports.Request{Filter: reports.Filter{Truck: "TM-09"}}).Trucks(whole); !slices.Equal(got, []events.TruckID{"TM-09"}) {
		t.Errorf("trucks %v", got)
	}
}
