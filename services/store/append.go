package store

import (
	"context"
	"encoding/binary"
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
	if err := s.insert(ctx, "events", fence("e", first), recordColumns(rs)); err != nil {
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

// fence is the deduplication token of an insert that begins at a place. It says nothing of the content on purpose: of
// two writers at one place, such as an intake that was halted between its look and its insert and the one that took over
// meanwhile, the store takes the first and drops the other, which finds so when it reads back.
func fence(kind string, place uint64) string { return fmt.Sprintf("%s-%d", kind, place) }

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
	stored, err := s.storedEntries(ctx, qs)
	if err != nil {
		return err
	}
	want := print{rows: uint64(len(qs))}
	for i := range qs {
		want.xor ^= binary.LittleEndian.Uint64(qs[i].Hash[:8]) + qs[i].Entry
	}
	if stored == want {
		return nil
	}
	if stored.rows != 0 {
		return damaged("quarantine entries from %d on already hold %d others", qs[0].Entry, stored.rows)
	}
	if err := s.insert(ctx, "quarantine", fence("q", qs[0].Entry), quarantineColumns(qs)); err != nil {
		return err
	}
	if stored, err = s.storedEntries(ctx, qs); err != nil {
		return err
	}
	if stored != want {
		return fmt.Errorf("quarantine entries from %d on: %d rows are stored after inserting %d, or with other content", qs[0].Entry, stored.rows, want.rows)
	}
	return nil
}

func (s *Store) storedEntries(ctx context.Context, qs []ledger.Quarantined) (print, error) {
	var p print
	err := s.conn.QueryRow(ctx, `SELECT count(), groupBitXor(reinterpretAsUInt64(substring(hash, 1, 8)) + entry)
		FROM quarantine WHERE entry >= ? AND entry <= ?`, qs[0].Entry, qs[len(qs)-1].Entry).Scan(&p.rows, &p.xor)
	if err != nil {
		return p, fmt.Errorf("count quarantine: %w", err)
	}
	return p, nil
}

func quarantineColumns(qs []ledger.Quarantined) []column {
	return []column{
		col("entry", "UInt64", pick(qs, func(q *ledger.Quarantined) uint64 { return q.Entry })),
		col("received", "DateTime64(3, 'UTC')", pick(qs, func(q *ledger.Quarantined) time.Time { return q.Received.UTC() })),
		col("stream", "LowCardinality(String)", pick(qs, func(q *ledger.Quarantined) string { return q.Stream })),
		col("stream_seq", "UInt64", pick(qs, func(q *ledger.Quarantined) uint64 { return q.StreamSeq })),
		col("subject", "String", pick(qs, func(q *ledger.Quarantined) string { return q.Subject })),
		col("code", "LowCardinality(String)", pick(qs, func(q *ledger.Quarantined) string { return q.Code })),
		col("reason", "String", pick(qs, func(q *ledger.Quarantined) string { return q.Reason })),
		col("body", "String", pick(qs, func(q *ledger.Quarantined) string { return string(q.Body) })),
		col("hash", "FixedString(32)", pick(qs, func(q *ledger.Quarantined) string { return string(q.Hash[:]) })),
	}
}

func (s *Store) appendBlock(ctx context.Context, b *ledger.Block) error {
	one := func(v uint64) []uint64 { return []uint64{v} }
	err := s.insert(ctx, "blocks", fence("b-"+b.Stream, b.FirstSeq), []column{
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
	var lines, same uint64
	err = s.conn.QueryRow(ctx, "SELECT count(), countIf(last_seq = ? AND position = ? AND hex(root) = ?) FROM blocks WHERE stream = ? AND first_seq = ?",
		b.LastSeq, b.Position, fmt.Sprintf("%X", b.Root), b.Stream, b.FirstSeq).Scan(&lines, &same)
	switch {
	case err != nil:
		return fmt.Errorf("read the block's own line: %w", err)
	case same == 0 && lines > 0:
		return damaged("stream messages from %d on are another block's, of another intake", b.FirstSeq)
	case same == 0:
		return fmt.Errorf("the block's own line was not stored: stream %s, messages from %d", b.Stream, b.FirstSeq)
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
