package reports_test

import (
	"slices"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

// A hold stands from when it is placed until it is lifted, by its name; lifting what
// does not stand changes nothing, and a hold can be placed again.
func TestStandingHolds(t *testing.T) {
	placed := func(name string) *events.Event { return &events.Event{Body: events.HoldPlaced{Name: name}} }
	lifted := func(name string) *events.Event { return &events.Event{Body: events.HoldLifted{Name: name}} }
	for _, c := range []struct {
		all  []*events.Event
		want []string
	}{
		{nil, nil},
		{[]*events.Event{placed("B"), placed("A")}, []string{"A", "B"}},
		{[]*events.Event{placed("A"), placed("B"), lifted("A"), {Body: events.SiteLeft{}}}, []string{"B"}},
		{[]*events.Event{lifted("A"), placed("A"), placed("A")}, []string{"A"}},
		{[]*events.Event{placed("A"), lifted("A"), lifted("A")}, nil},
		{[]*events.Event{placed("A"), lifted("A"), placed("A")}, []string{"A"}},
	} {
		var got []string
		for _, h := range reports.StandingHolds(slices.Values(c.all)) {
			got = append(got, h.Name)
		}
		if !slices.Equal(got, c.want) {
			t.Errorf("%d events: %q stand, want %q", len(c.all), got, c.want)
		}
	}
}
