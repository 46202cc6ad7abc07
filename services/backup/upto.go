package backup

import (
	"context"
	"slices"

	"spoilbook/services/audit"
	"spoilbook/services/ledger"
)

// upTo is a source as it stood at an earlier position. A block that the position
// divides ends there, with the tree as it was.
type upTo struct {
	Source
	position uint64
	ends     []ledger.StreamEnd
	divided  *ledger.BlockLine // the last block, when the position divides it
	last     ledger.BlockLine  // the last block
	entries  uint64
}

// UpTo returns a source as it stood at a position. Decisions about quarantined
// messages count when they were made by then.
func UpTo(ctx context.Context, src Source, position uint64) (Source, error) {
	w, err := newWalker(ctx, src, nil)
	if err != nil {
		return nil, err
	}
	switch {
	case position == 0 || position > w.total():
		return nil, ledger.Fail(ledger.NotFound, "up to position %d: found a ledger of positions 1 to %d", position, w.total())
	case position == w.total():
		return src, nil
	}
	u := &upTo{Source: src, position: position}
	var before ledger.BlockLine
	for _, e := range w.ends {
		done, err := u.stream(ctx, e, &before)
		if err != nil {
			return nil, err
		}
		if done {
			break
		}
	}
	return u, u.count(ctx)
}

// stream looks for the end of the cut in a stream, before being the last block that
// is whole so far.
func (u *upTo) stream(ctx context.Context, e ledger.StreamEnd, before *ledger.BlockLine) (done bool, err error) {
	for after := uint64(0); after < e.LastSeq; {
		lines, err := u.Source.BlockLines(ctx, e.Stream, after, e.LastSeq)
		if err != nil || len(lines) == 0 {
			return true, err
		}
		for i := range lines {
			b := &lines[i]
			if b.Position > u.position {
				if before.Position < u.position {
					err = u.divide(ctx, b, before)
				}
				return true, err
			}
			u.took(b)
			*before, after = *b, b.LastSeq
		}
	}
	return false, nil
}

// took notes a block as the last of its stream.
func (u *upTo) took(b *ledger.BlockLine) {
	u.last = *b
	e := ledger.StreamEnd{Stream: b.Stream, LastSeq: b.LastSeq, Position: b.Position}
	if n := slices.IndexFunc(u.ends, func(e ledger.StreamEnd) bool { return e.Stream == b.Stream }); n >= 0 {
		u.ends[n] = e
		return
	}
	u.ends = append(u.ends, e)
}

// divide makes the block that ends at the position from the whole one.
func (u *upTo) divide(ctx context.Context, whole, before *ledger.BlockLine) error {
	tree, err := audit.Restore(before.Position, before.Frontier)
	if err != nil {
		return ledger.Wrap(ledger.Damaged, err, "the block that ends at position %d", before.Position)
	}
	part := *whole
	for tree.Size() < u.position {
		page, err := u.Source.Records(ctx, tree.Size(), u.position)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			return ledger.Fail(ledger.Damaged, "position %d is missing", tree.Size()+1)
		}
		for i := range page {
			if err := tree.Append(page[i].Hash); err != nil {
				return err
			}
			part.LastSeq = page[i].StreamSeq
		}
	}
	part.Position, part.Recorded, part.Frontier = u.position, u.position-before.Position, tree.State()
	if part.Root, err = tree.Root(); err != nil {
		return err
	}
	u.took(&part)
	u.divided = &part
	return nil
}

// count counts the entries of the cut, and the fates of a block that was divided.
func (u *upTo) count(ctx context.Context) error {
	covered := cutOf(u.ends)
	for after := uint64(0); ; {
		page, err := u.Source.Entries(ctx, after)
		if err != nil {
			return err
		}
		if len(page) == 0 || after > u.entries+maxTail {
			break
		}
		for _, q := range page {
			if after = q.Entry; covered.covers(q.Stream, q.StreamSeq) {
				u.entries = q.Entry
			}
		}
	}
	if u.divided == nil {
		return nil
	}
	d := u.divided
	d.Quarantined = 0
	for after := uint64(0); after < u.entries; {
		page, err := u.Source.Entries(ctx, after)
		if err != nil || len(page) == 0 {
			return err
		}
		for _, q := range page {
			after = q.Entry
			if q.Stream == d.Stream && q.StreamSeq >= d.FirstSeq && q.StreamSeq <= d.LastSeq {
				d.Quarantined++
			}
		}
	}
	d.Duplicates = d.LastSeq - d.FirstSeq + 1 - d.Recorded - d.Quarantined
	return nil
}

// StreamEnds returns the streams as they stood.
func (u *upTo) StreamEnds(context.Context) ([]ledger.StreamEnd, error) { return u.ends, nil }

// BlockLines returns the blocks as they stood.
func (u *upTo) BlockLines(ctx context.Context, stream string, after, last uint64) ([]ledger.BlockLine, error) {
	d := u.divided
	if d == nil || stream != d.Stream || last < d.LastSeq {
		return u.Source.BlockLines(ctx, stream, after, last)
	}
	page, err := u.Source.BlockLines(ctx, stream, after, d.FirstSeq-1)
	if err == nil && len(page) == 0 && after < d.LastSeq {
		page = []ledger.BlockLine{*d}
	}
	return page, err
}

// Records returns the records as they stood.
func (u *upTo) Records(ctx context.Context, after, last uint64) ([]ledger.Record, error) {
	return u.Source.Records(ctx, after, min(last, u.position))
}

// Entries returns what was quarantined.
func (u *upTo) Entries(ctx context.Context, after uint64) ([]ledger.Quarantined, error) {
	page, err := u.Source.Entries(ctx, after)
	n := slices.IndexFunc(page, func(q ledger.Quarantined) bool { return q.Entry > u.entries })
	if n >= 0 {
		page = page[:n]
	}
	return page, err
}

// Settlements returns the decisions that were made.
func (u *upTo) Settlements(ctx context.Context, after uint64) ([]ledger.SettledEntry, error) {
	for {
		page, err := u.Source.Settlements(ctx, after)
		if err != nil || len(page) == 0 {
			return nil, err
		}
		after = page[len(page)-1].Entry
		made := slices.DeleteFunc(slices.Clone(page), func(s ledger.SettledEntry) bool { return s.Entry > u.entries || s.At.After(u.last.At) })
		if len(made) > 0 {
			return made, nil
		}
	}
}

// Adoptions returns the adoptions that were made.
func (u *upTo) Adoptions(ctx context.Context) (ledger.Adoptions, error) {
	all, err := u.Source.Adoptions(ctx)
	return slices.DeleteFunc(slices.Clone(all), func(a ledger.Adoption) bool { return a.Position > u.position }), err
}
