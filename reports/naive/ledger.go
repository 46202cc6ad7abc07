package naive

import (
	"cmp"
	"slices"

	"spoilbook/events"
)

// Ledger is what the naive computations read: the entries of one truck as they
// stand after every correction, and the register's revisions in the order in
// which the ledger got them.
type Ledger struct {
	Entries   []events.Event
	Revisions []events.RegisterRevised
}

// Ordered returns the entries in the order they occurred, then by source and
// sequence.
func (l Ledger) Ordered() []events.Event {
	list := slices.Clone(l.Entries)
	slices.SortFunc(list, func(a, b events.Event) int {
		return cmp.Or(cmp.Compare(a.Occurred.UnixMS, b.Occurred.UnixMS), cmp.Compare(a.Source, b.Source), cmp.Compare(a.Seq, b.Seq))
	})
	return list
}

// documentAt returns what the register said at a time, or nil: among the
// revisions in effect the one that takes effect last, and of those the last sent.
func (l Ledger) documentAt(r events.Register, key string, at events.Time) events.Document {
	var found events.Document
	var from int64
	for _, rev := range l.Revisions {
		if rev.Document.Register() != r || rev.Key != key || at.Before(rev.EffectiveFrom) {
			continue
		}
		if found == nil || rev.EffectiveFrom.UnixMS >= from {
			found, from = rev.Document, rev.EffectiveFrom.UnixMS
		}
	}
	return found
}

// Span returns an entry's start and end, which are the same for most kinds.
func Span(e events.Event) (from, to int64) {
	switch b := e.Body.(type) {
	case events.LoadCollected:
		return b.Start.UnixMS, b.End.UnixMS
	case events.WaterDecanted:
		return b.Start.UnixMS, b.End.UnixMS
	case events.SpoilTipped:
		return b.Start.UnixMS, b.End.UnixMS
	case events.SpoilReturned:
		return b.Start.UnixMS, b.End.UnixMS
	case events.WaterRefilled:
		return b.Start.UnixMS, b.End.UnixMS
	case events.WaterUsed:
		return b.Start.UnixMS, b.End.UnixMS
	}
	return e.Occurred.UnixMS, e.Occurred.UnixMS
}
