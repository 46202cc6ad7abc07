package ledger

import (
	"context"
	"encoding/hex"

	"spoilbook/events"
	"spoilbook/services/audit"
)

// Rebuilt is what reading the whole ledger again found.
type Rebuilt struct {
	Events uint64 `json:"events"`
	Blocks uint64 `json:"blocks"`
	Root   string `json:"root"` // Merkle root over all events, hex
}

// How many events are read at a time, and how many bytes of them.
const (
	rebuildPage  = MaxPage
	rebuildBytes = 64 << 20
)

// Rebuild reads every event in the order of its position, holds its bytes against
// its hash and against the columns made from them, computes the Merkle tree anew
// and compares its root after every block with the one stored then. Nothing that
// reports are computed from is kept besides the events, so a ledger that passes
// gives the reports it always gave. progress may be nil.
func (l *Ledger) Rebuild(ctx context.Context, progress func(done, total uint64)) (Rebuilt, error) {
	head, err := l.store.Head(ctx)
	if err != nil {
		return Rebuilt{}, Wrap(StoreDown, err, "rebuild")
	}
	roots := map[uint64][32]byte{}
	out := Rebuilt{}
	err = l.store.Blocks(ctx, func(position uint64, root [32]byte) error {
		if known, ok := roots[position]; ok && known != root {
			return Fail(Damaged, "rebuild: two blocks end at position %d with different roots", position)
		}
		roots[position] = root
		out.Blocks++
		return nil
	})
	if err != nil {
		return out, Wrap(StoreDown, err, "rebuild")
	}
	tree, err := audit.Restore(0, nil)
	if err != nil {
		return out, err
	}
	for out.Events < head.Position {
		if err := l.rebuildSome(ctx, &out, head.Position, tree, roots); err != nil {
			return out, err
		}
		if progress != nil {
			progress(out.Events, head.Position)
		}
	}
	root, err := tree.Root()
	out.Root = hex.EncodeToString(root[:])
	return out, err
}

// rebuildSome checks the next page of events.
func (l *Ledger) rebuildSome(ctx context.Context, out *Rebuilt, last uint64, tree *audit.Tree, roots map[uint64][32]byte) error {
	page, err := l.store.Find(ctx, EventQuery{After: out.Events, Limit: rebuildPage, Bytes: rebuildBytes})
	if err != nil {
		return Wrap(StoreDown, err, "rebuild at position %d", out.Events+1)
	}
	if len(page) == 0 {
		return Fail(Damaged, "rebuild: nothing is stored above position %d, but the ledger stands at %d", out.Events, last)
	}
	for i := range page {
		r := &page[i]
		if r.Position != out.Events+1 {
			return Fail(Damaged, "rebuild: position %d is missing or there twice", out.Events+1)
		}
		e, err := verify(r)
		if err != nil {
			return err
		}
		if !sameColumns(&e, r) {
			return Fail(Damaged, "rebuild: the columns of position %d do not say what its event says", r.Position)
		}
		if err := tree.Append(r.Hash); err != nil {
			return err
		}
		out.Events++
		if want, ok := roots[out.Events]; ok {
			if root, err := tree.Root(); err != nil || root != want {
				return Fail(Damaged, "rebuild: the Merkle root over the first %d events is not the one stored then", out.Events)
			}
		}
	}
	return nil
}

// sameColumns reports whether the columns made from an event say what it says.
func sameColumns(e *events.Event, r *Record) bool {
	return e.Source == r.Source && e.ID == r.ID && e.Seq == r.Seq && e.Kind() == r.Kind && e.Truck == r.Truck &&
		e.Job == r.Job && e.Operator == r.Operator && e.Occurred.UnixMS == r.Occurred.UnixMS
}
