package backup

import (
	"context"

	"spoilbook/events/chain"
	"spoilbook/services/audit"
	"spoilbook/services/ledger"
)

// sink takes the rows of a ledger in the order in which they were stored.
type sink interface {
	record(ctx context.Context, r *ledger.Record) error
	line(ctx context.Context, b *ledger.BlockLine) error // once its records were taken
	entry(ctx context.Context, q *ledger.Quarantined) error
}

// walker goes through a source up to a cut, and holds every row against its hash,
// every position against the one before and every block against the tree.
type walker struct {
	src      Source
	ends     []ledger.StreamEnd
	tree     *audit.Tree
	entries  uint64            // the last one taken
	taken    map[string]uint64 // the last message of each stream whose block was taken
	progress Progress

	page []ledger.Record // read and not yet taken
}

// newWalker returns a walker that begins at the beginning.
func newWalker(ctx context.Context, src Source, p Progress) (*walker, error) {
	ends, err := src.StreamEnds(ctx)
	if err != nil {
		return nil, err
	}
	tree, err := audit.Restore(0, nil)
	return &walker{src: src, ends: ends, tree: tree, taken: map[string]uint64{}, progress: p}, err
}

// total returns the position at which the cut stands.
func (w *walker) total() uint64 {
	last := uint64(0)
	for _, e := range w.ends {
		last = max(last, e.Position)
	}
	return last
}

// run takes every row up to the cut.
func (w *walker) run(ctx context.Context, to sink) error {
	for _, e := range w.ends {
		for after := w.taken[e.Stream]; after < e.LastSeq; after = w.taken[e.Stream] {
			lines, err := w.src.BlockLines(ctx, e.Stream, after, e.LastSeq)
			if err != nil {
				return err
			}
			if len(lines) == 0 {
				return ledger.Fail(ledger.Damaged, "stream %s has no block above message %d, although it was taken in up to %d", e.Stream, after, e.LastSeq)
			}
			for i := range lines {
				if err := w.block(ctx, &lines[i], to); err != nil {
					return err
				}
			}
			w.progress.tell(w.tree.Size(), w.total())
		}
	}
	if w.tree.Size() != w.total() {
		return ledger.Fail(ledger.Damaged, "the blocks end at position %d, not at %d", w.tree.Size(), w.total())
	}
	return w.quarantine(ctx, to)
}

func (w *walker) block(ctx context.Context, b *ledger.BlockLine, to sink) error {
	if b.Stream == "" || b.LastSeq <= w.taken[b.Stream] || b.Position < w.tree.Size() || b.Position > w.total() {
		return ledger.Fail(ledger.Damaged, "the block of messages %d to %d of stream %q ends at position %d and follows one that ends at message %d and position %d", b.FirstSeq, b.LastSeq, b.Stream, b.Position, w.taken[b.Stream], w.tree.Size())
	}
	for w.tree.Size() < b.Position {
		r, err := w.next(ctx)
		if err != nil {
			return err
		}
		if err := w.tree.Append(r.Hash); err != nil {
			return err
		}
		if err := to.record(ctx, r); err != nil {
			return err
		}
	}
	if root, err := w.tree.Root(); err != nil || root != b.Root {
		return ledger.Fail(ledger.Damaged, "the Merkle root over the first %d events is not the one that was stored with the block that ends there", b.Position)
	}
	w.taken[b.Stream] = b.LastSeq
	return to.line(ctx, b)
}

// next returns the next record.
func (w *walker) next(ctx context.Context) (*ledger.Record, error) {
	at := w.tree.Size()
	if len(w.page) == 0 {
		var err error
		if w.page, err = w.src.Records(ctx, at, w.total()); err != nil {
			return nil, err
		}
		w.progress.tell(at, w.total())
	}
	if len(w.page) == 0 || w.page[0].Position != at+1 {
		return nil, ledger.Fail(ledger.Damaged, "position %d is missing", at+1)
	}
	r := &w.page[0]
	w.page = w.page[1:]
	if chain.LeafHash(r.Body) != r.Hash {
		return nil, ledger.Fail(ledger.Damaged, "the event at position %d is not what was recorded: its bytes do not match its hash", r.Position)
	}
	return r, nil
}

// maxTail bounds how many entries are looked at beyond the last one wanted.
const maxTail = 20_000

// quarantine takes every entry up to the last one whose message the cut covers.
// Entries of a block that is not whole yet can stand among them.
func (w *walker) quarantine(ctx context.Context, to sink) error {
	covered, after := cutOf(w.ends), w.entries
	var tail []ledger.Quarantined
	for len(tail) < maxTail {
		page, err := w.src.Entries(ctx, after)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			return nil
		}
		for i := range page {
			q := &page[i]
			if q.Entry != after+1 || chain.LeafHash(q.Body) != q.Hash {
				return ledger.Fail(ledger.Damaged, "quarantine entry %d is missing, or its bytes do not match its hash", after+1)
			}
			after++
			if tail = append(tail, *q); !covered.covers(q.Stream, q.StreamSeq) {
				continue
			}
			for k := range tail {
				if err := to.entry(ctx, &tail[k]); err != nil {
					return err
				}
			}
			w.entries, tail = after, nil
		}
	}
	return nil
}
