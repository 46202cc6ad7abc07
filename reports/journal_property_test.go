package reports_test

import (
	"fmt"
	"math/rand/v2"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
)

// drawDay draws a ledger of entries, changes to them and to each other, gaps,
// repeated times and references that lead nowhere.
func drawDay(t *rapid.T) *day {
	d := &day{}
	for range rapid.IntRange(0, 25).Draw(t, "events") {
		some := events.Ref{Source: "/truck/TM-01", ID: "none"}
		if len(d.recs) > 0 && rapid.IntRange(0, 9).Draw(t, "refer") > 0 {
			some = d.recs[rapid.IntRange(0, len(d.recs)-1).Draw(t, "to")].Ref()
		}
		switch rapid.IntRange(0, 9).Draw(t, "what") {
		case 0, 1, 2:
			d.truck(fmt.Sprintf("2026-10-05T1%d:00:00+01:00", rapid.IntRange(0, 9).Draw(t, "hour")), gauge(int64(len(d.recs))))
		case 3:
			d.add("/truck/TM-02", "TM-02", noon, events.RestEnded{})
		case 4, 5:
			d.correct(some, gauge(int64(100+len(d.recs))))
		case 6, 7:
			d.void(some)
		case 8:
			d.seqs = map[events.Source]uint64{"/truck/TM-01": uint64(rapid.IntRange(0, 40).Draw(t, "seq"))}
		case 9:
			d.office(events.ReportIssued{Report: "water", From: events.MustTime("2026-10-05T00:00:00Z"), To: events.MustTime("2026-10-06T00:00:00Z"),
				Position: uint64(rapid.IntRange(0, 25).Draw(t, "position"))})
		}
	}
	return d
}

// The order in which the events are handed over never shows, and every event is
// counted once.
func TestOrderNeverShows(t *testing.T) {
	show := func(j *reports.Journal) string {
		all := fmt.Sprintf("%+v %+v %+v", j.Count, j.Findings, j.Office)
		for _, id := range j.Trucks() {
			all += fmt.Sprintf("\n%s %+v", id, j.Entries(id))
		}
		return all
	}
	rapid.Check(t, func(t *rapid.T) {
		d := drawDay(t)
		j := d.resolve()
		if c := j.Count; c.Events != len(d.recs) || c.Events != c.Effective+c.Voided+c.Corrections+c.Revisions || c.Corrected > c.Effective {
			t.Fatalf("count %+v of %d events", c, len(d.recs))
		}
		want := show(j)
		random := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		random.Shuffle(len(d.recs), func(a, b int) { d.recs[a], d.recs[b] = d.recs[b], d.recs[a] })
		if got := show(d.resolve()); got != want {
			t.Fatalf("shuffled\n%s\nin order\n%s", got, want)
		}
	})
}

// What stands agrees with the rule said plainly: a change that a standing voiding
// refers to does not stand; of an entry's other changes the last that stands holds.
func TestStandingChanges(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawDay(t)
		j := d.resolve()
		shown := map[uint64]string{}
		for _, id := range j.Trucks() {
			for _, e := range j.Entries(id) {
				shown[e.Positions[0]] = fmt.Sprintf("%+v", e.Body)
			}
		}
		for _, r := range d.recs {
			if r.Truck == "" {
				continue
			}
			want, ok := plain(d.recs, r)
			if got, have := shown[r.Position]; have != ok || ok && got != fmt.Sprintf("%+v", want) {
				t.Fatalf("entry %d stands as %s (%v), want %+v (%v)", r.Position, got, have, want, ok)
			}
		}
	})
}

// plain returns what an entry says by that rule; ok is false when it is voided.
func plain(recs []events.Recorded, entry events.Recorded) (body events.Body, ok bool) {
	byRef := map[events.Ref]events.Recorded{}
	for _, r := range recs {
		byRef[r.Ref()] = r
	}
	target := func(r events.Recorded) (events.Recorded, bool) {
		var ref events.Ref
		switch b := r.Body.(type) {
		case events.EntryCorrected:
			ref = b.Refers
		case events.EntryVoided:
			ref = b.Refers
		}
		to, found := byRef[ref]
		return to, found && to.Position < r.Position
	}
	var about func(r events.Recorded) bool // whether r changes entry, at once or by way of others
	about = func(r events.Recorded) bool {
		to, found := target(r)
		if !found {
			return false
		}
		if fix, is := r.Body.(events.EntryCorrected); is && fix.Replacement.Body.Kind() != entry.Kind() {
			return false
		}
		return to.Position == entry.Position || about(to)
	}
	var stands func(r events.Recorded) bool
	stands = func(r events.Recorded) bool {
		for _, v := range recs {
			if to, found := target(v); found && to.Position == r.Position && v.Kind() == events.KindEntryVoided && about(v) && stands(v) {
				return false
			}
		}
		return true
	}
	body, ok = entry.Body, true
	for _, r := range recs {
		to, found := target(r)
		if !found || !about(r) || !stands(r) {
			continue
		}
		switch b := r.Body.(type) {
		case events.EntryCorrected:
			body, ok = b.Replacement.Body, true
		case events.EntryVoided:
			if to.Position == entry.Position {
				ok = false
			}
		}
	}
	return body, ok
}
