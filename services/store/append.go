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

// insertTries bounds how many tokens are tried at one place.
const insertTries = 4

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
	return s.insertFenced(ctx, fenced{
		table: "events", place: fmt.Sprintf("e-%d", first), columns: func() []column { return recordColumns(rs) }, want: fingerprint(rs),
		what:   fmt.Sprintf("positions %d to %d", first, last),
		stored: func(ctx context.Context) (print, error) { return s.stored(ctx, first, last) },
	})
}

// fenced is an insert at a place where only one writer's rows may come to lie.
type fenced struct {
	table, place string
	what         string // for people: which rows these are
	columns      func() []column
	want         print
	stored       func(context.Context) (print, error) // what lies at the place
}

// insertFenced stores rows at a place, or finds that they lie there already. The deduplication token is the place and
// says nothing of the content on purpose: of two writers at one place, such as an intake that was halted between its
// look and its insert and the one that took over meanwhile, the store takes the first and drops the other, which finds
// so when it reads back. A store that died between noting a token and keeping its rows drops a retry just as well; then
// nothing lies at the place, and the next token is used.
func (s *Store) insertFenced(ctx context.Context, f fenced) error {
	stored, err := f.stored(ctx)
	if err != nil {
		return err
	}
	token := f.place
	for try := 0; stored.rows == 0; try++ {
		if try == insertTries {
			return fmt.Errorf("%s: nothing is stored after %d inserts that the store acknowledged", f.what, try)
		}
		if try > 0 {
			token = fmt.Sprintf("%s-again-%d", f.place, try)
		}
		if err := s.insert(ctx, f.table, token, f.columns()); err != nil {
			return err
		}
		if stored, err = f.stored(ctx); err != nil {
			return err
		}
	}
	if stored != f.want {
		return damaged("%s: %d other rows lie there already, of another writer", f.what, stored.rows)
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
	want := print{rows: uint64(len(qs))}
	for i := range qs {
		want.xor ^= binary.LittleEndian.Uint64(qs[i].Hash[:8]) + qs[i].Entry
	}
	return s.insertFenced(ctx, fenced{
		table: "quarantine", place: fmt.Sprintf("q-%d", qs[0].Entry), columns: func() []column { return quarantineColumns(qs) }, want: want,
		what:   fmt.Sprintf("quarantine entries %d to %d", qs[0].Entry, qs[len(qs)-1].Entry),
		stored: func(ctx context.Context) (print, error) { return s.storedEntries(ctx, qs) },
	})
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
	return s.insertFenced(ctx, fenced{
		table: "blocks", place: fmt.Sprintf("b-%s-%d", b.Stream, b.FirstSeq), want: print{rows: 1, xor: 1},
		what: fmt.Sprintf("the line of the block of messages %d to %d of stream %s", b.FirstSeq, b.LastSeq, b.Stream),
		columns: func() []column {
			return []column{
				col("stream", "LowCardinality(String)", []string{b.Stream}),
				col("first_seq", "UInt64", one(b.FirstSeq)), col("last_seq", "UInt64", one(b.LastSeq)),
				col("position", "UInt64", one(b.Position)), col("recorded", "UInt64", one(uint64(len(b.Records)))),
				col("duplicates", "UInt64", one(b.Duplicates)), col("quarantined", "UInt64", one(uint64(len(b.Quarantined)))),
				col("root", "FixedString(32)", []string{string(b.Root[:])}), col("frontier", "String", []string{string(b.Frontier)}),
				col("at", "DateTime64(3, 'UTC')", []time.Time{b.At.UTC()}),
			}
		},
		stored: func(ctx context.Context) (print, error) { return s.storedLine(ctx, b) },
	})
}

// storedLine counts the lines at a block's place, and of these the ones that say the same.
func (s *Store) storedLine(ctx context.Context, b *ledger.Block) (print, error) {
	var p print
	err := s.conn.QueryRow(ctx, "SELECT count(), countIf(last_seq = ? AND position = ? AND hex(root) = ?) FROM blocks WHERE stream = ? AND first_seq = ?",
		b.LastSeq, b.Position, fmt.Sprintf("%X", b.Root), b.Stream, b.FirstSeq).Scan(&p.rows, &p.xor)
	if err != nil {
		return p, fmt.Errorf("read the block's own line: %w", err)
	}
	return p, nil
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
