package ledger_test

import (
	"fmt"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/timesplit"
	"spoilbook/reports/yard"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// What the yard sees at the middle of each slice of the demo's month is what the time split counts there. The two are made by different
// code from the same entries. They differ only where hindsight knows more: that a journey was to a facility, or from one.
func TestYardAgreesWithTheTimeSplit(t *testing.T) {
	book := monthBook(t)
	period, err := book.PeriodOf("2026-10-01", "2026-10-31", demo.ZoneName)
	if err != nil {
		t.Fatal(err)
	}
	head, err := book.Head(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	j, err := book.Journal(t.Context(), "", head.Position)
	if err != nil {
		t.Fatal(err)
	}
	split := timesplit.Compute(j, reports.Request{Period: period}, timesplit.Options{})
	slices := 0
	for _, shift := range split.Shifts {
		for _, s := range shift.Slices {
			middle := events.Time{UnixMS: (s.From.UnixMS + s.To.UnixMS) / 2, OffsetMinutes: s.From.OffsetMinutes}
			got := yard.Compute(j, []events.TruckID{shift.Truck}, middle, yard.Options{}).Trucks[0].Doing
			journey := s.Part == timesplit.Haul || s.Part == timesplit.Return
			if got != s.Activity && !(journey && got == events.Travel) {
				t.Errorf("%s at %s: %s %s, seen as %s", shift.Truck, middle, s.Activity, s.Part, got)
			}
			slices++
		}
	}
	if slices < 1500 {
		t.Errorf("%d slices were looked at", slices)
	}
}

func TestYardOfTheLedger(t *testing.T) {
	book := monthBook(t)
	at := time.Date(2026, 10, 5, 10, 0, 0, 0, time.UTC)
	all, err := book.Yard(t.Context(), "", at)
	if err != nil {
		t.Fatal(err)
	}
	one, err := book.Yard(t.Context(), "TM-01", at)
	if err != nil {
		t.Fatal(err)
	}
	if len(all.Trucks) != 3 || len(one.Trucks) != 1 || fmt.Sprintf("%+v", one.Trucks[0]) != fmt.Sprintf("%+v", all.Trucks[0]) {
		t.Errorf("one truck:\n%+v\nof all:\n%+v", one.Trucks, all.Trucks)
	}
	if _, err := book.Yard(t.Context(), "TM-77", at); ledger.CodeOf(err) != ledger.NotFound {
		t.Errorf("a truck that there is not: %v", err)
	}
}
