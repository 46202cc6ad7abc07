package billable

import (
	"fmt"
	"math/big"
	"testing"
	"time"

	"github.com/shopspring/decimal"
	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/timesplit"
)

// weekBands are the usual bands, holidays first.
func weekBands() []events.Band {
	week := []string{"mon", "tue", "wed", "thu", "fri"}
	return []events.Band{
		{Name: "holiday", Days: []string{"holiday"}, From: "00:00", To: "24:00", Multiplier: "2.5"},
		{Name: "night", Days: week, From: "22:00", To: "06:00", Multiplier: "1.5"},
		{Name: "saturday", Days: []string{"sat"}, From: "00:00", To: "24:00", Multiplier: "1.75"},
		{Name: "sunday", Days: []string{"sun"}, From: "00:00", To: "24:00", Multiplier: "2"},
		{Name: "evening", Days: week, From: "18:00", To: "22:00", Multiplier: "1.25"},
	}
}

// through is a stay on site from one instant to another, billed at 60 an hour by
// the week's bands.
func through(t *testing.T, from, to string) *Report {
	t.Helper()
	l := newLedger()
	l.revise(early, "CAL", events.Calendar{Name: "Holidays", Holidays: []events.Holiday{{Date: "2026-10-26", Name: "October holiday"}}})
	l.agree(events.RateCard{Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}}, Bands: weekBands(), Calendar: "CAL"})
	l.say(from + " shift.started\n" + from + " site.arrived J-1\n" + to + " site.left J-1\n" + to + " shift.ended")
	return l.bill(t, "2026-10-01", "2026-11-30")
}

func TestBandsThroughANightAndAWeekend(t *testing.T) {
	// Friday 16 October 2026, 17:30, to Saturday, 07:00. The night that began on
	// Friday runs to 06:00 of Saturday and goes before Saturday in the list.
	wantText(t, text(through(t, "2026-10-16T17:30:00.000+01:00", "2026-10-17T07:00:00.000+01:00")), `
		10-16 on-site ordinary 0:30 0:30 60x1 30.00
		10-16 on-site evening 4:00 4:00 60x1.25 300.00
		10-16 on-site night 2:00 2:00 60x1.5 180.00
		10-17 on-site night 6:00 6:00 60x1.5 540.00
		10-17 on-site saturday 1:00 1:00 60x1.75 105.00`)
}

func TestBandsWhenTheClockGoesBack(t *testing.T) {
	// Europe/Dublin, 25 October 2026: 01:00 to 02:00 is shown twice, so that 22:00
	// to 06:00 is nine hours; the next day is a holiday.
	r := through(t, "2026-10-24T22:00:00.000+01:00", "2026-10-25T06:00:00.000+00:00")
	wantText(t, text(r), `
		10-24 on-site saturday 2:00 2:00 60x1.75 210.00
		10-25 on-site sunday 2:00 2:00 60x2 240.00
		10-25 on-site sunday 5:00 5:00 60x2 600.00`)
	if r.ShiftMS != 9*hourMS {
		t.Errorf("the shift is %s", clock(r.ShiftMS))
	}
	wantText(t, text(through(t, "2026-10-25T23:00:00.000+00:00", "2026-10-27T07:00:00.000+00:00")), `
		10-25 on-site sunday 1:00 1:00 60x2 120.00
		10-26 on-site holiday 24:00 24:00 60x2.5 3600.00
		10-27 on-site night 6:00 6:00 60x1.5 540.00
		10-27 on-site ordinary 1:00 1:00 60x1 60.00`)
}

// plainBand says which band counts, from the clock alone, without LocalParts.
func plainBand(bands []events.Band, holidays map[string]bool, local time.Time) string {
	on := func(b events.Band, d time.Time) bool {
		for _, word := range b.Days {
			if word == "holiday" && holidays[d.Format(time.DateOnly)] || word == [7]string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}[d.Weekday()] {
				return true
			}
		}
		return false
	}
	now := local.Format("15:04")
	y, m, d := local.Date()
	today, yesterday := time.Date(y, m, d, 0, 0, 0, 0, time.UTC), time.Date(y, m, d-1, 0, 0, 0, 0, time.UTC)
	for _, b := range bands {
		switch {
		case b.From < b.To && b.From <= now && now < b.To && on(b, today):
			return b.Name
		case b.From > b.To && (now >= b.From && on(b, today) || now < b.To && on(b, yesterday)):
			return b.Name
		}
	}
	return "ordinary"
}

