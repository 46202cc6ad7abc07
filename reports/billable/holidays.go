package billable

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/rickar/cal/v2"
	"github.com/rickar/cal/v2/gb"
	"github.com/rickar/cal/v2/ie"
	"github.com/rickar/cal/v2/nz"
	"github.com/rickar/cal/v2/us"

	"spoilbook/events"
)

// HolidayCountries lists the countries whose public holidays are known: Ireland,
// England (and Wales), New Zealand without its provinces, the United States' federal
// ones.
func HolidayCountries() []string { return []string{"GB-ENG", "IE", "NZ", "US"} }

// maxHolidayYears is how many years one calendar is filled for.
const maxHolidayYears = 30

// Holidays returns a calendar of a country's public holidays from the first year to
// the last, by date, to be put into the register. Where the law moves a holiday from a
// weekend both days are there, the other as "(substitute day)"; delete the one that
// the rate card does not mean. Governments add and move days: look the calendar over
// before it is used.
func Holidays(country string, first, last int) (events.Calendar, error) {
	if first < 2022 || last < first || last-first >= maxHolidayYears {
		return events.Calendar{}, fmt.Errorf("holidays: found the years %d to %d; allowed: from 2022 on, at most %d years", first, last, maxHolidayYears)
	}
	list, name, ok := holidaysOf(country)
	if !ok {
		return events.Calendar{}, fmt.Errorf("holidays: found country %q; allowed: %s", country, strings.Join(HolidayCountries(), ", "))
	}
	calendar := events.Calendar{Name: fmt.Sprintf("Public holidays, %s, %d to %d", name, first, last)}
	add := func(t time.Time, name string) {
		h := events.Holiday{Date: t.Format(time.DateOnly), Name: name}
		if !t.IsZero() && t.Year() >= first && t.Year() <= last && !slices.Contains(calendar.Holidays, h) {
			calendar.Holidays = append(calendar.Holidays, h)
		}
	}
	for year := first; year <= last+1; year++ { // a holiday of January can be observed in December
		for _, h := range list {
			actual, observed := h.Calc(year)
			title := holidayName(h, year)
			add(actual, title)
			if !observed.Equal(actual) {
				add(observed, title+" (substitute day)")
			}
		}
		if date, ok := matariki()[year]; ok && country == "NZ" {
			add(date, "Matariki")
		}
	}
	slices.SortStableFunc(calendar.Holidays, func(a, b events.Holiday) int { return cmp.Compare(a.Date, b.Date) })
	return calendar, nil
}

func holidaysOf(country string) (list []*cal.Holiday, name string, ok bool) {
	switch country {
	case "IE":
		return ie.Holidays, "Ireland", true
	case "GB-ENG":
		return gb.Holidays, "England and Wales", true
	case "NZ":
		return nz.Holidays, "New Zealand", true
	case "US":
		return us.Holidays, "United States, federal", true
	}
	return nil, "", false
}

// holidayName returns the name that a holiday has in a year.
func holidayName(h *cal.Holiday, year int) string {
	if h == nz.QueensBirthday && year >= 2023 {
		return "King's Birthday"
	}
	return h.Name
}

// matariki returns the dates that Te Kāhui o Matariki Public Holiday Act 2022 sets,
// from its schedule, as far as they can be compared with an independent list.
func matariki() map[int]time.Time {
	dates := map[int]time.Time{}
	for _, d := range []string{"2022-06-24", "2023-07-14", "2024-06-28", "2025-06-20", "2026-07-10", "2027-06-25", "2028-07-14", "2029-07-06", "2030-06-21",
		"2031-07-11", "2032-07-02", "2033-06-24", "2034-07-07", "2035-06-29"} {
		if t, err := time.Parse(time.DateOnly, d); err == nil {
			dates[t.Year()] = t
		}
	}
	return dates
}
