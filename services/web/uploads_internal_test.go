package web

import (
	"testing"
	"time"

	"spoilbook/services/ledger"
)

// What was handed in is kept for who did so, for a while, and not more than there is room for.
func TestUploadsAreKeptForAWhile(t *testing.T) {
	u := uploads{}
	start := time.Date(2026, 11, 5, 9, 0, 0, 0, time.UTC)
	first := u.keep(&upload{who: "ann", name: "first", at: start})
	if one, err := u.find(first, "ann", start.Add(time.Hour)); err != nil || one.name != "first" {
		t.Errorf("%+v, %v", one, err)
	}
	for what, c := range map[string]struct {
		token, who string
		at         time.Time
	}{"another's": {first, "bob", start}, "an unknown one": {"x", "ann", start}, "an old one": {first, "ann", start.Add(keptFor + time.Second)}} {
		if _, err := u.find(c.token, c.who, c.at); ledger.CodeOf(err) != ledger.NotFound {
			t.Errorf("%s: %v", what, err)
		}
	}
	u.settle(first, "done")
	if one, err := u.find(first, "ann", start); err != nil || one.done != "done" {
		t.Errorf("%+v, %v", one, err)
	}
	for n := range keptUploads {
		u.keep(&upload{who: "ann", at: start.Add(time.Duration(n+1) * time.Second)})
	}
	if _, err := u.find(first, "ann", start.Add(time.Minute)); err == nil || len(u.list) != keptUploads {
		t.Errorf("the oldest is still there among %d: %v", len(u.list), err)
	}
}