// TestEveryMinuteHasItsBand holds the cut against a minute-by-minute walk, in
// zones with changes of an hour and of half an hour.
func TestEveryMinuteHasItsBand(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		zone, err := time.LoadLocation(rapid.SampledFrom([]string{"Europe/Dublin", "Pacific/Auckland", "America/Chicago", "Australia/Lord_Howe", "Asia/Kathmandu"}).Draw(r, "zone"))
		if err != nil {
			r.Fatal(err)
		}
		near := rapid.SampledFrom([]string{"2026-03-08T00:00:00.000Z", "2026-03-28T12:00:00.000Z", "2026-04-04T02:00:00.000Z", "2026-09-26T02:00:00.000Z", "2026-10-03T02:00:00.000Z", "2026-10-24T12:00:00.000Z", "2026-10-31T20:00:00.000Z"}).Draw(r, "near")
		from := events.Time{UnixMS: events.MustTime(near).UnixMS + int64(rapid.IntRange(0, 1440).Draw(r, "start"))*60_000}
		minutes := rapid.IntRange(1, 3000).Draw(r, "minutes")
		to := events.Time{UnixMS: from.UnixMS + int64(minutes)*60_000}
		clocks := []string{"00:00", "01:30", "02:00", "02:15", "06:00", "18:00", "22:00", "24:00"}
		bands := []events.Band{}
		for i := range rapid.IntRange(0, 4).Draw(r, "bands") {
			bands = append(bands, events.Band{Name: fmt.Sprint("b", i), From: rapid.SampledFrom(clocks[:7]).Draw(r, "from"), To: rapid.SampledFrom(clocks).Draw(r, "to"),
				Days: []string{rapid.SampledFrom([]string{"mon", "sat", "holiday", "sun"}).Draw(r, "day"), rapid.SampledFrom([]string{"sat", "sun", "tue"}).Draw(r, "other")}, Multiplier: "2"})
		}
		tm := &terms{zone: zone, holidays: map[string]bool{"2026-10-26": true, "2026-04-03": true}}
		for _, b := range bands {
			f, _ := events.ClockMinutes(b.From)
			o, _ := events.ClockMinutes(b.To)
			tm.bands = append(tm.bands, band{name: b.Name, days: b.Days, from: f, to: o})
			tm.edges = append(tm.edges, f, o)
		}
		got, want := map[string]int64{}, map[string]int64{}
		for _, p := range timesplit.LocalParts(from, to, zone, tm.edges) {
			name, _ := tm.bandAt(p.Day, p.Minute)
			got[p.Day+" "+name] += p.LengthMS() / 60_000
		}
		for i := range minutes {
			local := time.UnixMilli(from.UnixMS + int64(i)*60_000).In(zone)
			want[local.Format(time.DateOnly)+" "+plainBand(bands, tm.holidays, local)]++
		}
		if fmt.Sprint(got) != fmt.Sprint(want) {
			r.Fatalf("%s from %s for %d min by %v: got %v, want %v", zone, from, minutes, bands, got, want)
		}
	})
}

// TestCents holds the rounding of money against exact fractions.
func TestCents(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		value := decimal.New(rapid.Int64Range(-1e12, 1e12).Draw(r, "value"), int32(rapid.IntRange(-6, 2).Draw(r, "exponent")))
		divisor := rapid.SampledFrom([]int64{1, 2, 4, 100, 3_600_000, 1_000_000, 7}).Draw(r, "divisor")
		even := rapid.Bool().Draw(r, "half to even")
		exact := new(big.Rat).Quo(value.Rat(), new(big.Rat).SetInt64(divisor))
		exact.Mul(exact, big.NewRat(100, 1))
		got := new(big.Rat).SetInt64(cents(value, divisor, even))
		off := new(big.Rat).Sub(got, exact)
		switch off.Abs(off).Cmp(big.NewRat(1, 2)) {
		case 1:
			r.Fatalf("%s/%d in hundredths is %s, got %s", value, divisor, exact.FloatString(4), got)
		case 0:
			away := new(big.Rat).Abs(got).Cmp(new(big.Rat).Abs(exact)) > 0
			if odd := got.Num().Bit(0) == 1; even && odd || !even && !away {
				r.Fatalf("%s/%d is a half, half to even %v, got %s", value, divisor, even, got)
			}
		}
	})
}

// TestWithoutZones shows what is known when no way to look zones up is given.
func TestWithoutZones(t *testing.T) {
	l := newLedger()
	l.agree(events.RateCard{Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}}})
	l.say("08:00 shift.started\n08:00 site.arrived J-1\n10:00 site.left J-1\n10:00 shift.ended")
	q := reports.Request{Period: l.bill(t, "2026-10-05", "2026-10-05").Request.Period}
	if r := Compute(l.journal(), q, Options{}); len(r.Lines) != 1 {
		t.Errorf("the period's own zone is not known: %v", r.Findings)
	}
	q.Period.Zone = time.UTC
	r := Compute(l.journal(), q, Options{})
	if len(r.Lines) != 0 || found(r, reports.UnknownReference) != 1 || sound(r) != nil {
		t.Errorf("an unknown zone: lines %v, findings %v", r.Lines, r.Findings)
	}
}
