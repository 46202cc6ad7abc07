package reports

import (
	"cmp"
	"slices"

	"spoilbook/events"
)

// MeterChange is a break in the readings of a source's meter, as it stands.
type MeterChange struct {
	events.MeterChanged
	Entry *Entry
}

// MeterChanges returns the breaks in the readings of a source's meters, whoever entered
// them, in the order in which they occurred.
func (j *Journal) MeterChanges(source events.WaterSourceID) []MeterChange {
	list := []MeterChange{}
	add := func(entries []Entry) {
		for i := range entries {
			if m, ok := entries[i].Body.(events.MeterChanged); ok && m.WaterSource == source {
				list = append(list, MeterChange{m, &entries[i]})
			}
		}
	}
	add(j.Office)
	for _, id := range j.Trucks() {
		add(j.trucks[id])
	}
	slices.SortStableFunc(list, func(a, b MeterChange) int {
		x, y := a.Entry, b.Entry
		return cmp.Or(cmp.Compare(x.Occurred.UnixMS, y.Occurred.UnixMS), cmp.Compare(x.Source, y.Source), cmp.Compare(x.Seq, y.Seq), cmp.Compare(x.ID, y.ID))
	})
	return list
}
