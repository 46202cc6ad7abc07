package demo_test

import (
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/changes"
	"spoilbook/reports/manifest"
	"spoilbook/reports/water"
)

// The month's correction of a load that was typed wrong changes the consignment that the load went with, what is added up of it, and nothing else.
func TestACorrectionChangesItsLines(t *testing.T) {
	whole := flowJournal(t)
	position, load := uint64(0), uint64(0)
	recs := []events.Recorded{}
	for p := uint64(1); p <= whole.Position; p++ {
		r := whole.Recorded(p)
		recs = append(recs, *r)
		if b, ok := r.Body.(events.EntryCorrected); ok && position == 0 {
			position = p
			load, _ = whole.PositionOf(b.Refers)
		}
	}
	if position == 0 || whole.Recorded(load).Kind() != events.KindLoadCollected {
		t.Fatal("the month has no correction of a load")
	}
	q := reports.Request{Period: flowPeriod(t, "2026-10-01", "2026-10-31")}
	before, after := reports.Resolve(recs[:position-1], position-1), reports.Resolve(recs[:position], position)
	was, is := manifest.Compute(before, q, manifest.Options{}).Document(), manifest.Compute(after, q, manifest.Options{}).Document()
	d := changes.Between(was, is, q.Period, position-1, after)
	if got := d.Causes(); !slices.Equal(got, []uint64{position}) {
		t.Errorf("the causes are %v, want only %d", got, position)
	}
	found := false
	for _, table := range d.Tables {
		for _, line := range table.Lines {
			if line.Status != changes.Changed || len(line.Cells) == 0 {
				t.Errorf("%s %s is %s", table.Name, line.Name, line.Status)
			}
		}
		if table.Name != "Consignments" {
			continue
		}
		found = true
		m := manifest.Compute(after, q, manifest.Options{})
		want := []string{}
		for i := range m.Consignments {
			if slices.Contains(m.Consignments[i].Rests(), load) {
				want = append(want, m.Consignments[i].Key)
			}
		}
		got := []string{}
		for _, line := range table.Lines {
			got = append(got, line.Name)
			if !slices.Equal(line.Because, []uint64{position}) {
				t.Errorf("%s changed because of %v", line.Name, line.Because)
			}
			if !slices.ContainsFunc(line.Cells, func(c changes.Cell) bool { return strings.HasPrefix(c.Column, "Solids") && c.Was != c.Is }) {
				t.Errorf("%s: %+v", line.Name, line.Cells)
			}
		}
		if !slices.Equal(got, want) || len(want) == 0 {
			t.Errorf("the consignments %v changed, want %v", got, want)
		}
		if table.Same+len(table.Lines) != len(m.Consignments) {
			t.Errorf("%d lines are the same and %d not, of %d", table.Same, len(table.Lines), len(m.Consignments))
		}
	}
	if !found {
		t.Error("there is no table of consignments")
	}
	w := changes.Between(water.Compute(before, q, water.Options{}).Document(), water.Compute(after, q, water.Options{}).Document(), q.Period, position-1, after)
	for _, cause := range w.Causes() {
		if cause != position {
			t.Errorf("water changed because of %d", cause)
		}
	}
}

func TestNothingChangesWithoutAnEvent(t *testing.T) {
	j := flowJournal(t)
	q := reports.Request{Period: flowPeriod(t, "2026-10-01", "2026-10-31")}
	doc := manifest.Compute(j, q, manifest.Options{}).Document()
	if d := changes.Between(doc, doc, q.Period, j.Position, j); d.Count() != 0 || len(d.Causes()) != 0 {
		t.Errorf("%d lines changed from nothing", d.Count())
	}
	// From an empty ledger everything is new, and each new line has what is behind it.
	empty := reports.Resolve(nil, 0)
	d := changes.Between(manifest.Compute(empty, q, manifest.Options{}).Document(), doc, q.Period, 0, j)
	for _, table := range d.Tables {
		for _, line := range table.Lines {
			if table.Name == "Consignments" && (line.Status != changes.New || len(line.Because) == 0) {
				t.Errorf("%s %s is %s because of %v", table.Name, line.Name, line.Status, line.Because)
			}
		}
	}
	if back := changes.Between(doc, manifest.Compute(empty, q, manifest.Options{}).Document(), q.Period, j.Position, j); len(back.Tables) == 0 || back.Tables[0].Lines[0].Status != changes.Gone {
		t.Error("what is not there any more is not told")
	}
}

func TestThePositionOfAMoment(t *testing.T) {
	at := func(s string) events.Time { return events.MustTime("2026-10-05T" + s + ":00Z") }
	recs := []events.Recorded{}
	for i, when := range []string{"08:00", "08:10", "08:05", "09:00"} {
		recs = append(recs, events.Recorded{Position: uint64(i + 1), At: at(when), Event: events.Event{ID: when, Source: events.TruckSource("TM-01"), Seq: uint64(i + 1), Truck: "TM-01", Occurred: at("07:00"), Body: events.ShiftStarted{}}})
	}
	j := reports.Resolve(recs, 4)
	for when, want := range map[string]uint64{"07:59": 0, "08:00": 1, "08:07": 1, "08:10": 3, "08:59": 3, "10:00": 4} {
		if got := changes.PositionAt(j, at(when)); got != want {
			t.Errorf("at %s the ledger stood at %d, want %d", when, got, want)
		}
	}
}
