package billable

import (
	"testing"

	"spoilbook/events"
)

// BenchmarkYear bills a truck's year of 250 days of two visits.
func BenchmarkYear(b *testing.B) {
	l := newLedger()
	l.agree(events.RateCard{Bands: weekBands(), Rates: []events.ActivityRate{{Activity: events.OnSite, HourlyRate: "60"}, {Activity: events.Loading, HourlyRate: "120"},
		{Activity: events.Travel, HourlyRate: "50"}}, Rounding: events.Rounding{IncrementMinutes: 15, Mode: "up", Per: "visit"}})
	day := events.MustTime("2026-01-05T00:00:00.000Z").Std()
	for range 250 {
		l.day, l.off = day.Format("2006-01-02"), "+00:00"
		l.say("06:00 shift.started\n06:30 site.arrived J-1")
		for _, h := range []string{"07", "08", "09", "10", "11"} {
			l.load(h+":00", h+":30", "J-1", 1_000_000)
		}
		l.say("12:00 site.left J-1\n12:10 rest.started\n12:40 rest.ended\n13:00 site.arrived J-1\n14:00 stop.pressed - client\n14:05 stop.reset\n14:10 plant.restarted\n17:00 site.left J-1")
		l.put("17:45", "", events.SpoilTipped{Start: l.at("17:30"), End: l.at("17:45"), Facility: "F-1", Whole: true})
		l.say("18:30 shift.ended")
		day = day.AddDate(0, 0, 1)
	}
	j := l.journal()
	zone, err := zones("Europe/Dublin")
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		r := compute(j, events.MustTime("2026-01-01T00:00:00.000Z"), events.MustTime("2027-01-01T00:00:00.000Z"), zone)
		if len(r.Lines) < 1000 {
			b.Fatalf("%d lines", len(r.Lines))
		}
	}
}
