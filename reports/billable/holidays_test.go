package billable

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
)

// independent returns the public and bank holidays of a country as the npm package
// date-holidays 3.37.0 has them, by date.
func independent(t *testing.T, country, region, first, last string) map[string]string {
	t.Helper()
	folder := filepath.Join("testdata", "node")
	if _, err := os.Stat(filepath.Join(folder, "node_modules", "date-holidays")); err != nil {
		t.Fatalf("the independent holidays are missing; run npm ci in reports/billable/%s: %v", folder, err)
	}
	c := exec.Command("node", "holidays.cjs", country, region, first, last)
	c.Dir = folder
	c.Env = append(os.Environ(), "TZ=UTC")
	out, err := c.Output()
	if err != nil {
		t.Fatalf("node holidays.cjs: %v", err)
	}
	days := map[string]string{}
	for d := json.NewDecoder(bytes.NewReader(out)); d.More(); {
		var day struct {
			Date, Name, Type string
			Substitute       bool
		}
		if err := d.Decode(&day); err != nil {
			t.Fatal(err)
		}
		days[day.Date] = day.Type + ": " + day.Name
	}
	return days
}

// TestHolidaysAgreeWithAnotherSource compares the calendars with date-holidays, day by
// day over five years. What differs is listed with the reason, and nothing else may.
func TestHolidaysAgreeWithAnotherSource(t *testing.T) {
	differences := map[string]map[string]string{
		"IE": {
			"2024-03-18": "only there: banks close for Saint Patrick's Day; the public holiday is not moved",
			"2024-03-29": "only there: Good Friday is a bank holiday and no public holiday",
			"2025-04-18": "only there: Good Friday is a bank holiday and no public holiday",
			"2026-04-03": "only there: Good Friday is a bank holiday and no public holiday",
			"2027-03-26": "only there: Good Friday is a bank holiday and no public holiday",
			"2028-04-14": "only there: Good Friday is a bank holiday and no public holiday",
			"2026-12-28": "only there: banks close for Saint Stephen's Day; the public holiday is not moved",
			"2027-12-27": "only there: banks close for Saint Stephen's Day; the public holiday is not moved",
		},
		"GB-ENG": {}, "NZ": {}, "US": {},
	}
	regions := map[string][2]string{"IE": {"IE", "-"}, "GB-ENG": {"GB", "ENG"}, "NZ": {"NZ", "-"}, "US": {"US", "-"}}
	for _, country := range HolidayCountries() {
		theirs := independent(t, regions[country][0], regions[country][1], "2024", "2028")
		calendar, err := Holidays(country, 2024, 2028)
		if err != nil || len(theirs) < 40 {
			t.Fatalf("%s: %v, and %d days elsewhere", country, err, len(theirs))
		}
		ours := map[string]string{}
		for _, h := range calendar.Holidays {
			ours[h.Date] = h.Name
		}
		met := map[string]bool{}
		for date, name := range ours {
			if theirs[date] == "" {
				met[date] = true
				if differences[country][date] == "" {
					t.Errorf("%s: %s is %q here and no holiday elsewhere", country, date, name)
				}
			}
		}
		for date, name := range theirs {
			if ours[date] == "" {
				met[date] = true
				if differences[country][date] == "" {
					t.Errorf("%s: %s is %q elsewhere and no holiday here", country, date, name)
				}
			}
		}
		for date, why := range differences[country] {
			if !met[date] {
				t.Errorf("%s: %s is the same in both, and was listed as different: %s", country, date, why)
			}
		}
	}
}

// The dates of the Act's schedule are those that the other source reckons from the
// calendar of the moon.
func TestMatarikiAgreesWithAnotherSource(t *testing.T) {
	theirs := independent(t, "NZ", "-", "2022", "2035")
	for year, date := range matariki() {
		if got := theirs[date.Format("2006-01-02")]; got != "public: Matariki" {
			t.Errorf("%d: %s is %q elsewhere", year, date.Format("2006-01-02"), got)
		}
	}
	if len(matariki()) != 14 {
		t.Errorf("%d dates", len(matariki()))
	}
}

func TestHolidaysAreACalendarOfTheRegister(t *testing.T) {
	for _, country := range HolidayCountries() {
		calendar, err := Holidays(country, 2022, 2030)
		check := &events.Check{}
		if calendar.Check(check); err != nil || check.Err() != nil {
			t.Fatalf("%s: %v, %v", country, err, check.Err())
		}
		if !slices.IsSortedFunc(calendar.Holidays, func(a, b events.Holiday) int { return strings.Compare(a.Date, b.Date) }) {
			t.Errorf("%s: not by date: %v", country, calendar.Holidays)
		}
		if calendar.Holidays[0].Date < "2022-01-01" || calendar.Holidays[len(calendar.Holidays)-1].Date > "2030-12-31" {
			t.Errorf("%s: beyond its years: %v", country, calendar.Holidays)
		}
	}
	// New Year's Day 2028 is a Saturday: the federal day off is the Friday before.
	calendar, err := Holidays("US", 2027, 2027)
	if want := (events.Holiday{Date: "2027-12-31", Name: "New Year's Day (substitute day)"}); err != nil || !slices.Contains(calendar.Holidays, want) {
		t.Errorf("the last day of 2027: %v, %v", calendar.Holidays, err)
	}
	for _, c := range []struct {
		country     string
		first, last int
	}{{"XX", 2026, 2026}, {"IE", 2026, 2025}, {"IE", 2021, 2026}, {"IE", 2026, 2099}} {
		if _, err := Holidays(c.country, c.first, c.last); err == nil || !strings.Contains(err.Error(), "allowed: ") {
			t.Errorf("%s %d to %d: %v", c.country, c.first, c.last, err)
		}
	}
}

// A calendar of this kind puts the holiday band on the October holiday of Ireland.
func TestAFilledCalendarBillsTheHoliday(t *testing.T) {
	calendar, err := Holidays("IE", 2026, 2026)
	if err != nil {
		t.Fatal(err)
	}
	l := newLedger()
	l.day, l.off = "2026-10-26", "+00:00"
	l.revise(early, "IE", calendar)
	l.agree(events.RateCard{Calendar: "IE", Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}},
		Bands: []events.Band{{Name: "holiday", Days: []string{"holiday"}, From: "00:00", To: "24:00", Multiplier: "2"}}})
	l.say("08:00 shift.started\n08:00 site.arrived J-1\n09:00 site.left J-1\n09:00 shift.ended")
	r := l.bill(t, "2026-10-26", "2026-10-26")
	wantText(t, text(r), "10-26 on-site holiday 1:00 1:00 60x2 120.00")
	if e := only(t, r, ForTime); e.Register[len(e.Register)-3].Reads != "2026-10-26 is Last Monday in October" {
		t.Errorf("the calendar reads %+v", e.Register)
	}
}
