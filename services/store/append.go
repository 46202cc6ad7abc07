package store

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"errors"
	"fmt"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// appendTries bounds how often one block is tried before the caller hears of it.
const appendTries = 4

// Append stores a block: first what was quarantined, then the records, then the
// line that says the block is complete. A crash in between leaves records without
// that line; the intake gets the messages again and finds them recorded.
func (s *Store) Append(ctx context.Context, b *ledger.Block) error {
	var err error
	for try := range appendTries {
		if err = s.append(ctx, b); err == nil || ctx.Err() != nil || ledger.CodeOf(err) == ledger.Damaged {
			break
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Duration(50<<try) * time.Millisecond):
		}
	}
	if err != nil {
		return fmt.Errorf("append block of stream messages %d to %d: %w", b.FirstSeq, b.LastSeq, err)
	}
	return nil
}

func (s *Store) append(ctx context.Context, b *ledger.Block) error {
	if err := s.appendQuarantined(ctx, b); err != nil {
		return err
	}
	if err := s.appendRecords(ctx, b.Records); err != nil {
		return err
	}
	return s.appendBlock(ctx, b)
}

// column is one column of an insert; values is a slice with one value a row.
type column struct {
	name, kind string
	values     any
	length     int
}

func col[T any](name, kind string, values []T) column {
	return column{name, kind, values, len(values)}
}

// insert sends columns as one block under a deduplication token. It checks that
// they are equally long: over HTTP the driver would send nothing and say nothing.
func (s *Store) insert(ctx context.Context, table, token string, columns []column) error {
	names := ""
	types := make([]clickhouse.ColumnNameAndType, len(columns))
	for i, c := range columns {
		if c.length != columns[0].length {
			return fmt.Errorf("insert into %s: column %s has %d rows and %s has %d", table, c.name, c.length, columns[0].name, columns[0].length)
		}
		if i > 0 {
			names += ", "
		}
		names += c.name
		types[i] = clickhouse.ColumnNameAndType{Name: c.name, Type: c.kind}
	}
	ctx = clickhouse.Context(ctx, clickhouse.WithColumnNamesAndTypes(types), clickhouse.WithSettings(clickhouse.Settings{
		"insert_deduplication_token": token, "async_insert": 0, "insert_deduplicate": 1,
		"max_insert_block_size": 1 << 20, "min_insert_block_size_rows": 1 << 20,
	}))
	batch, err := s.conn.PrepareBatch(ctx, "INSERT INTO "+table+" ("+names+")")
	if err != nil {
		return fmt.Errorf("insert into %s: %w", table, err)
	}
	for i, c := range columns {
		if err := batch.Column(i).Append(c.values); err != nil {
			return errors.Join(fmt.Errorf("insert into %s: column %s: %w", table, c.name, err), batch.Abort())
		}
	}
	if err := batch.Send(); err != nil {
		return fmt.Errorf("insert into %s: %w", table, err)
	}
	return nil
}

func (s *Store) appendRecords(ctx context.Context, rs []ledger.Record) error {
	if len(rs) == 0 {
		return nil
	}
	first, last := rs[0].Position, rs[len(rs)-1].Position
	stored, err := s.stored(ctx, first, last)
	if err != nil {
		return err
	}
	want := fingerprint(rs)
	if stored == want {
		return nil
	}
	if stored.rows != 0 {
		return damaged("positions %d to %d already hold %d other events", first, last, stored.rows)
	}
	digest := sha256.New()
	for i := range rs {
		digest.Write(rs[i].Hash[:])
	}
	token := fmt.Sprintf("%d-%d-%x", first, last, digest.Sum(nil))
	if err := s.insert(ctx, "events", token, recordColumns(rs)); err != nil {
		return err
	}
	if stored, err = s.stored(ctx, first, last); err != nil {
		return err
	}
	if stored != want {
		return fmt.Errorf("positions %d to %d: %d rows are stored after inserting %d, or with other content", first, last, stored.rows, want.rows)
	}
	return nil
}

// print is what a range of positions holds, in short: how many rows and the
// exclusive or of parts of their hashes with their positions.
type print struct {
	rows, xor uint64
}

func fingerprint(rs []ledger.Record) print {
	p := print{rows: uint64(len(rs))}
	for i := range rs {
		p.xor ^= binary.LittleEndian.Uint64(rs[i].Hash[:8]) + rs[i].Position
	}
	return p
}

func (s *Store) stored(ctx context.Context, first, last uint64) (print, error) {
	var p print
	err := s.conn.QueryRow(ctx, `SELECT count(), groupBitXor(reinterpretAsUInt64(substring(hash, 1, 8)) + position)
		FROM events WHERE position >= ? AND position <= ?`, first, last).Scan(&p.rows, &p.xor)
	if err != nil {
		return p, fmt.Errorf("count positions %d to %d: %w", first, last, err)
	}
	return p, nil
}

