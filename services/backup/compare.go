package backup

import (
	"bytes"
	"context"
	"fmt"
	"slices"

	"spoilbook/services/ledger"
)

// Compare reads two ledgers side by side and returns an error with the code damaged
// when they differ anywhere: in a row, a block, a decision or an adoption. The second
// may have adoptions that the first has not. Both are held against their hashes and
// roots on the way.
func Compare(ctx context.Context, src, dst Source, p Progress) (Standing, error) {
	w, err := newWalker(ctx, src, p)
	if err != nil {
		return Standing{}, err
	}
	other, err := newWalker(ctx, dst, nil)
	if err != nil {
		return Standing{}, err
	}
	c := &comparison{dst: dst, ends: cutOf(other.ends), lines: map[string][]ledger.BlockLine{}}
	if !slices.Equal(w.ends, other.ends) {
		return Standing{}, ledger.Fail(ledger.Damaged, "compare: one ledger has %d streams up to position %d, the other %d up to %d", len(w.ends), w.total(), len(other.ends), other.total())
	}
	if err := w.run(ctx, c); err != nil {
		return Standing{}, fmt.Errorf("compare: %w", err)
	}
	if err := c.over(ctx); err != nil {
		return Standing{}, err
	}
	if err := sameRest(ctx, src, dst); err != nil {
		return Standing{}, err
	}
	root, err := w.tree.Root()
	return Standing{Position: w.tree.Size(), Root: root, Entries: w.entries, Blocks: c.blocks}, err
}

// comparison takes the rows of one ledger and holds them against another's.
type comparison struct {
	dst     Source
	ends    cut
	records []ledger.Record
	entries []ledger.Quarantined
	lines   map[string][]ledger.BlockLine
	blocks  uint64
	entryAt uint64
}

func (c *comparison) record(ctx context.Context, r *ledger.Record) (err error) {
	if len(c.records) == 0 {
		if c.records, err = c.dst.Records(ctx, r.Position-1, r.Position+portionRows); err != nil {
			return err
		}
	}
	if len(c.records) == 0 || !sameRecord(&c.records[0], r) {
		return ledger.Fail(ledger.Damaged, "the copies of position %d differ", r.Position)
	}
	c.records = c.records[1:]
	return nil
}

func (c *comparison) line(ctx context.Context, b *ledger.BlockLine) (err error) {
	c.blocks++
	page := c.lines[b.Stream]
	if len(page) == 0 {
		if page, err = c.dst.BlockLines(ctx, b.Stream, b.FirstSeq-1, c.ends[b.Stream]); err != nil {
			return err
		}
	}
	if len(page) == 0 || !sameLine(&page[0], b) {
		return ledger.Fail(ledger.Damaged, "the copies of the block that ends at message %d of stream %s differ", b.LastSeq, b.Stream)
	}
	c.lines[b.Stream] = page[1:]
	return nil
}

func (c *comparison) entry(ctx context.Context, q *ledger.Quarantined) (err error) {
	if len(c.entries) == 0 {
		if c.entries, err = c.dst.Entries(ctx, q.Entry-1); err != nil {
			return err
		}
	}
	if len(c.entries) == 0 || !sameEntry(&c.entries[0], q) {
		return ledger.Fail(ledger.Damaged, "the copies of quarantine entry %d differ", q.Entry)
	}
	c.entries, c.entryAt = c.entries[1:], q.Entry
	return nil
}

// over sees that the other ledger has nothing more.
func (c *comparison) over(ctx context.Context) error {
	more, err := c.dst.Entries(ctx, c.entryAt)
	if err != nil {
		return err
	}
	if len(more) > 0 {
		return ledger.Fail(ledger.Damaged, "compare: one ledger has quarantine entry %d and the other has not", more[0].Entry)
	}
	for stream, page := range c.lines {
		if len(page) > 0 {
			return ledger.Fail(ledger.Damaged, "compare: one ledger has blocks of stream %s that the other has not", stream)
		}
	}
	return nil
}

func sameRecord(a, b *ledger.Record) bool {
	return a.Position == b.Position && a.Source == b.Source && a.ID == b.ID && a.Seq == b.Seq && a.Kind == b.Kind && a.Truck == b.Truck &&
		a.Job == b.Job && a.Operator == b.Operator && a.Occurred.UnixMS == b.Occurred.UnixMS && a.Recorded.Equal(b.Recorded) &&
		a.Stream == b.Stream && a.StreamSeq == b.StreamSeq && a.Hash == b.Hash && bytes.Equal(a.Body, b.Body)
}

func sameEntry(a, b *ledger.Quarantined) bool {
	return a.Entry == b.Entry && a.Received.Equal(b.Received) && a.Stream == b.Stream && a.StreamSeq == b.StreamSeq && a.Subject == b.Subject &&
		a.Code == b.Code && a.Reason == b.Reason && a.Hash == b.Hash && bytes.Equal(a.Body, b.Body)
}

func sameLine(a, b *ledger.BlockLine) bool {
	return a.Stream == b.Stream && a.FirstSeq == b.FirstSeq && a.LastSeq == b.LastSeq && a.Position == b.Position && a.Recorded == b.Recorded &&
		a.Duplicates == b.Duplicates && a.Quarantined == b.Quarantined && a.Root == b.Root && bytes.Equal(a.Frontier, b.Frontier) && a.At.Equal(b.At)
}

func sameSettlement(a, b *ledger.SettledEntry) bool {
	return a.Entry == b.Entry && a.At.Equal(b.At) && a.Action == b.Action && a.Author == b.Author && a.Note == b.Note
}

func sameAdoption(a, b *ledger.Adoption) bool {
	return a.Number == b.Number && a.Stream == b.Stream && a.First == b.First && a.Again == b.Again && a.Position == b.Position && a.At.Equal(b.At) &&
		a.Author == b.Author && a.Reason == b.Reason
}

// sameRest compares what is not counted by position.
func sameRest(ctx context.Context, src, dst Source) error {
	want, err := allSettlements(ctx, src)
	if err != nil {
		return err
	}
	got, err := allSettlements(ctx, dst)
	if err != nil {
		return err
	}
	if len(want) != len(got) {
		return ledger.Fail(ledger.Damaged, "compare: one ledger has %d decisions about quarantined messages, the other %d", len(want), len(got))
	}
	for i := range want {
		if !sameSettlement(&want[i], &got[i]) {
			return ledger.Fail(ledger.Damaged, "compare: the decisions about quarantine entry %d differ", want[i].Entry)
		}
	}
	adopted, err := src.Adoptions(ctx)
	if err != nil {
		return err
	}
	known, err := dst.Adoptions(ctx)
	if err != nil {
		return err
	}
	for i := range adopted {
		if i >= len(known) || !sameAdoption(&adopted[i], &known[i]) {
			return ledger.Fail(ledger.Damaged, "compare: the copies of adoption %d differ", i+1)
		}
	}
	return nil
}
