package backup

import (
	"context"
	"encoding/hex"
	"fmt"
	"slices"

	"spoilbook/services/ledger"
)

// FillOptions say how a store is filled.
type FillOptions struct {
	From     string // what the ledger comes from, for people: "the backup in /srv/backup"
	Progress Progress
}

// Bounds of what is put into a store at one go.
const (
	portionRows  = 20_000
	portionBytes = 16 << 20
)

// Fill puts the whole ledger of a source into an empty store: the same positions,
// blocks, quarantine and adoptions. The store is marked as being filled until
// [Finish] is called, so that nobody takes it for a ledger. A Fill that was cut off
// is continued by another from the same source; a store that holds anything else is
// refused with the code conflict and left as it is.
func Fill(ctx context.Context, src Source, dst Target, o FillOptions) (Standing, error) {
	w, err := newWalker(ctx, src, o.Progress)
	if err != nil {
		return Standing{}, err
	}
	f := &fill{dst: dst, walk: w, o: o}
	if err := f.begin(ctx); err != nil {
		return Standing{}, err
	}
	if err := w.run(ctx, f); err != nil {
		return Standing{}, fmt.Errorf("fill the store: %w", err)
	}
	if err := f.flush(ctx); err != nil {
		return Standing{}, err
	}
	if err := f.rest(ctx, src); err != nil {
		return Standing{}, err
	}
	return Compare(ctx, src, dst, o.Progress)
}

// Finish lets the store be used, once it was filled and compared. What else makes a
// ledger of it is done before.
func Finish(ctx context.Context, dst Target) error { return dst.Mark(ctx, ledger.MarkFilling, "") }

type fill struct {
	dst  Target
	walk *walker
	o    FillOptions

	have    uint64 // records that are there already
	entries uint64 // likewise
	lines   cut    // likewise, by stream

	records     []ledger.Record
	quarantined []ledger.Quarantined
	ended       []ledger.BlockLine
	size        int
}

// begin sees that the store is empty, or was being filled from the same source.
func (f *fill) begin(ctx context.Context) error {
	head, err := f.dst.Head(ctx)
	if err != nil {
		return err
	}
	ends, err := f.dst.StreamEnds(ctx)
	if err != nil {
		return err
	}
	adopted, err := f.dst.Adoptions(ctx)
	if err != nil {
		return err
	}
	for {
		page, err := f.dst.Entries(ctx, f.entries)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			break
		}
		f.entries = page[len(page)-1].Entry
	}
	f.have, f.lines = head.Position, cutOf(ends)
	mark, err := f.dst.Marked(ctx, ledger.MarkFilling)
	if err != nil {
		return err
	}
	want, err := f.mark(ctx)
	if err != nil {
		return err
	}
	empty := head.Position == 0 && f.entries == 0 && len(ends) == 0 && len(adopted) == 0
	switch {
	case mark == "" && !empty:
		return ledger.Fail(ledger.Conflict, "the store holds a ledger already: %d events and %d quarantined messages. Only an empty store is filled; use another data folder or database", head.Position, f.entries)
	case mark == "":
		return f.dst.Mark(ctx, ledger.MarkFilling, want)
	case mark != want && !empty:
		return ledger.Fail(ledger.Conflict, "the store was being filled with something else (%s). Finish that by giving the same command again, or use an empty data folder or database", mark)
	case mark != want:
		return f.dst.Mark(ctx, ledger.MarkFilling, want)
	}
	return nil
}

// mark says what the store is filled with, so that the same is known again.
func (f *fill) mark(ctx context.Context) (string, error) {
	root := "empty"
	if n := len(f.walk.ends); n > 0 {
		last := f.walk.ends[n-1]
		lines, err := f.walk.src.BlockLines(ctx, last.Stream, last.LastSeq-1, last.LastSeq)
		if err != nil {
			return "", err
		}
		if len(lines) != 1 {
			return "", ledger.Fail(ledger.Damaged, "stream %s has no block that ends at message %d", last.Stream, last.LastSeq)
		}
		root = hex.EncodeToString(lines[0].Root[:])
	}
	return fmt.Sprintf("a ledger up to position %d with the root %s, from %s", f.walk.total(), root, f.o.From), nil
}

func (f *fill) record(ctx context.Context, r *ledger.Record) error {
	if r.Position <= f.have {
		return nil
	}
	f.records = append(f.records, *r)
	if f.size += len(r.Body); len(f.records) < portionRows && f.size < portionBytes {
		return nil
	}
	return f.flushRecords(ctx)
}

func (f *fill) flushRecords(ctx context.Context) error {
	if len(f.records) == 0 {
		return nil
	}
	err := f.dst.PutRecords(ctx, f.records)
	f.records, f.size = nil, 0
	return err
}

func (f *fill) line(ctx context.Context, b *ledger.BlockLine) error {
	if f.lines.covers(b.Stream, b.LastSeq) {
		return nil
	}
	if len(f.ended) > 0 && f.ended[0].Stream != b.Stream {
		if err := f.flush(ctx); err != nil {
			return err
		}
	}
	if f.ended = append(f.ended, *b); len(f.ended) < portionRows/4 {
		return nil
	}
	return f.flush(ctx)
}

func (f *fill) entry(ctx context.Context, q *ledger.Quarantined) error {
	if q.Entry <= f.entries {
		return nil
	}
	f.quarantined = append(f.quarantined, *q)
	if f.size += len(q.Body); len(f.quarantined) < portionRows && f.size < portionBytes {
		return nil
	}
	return f.flush(ctx)
}

// flush puts what was collected: a block's line only once its records are there.
func (f *fill) flush(ctx context.Context) error {
	if err := f.flushRecords(ctx); err != nil {
		return err
	}
	if len(f.quarantined) > 0 {
		if err := f.dst.PutEntries(ctx, f.quarantined); err != nil {
			return err
		}
	}
	f.quarantined, f.size = nil, 0
	if len(f.ended) > 0 {
		if err := f.dst.PutBlockLines(ctx, f.ended); err != nil {
			return err
		}
	}
	f.ended = nil
	return nil
}

// rest puts the decisions and adoptions that the store lacks.
func (f *fill) rest(ctx context.Context, src Source) error {
	want, err := allSettlements(ctx, src)
	if err != nil {
		return err
	}
	have, err := allSettlements(ctx, f.dst)
	if err != nil {
		return err
	}
	for _, s := range want {
		if slices.ContainsFunc(have, func(h ledger.SettledEntry) bool { return sameSettlement(&h, &s) }) {
			continue
		}
		if err := f.dst.PutSettlement(ctx, s); err != nil {
			return err
		}
	}
	adopted, err := src.Adoptions(ctx)
	if err != nil {
		return err
	}
	known, err := f.dst.Adoptions(ctx)
	if err != nil {
		return err
	}
	for _, a := range adopted[min(len(known), len(adopted)):] {
		if err := f.dst.PutAdoption(ctx, a); err != nil {
			return err
		}
	}
	return nil
}
