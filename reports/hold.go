package reports

import (
	"cmp"
	"iter"
	"slices"

	"spoilbook/events"
)

// Hold is a hold that stands: while it does, nothing that the ledger rests on is
// done away with.
type Hold struct {
	events.HoldPlaced
	Placed events.Time
}

// StandingHolds returns the holds that stand after all of the events, which come in
// the order that counts, by their names.
func StandingHolds(all iter.Seq[*events.Event]) []Hold {
	standing := map[string]Hold{}
	for e := range all {
		switch b := e.Body.(type) {
		case events.HoldPlaced:
			if _, known := standing[b.Name]; !known {
				standing[b.Name] = Hold{b, e.Occurred}
			}
		case events.HoldLifted:
			delete(standing, b.Name)
		}
	}
	out := make([]Hold, 0, len(standing))
	for _, h := range standing {
		out = append(out, h)
	}
	slices.SortFunc(out, func(a, b Hold) int { return cmp.Compare(a.Name, b.Name) })
	return out
}

// Holds returns the holds that stand at the journal's position.
func (j *Journal) Holds() []Hold {
	return StandingHolds(func(yield func(*events.Event) bool) {
		for i := range j.Office {
			if !yield(&j.Office[i].Event) {
				return
			}
		}
	})
}