func recordColumns(rs []ledger.Record) []column {
	return []column{
		col("position", "UInt64", pick(rs, func(r *ledger.Record) uint64 { return r.Position })),
		col("source", "LowCardinality(String)", pick(rs, func(r *ledger.Record) string { return string(r.Source) })),
		col("seq", "UInt64", pick(rs, func(r *ledger.Record) uint64 { return r.Seq })),
		col("id", "String", pick(rs, func(r *ledger.Record) string { return r.ID })),
		col("kind", "LowCardinality(String)", pick(rs, func(r *ledger.Record) string { return string(r.Kind) })),
		col("truck", "LowCardinality(String)", pick(rs, func(r *ledger.Record) string { return string(r.Truck) })),
		col("job", "LowCardinality(String)", pick(rs, func(r *ledger.Record) string { return string(r.Job) })),
		col("operator", "LowCardinality(String)", pick(rs, func(r *ledger.Record) string { return string(r.Operator) })),
		col("occurred", "DateTime64(3, 'UTC')", pick(rs, func(r *ledger.Record) time.Time { return time.UnixMilli(r.Occurred.UnixMS).UTC() })),
		col("recorded", "DateTime64(3, 'UTC')", pick(rs, func(r *ledger.Record) time.Time { return r.Recorded.UTC() })),
		col("stream", "LowCardinality(String)", pick(rs, func(r *ledger.Record) string { return r.Stream })),
		col("stream_seq", "UInt64", pick(rs, func(r *ledger.Record) uint64 { return r.StreamSeq })),
		col("body", "String", pick(rs, func(r *ledger.Record) string { return string(r.Body) })),
		col("hash", "FixedString(32)", pick(rs, func(r *ledger.Record) string { return string(r.Hash[:]) })),
	}
}

func pick[R, T any](rs []R, f func(*R) T) []T {
	out := make([]T, len(rs))
	for i := range rs {
		out[i] = f(&rs[i])
	}
	return out
}

func (s *Store) appendQuarantined(ctx context.Context, b *ledger.Block) error {
	qs := b.Quarantined
	if len(qs) == 0 {
		return nil
	}
	var have uint64
	err := s.conn.QueryRow(ctx, "SELECT count() FROM quarantine WHERE entry >= ? AND entry <= ?", qs[0].Entry, qs[len(qs)-1].Entry).Scan(&have)
	if err != nil {
		return fmt.Errorf("count quarantine: %w", err)
	}
	if have == uint64(len(qs)) {
		return nil
	}
	digest := sha256.New()
	for _, q := range qs {
		digest.Write(q.Body)
	}
	return s.insert(ctx, "quarantine", "q-"+fmt.Sprint(qs[0].Entry)+"-"+hex.EncodeToString(digest.Sum(nil)), []column{
		col("entry", "UInt64", pick(qs, func(q *ledger.Quarantined) uint64 { return q.Entry })),
		col("received", "DateTime64(3, 'UTC')", pick(qs, func(q *ledger.Quarantined) time.Time { return q.Received.UTC() })),
		col("stream", "LowCardinality(String)", pick(qs, func(q *ledger.Quarantined) string { return q.Stream })),
		col("stream_seq", "UInt64", pick(qs, func(q *ledger.Quarantined) uint64 { return q.StreamSeq })),
		col("subject", "String", pick(qs, func(q *ledger.Quarantined) string { return q.Subject })),
		col("code", "LowCardinality(String)", pick(qs, func(q *ledger.Quarantined) string { return q.Code })),
		col("reason", "String", pick(qs, func(q *ledger.Quarantined) string { return q.Reason })),
		col("body", "String", pick(qs, func(q *ledger.Quarantined) string { return string(q.Body) })),
		col("hash", "FixedString(32)", pick(qs, func(q *ledger.Quarantined) string { return string(q.Hash[:]) })),
	})
}

func (s *Store) appendBlock(ctx context.Context, b *ledger.Block) error {
	one := func(v uint64) []uint64 { return []uint64{v} }
	err := s.insert(ctx, "blocks", fmt.Sprintf("b-%s-%d-%d-%x", b.Stream, b.FirstSeq, b.LastSeq, b.Root), []column{
		col("stream", "LowCardinality(String)", []string{b.Stream}),
		col("first_seq", "UInt64", one(b.FirstSeq)), col("last_seq", "UInt64", one(b.LastSeq)),
		col("position", "UInt64", one(b.Position)), col("recorded", "UInt64", one(uint64(len(b.Records)))),
		col("duplicates", "UInt64", one(b.Duplicates)), col("quarantined", "UInt64", one(uint64(len(b.Quarantined)))),
		col("root", "FixedString(32)", []string{string(b.Root[:])}), col("frontier", "String", []string{string(b.Frontier)}),
		col("at", "DateTime64(3, 'UTC')", []time.Time{b.At.UTC()}),
	})
	if err != nil {
		return err
	}
	handled, err := s.Handled(ctx, b.Stream)
	if err != nil {
		return err
	}
	if handled < b.LastSeq {
		return fmt.Errorf("the block's own line was not stored: stream is handled up to %d, not %d", handled, b.LastSeq)
	}
	return nil
}

// Settle notes how a quarantined message was dealt with.
func (s *Store) Settle(ctx context.Context, entry uint64, st ledger.Settlement) error {
	return s.insert(ctx, "settlements", fmt.Sprintf("s-%d-%s-%d", entry, st.Action, st.At.UnixMilli()), []column{
		col("entry", "UInt64", []uint64{entry}), col("at", "DateTime64(3, 'UTC')", []time.Time{st.At.UTC()}),
		col("action", "LowCardinality(String)", []string{st.Action}), col("author", "String", []string{st.Author}),
		col("note", "String", []string{st.Note}),
	})
}

// occurredAt restores the instant of a record; the offset is in its bytes.
func occurredAt(t time.Time) events.Time { return events.Time{UnixMS: t.UnixMilli()} }
