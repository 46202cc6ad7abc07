package ledger

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
)

// keptJournals are how many journals are kept besides the events they are made of: the latest of all trucks, and some that were asked for.
const keptJournals = 4

// kept are the decoded events of a ledger from the first on, and some journals, so that a page need not read and decode what the one before has.
// It is a cache: a ledger that keeps nothing computes the same.
type kept struct {
	most     uint64        // events that are kept at most; beyond, nothing is kept
	turn     chan struct{} // holds one element while somebody reads or makes a journal
	events   []*events.Recorded
	journals []keptJournal // the last used last
}

type keptJournal struct {
	key     string
	journal *reports.Journal
}

func newKept(most uint64) *kept { return &kept{most: most, turn: make(chan struct{}, 1)} }

// keeps reports whether events up to a position are kept.
func (k *kept) keeps(upTo uint64) bool { return upTo > 0 && upTo <= k.most }

// journal returns the journal of trucks, of all where none is named, up to a position; read reads and decodes the events after another position.
func (k *kept) journal(ctx context.Context, trucks []events.TruckID, upTo uint64, read func(ctx context.Context, after uint64) ([]events.Recorded, error)) (*reports.Journal, error) {
	select {
	case k.turn <- struct{}{}:
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	defer func() { <-k.turn }()
	key := fmt.Sprint(upTo, slices.Sorted(slices.Values(trucks)))
	for i, kj := range k.journals {
		if kj.key == key {
			k.journals = append(slices.Delete(k.journals, i, i+1), kj)
			return kj.journal, nil
		}
	}
	if have := uint64(len(k.events)); upTo > have {
		more, err := read(ctx, have)
		if err != nil {
			return nil, err
		}
		if err := k.add(more, upTo); err != nil {
			return nil, err
		}
	}
	j := reports.ResolveKept(k.about(trucks, upTo), upTo)
	if len(k.journals) >= keptJournals {
		k.journals = slices.Delete(k.journals, 0, 1)
	}
	k.journals = append(k.journals, keptJournal{key, j})
	return j, nil
}

// add appends events up to a position, which must be there without a gap.
func (k *kept) add(more []events.Recorded, upTo uint64) error {
	slices.SortFunc(more, func(a, b events.Recorded) int { return cmp.Compare(a.Position, b.Position) })
	have := uint64(len(k.events))
	if uint64(len(more)) != upTo-have {
		return Fail(Damaged, "the store gave %d events of positions %d to %d; positions must be dense", len(more), have+1, upTo)
	}
	for i := range more {
		if more[i].Position != have+uint64(i)+1 {
			return Fail(Damaged, "the store gave position %d in the place of %d; positions must be dense", more[i].Position, have+uint64(i)+1)
		}
	}
	for i := range more {
		k.events = append(k.events, &more[i])
	}
	return nil
}

// about picks the events that concern trucks, and all that concern none.
func (k *kept) about(trucks []events.TruckID, upTo uint64) []*events.Recorded {
	all := k.events[:upTo:upTo]
	if len(trucks) == 0 {
		return all
	}
	var some []*events.Recorded
	for _, r := range all {
		if r.Truck == "" || slices.Contains(trucks, r.Truck) {
			some = append(some, r)
		}
	}
	return some
}

// Warm reads what is recorded so far, so that the first page is as quick as the next, and keeps up with what comes, until ctx ends. A ledger that
// keeps nothing has nothing to do.
func (l *Ledger) Warm(ctx context.Context) {
	const pause = 2 * time.Second
	for last := uint64(0); l.kept.most > 0; {
		if head, err := l.store.Head(ctx); err == nil && head.Position != last && l.kept.keeps(head.Position) {
			if _, err := l.journal(ctx, nil, head.Position); err == nil {
				last = head.Position
			} else if ctx.Err() == nil {
				l.log.Warn("ledger: events not read ahead", "error", err)
			}
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(pause):
		}
	}
}
