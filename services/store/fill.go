package store

import (
	"context"
	"crypto/sha256"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"

	"spoilbook/services/ledger"
)

// PutRecords stores records that another store had, at their positions. Records
// stored already count once, when they come in the same portion.
func (s *Store) PutRecords(ctx context.Context, rs []ledger.Record) error {
	return s.appendRecords(ctx, rs)
}

// PutEntries stores quarantined messages that another store had, under their
// entries.
func (s *Store) PutEntries(ctx context.Context, qs []ledger.Quarantined) error {
	return s.appendQuarantined(ctx, &ledger.Block{Quarantined: qs})
}

// PutBlockLines stores block lines as another store had them, and counts them.
func (s *Store) PutBlockLines(ctx context.Context, bs []ledger.BlockLine) error {
	if len(bs) == 0 {
		return nil
	}
	digest := sha256.New()
	for i := range bs {
		fmt.Fprintf(digest, "%q %d %d %d %x\n", bs[i].Stream, bs[i].FirstSeq, bs[i].LastSeq, bs[i].Position, bs[i].Root)
	}
	u64 := func(f func(*ledger.BlockLine) uint64) []uint64 { return pick(bs, f) }
	err := s.insert(ctx, "blocks", fmt.Sprintf("p-%x", digest.Sum(nil)), []column{
		col("stream", "LowCardinality(String)", pick(bs, func(b *ledger.BlockLine) string { return b.Stream })),
		col("first_seq", "UInt64", u64(func(b *ledger.BlockLine) uint64 { return b.FirstSeq })),
		col("last_seq", "UInt64", u64(func(b *ledger.BlockLine) uint64 { return b.LastSeq })),
		col("position", "UInt64", u64(func(b *ledger.BlockLine) uint64 { return b.Position })),
		col("recorded", "UInt64", u64(func(b *ledger.BlockLine) uint64 { return b.Recorded })),
		col("duplicates", "UInt64", u64(func(b *ledger.BlockLine) uint64 { return b.Duplicates })),
		col("quarantined", "UInt64", u64(func(b *ledger.BlockLine) uint64 { return b.Quarantined })),
		col("root", "FixedString(32)", pick(bs, func(b *ledger.BlockLine) string { return string(b.Root[:]) })),
		col("frontier", "String", pick(bs, func(b *ledger.BlockLine) string { return string(b.Frontier) })),
		col("at", "DateTime64(3, 'UTC')", pick(bs, func(b *ledger.BlockLine) time.Time { return b.At.UTC() })),
	})
	if err != nil {
		return err
	}
	last := bs[len(bs)-1]
	handled, err := s.Handled(ctx, last.Stream)
	if err == nil && handled < last.LastSeq {
		err = fmt.Errorf("block lines were not stored: stream %s is handled up to %d, not %d", last.Stream, handled, last.LastSeq)
	}
	return err
}

// PutSettlement stores a decision that another store had.
func (s *Store) PutSettlement(ctx context.Context, e ledger.SettledEntry) error {
	return s.Settle(ctx, e.Entry, e.Settlement)
}

// PutAdoption stores an adoption as another store had it, under its number.
func (s *Store) PutAdoption(ctx context.Context, a ledger.Adoption) error {
	return s.putAdoption(ctx, a)
}

// Mark sets a mark of the store, or clears it with an empty text.
func (s *Store) Mark(ctx context.Context, mark, text string) error {
	var number uint64
	if err := s.conn.QueryRow(ctx, "SELECT max(number) FROM marks").Scan(&number); err != nil {
		return fmt.Errorf("mark as %s: %w", mark, err)
	}
	number++
	err := s.insert(ctx, "marks", fmt.Sprintf("m-%d-%s-%x", number, mark, sha256.Sum256([]byte(text))), []column{
		col("number", "UInt64", []uint64{number}), col("mark", "LowCardinality(String)", []string{mark}), col("text", "String", []string{text}),
	})
	if err != nil {
		return fmt.Errorf("mark as %s: %w", mark, err)
	}
	now, err := s.Marked(ctx, mark)
	if err == nil && now != text {
		err = fmt.Errorf("mark as %s: it was not stored; try again", mark)
	}
	return err
}

// Marked returns the text of a mark, empty when it does not stand.
func (s *Store) Marked(ctx context.Context, mark string) (text string, err error) {
	err = s.one(ctx, func(r driver.Rows) error { return r.Scan(&text) },
		"SELECT text FROM marks WHERE mark = ? ORDER BY number DESC LIMIT 1", mark)
	if err != nil {
		return "", fmt.Errorf("read the mark %s: %w", mark, err)
	}
	return text, nil
}
