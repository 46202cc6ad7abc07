package store

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// damaged is the error for a store that does not hold what was stored.
func damaged(format string, args ...any) error {
	return ledger.Fail(ledger.Damaged, "the store is damaged: "+format, args...)
}

// Head returns the last position and checks that positions are dense. A block's
// line is stored after its events, so it is read before them: in the other order
// a block stored in between would look like lost events.
func (s *Store) Head(ctx context.Context) (ledger.Head, error) {
	var h ledger.Head
	var root string
	err := s.one(ctx, func(r driver.Rows) error { return r.Scan(&h.RootPosition, &root, &h.At) },
		"SELECT position, root, at FROM blocks ORDER BY position DESC, at DESC LIMIT 1")
	if err != nil {
		return h, fmt.Errorf("read head: %w", err)
	}
	copy(h.Root[:], root)
	var rows, lowest uint64
	if err := s.conn.QueryRow(ctx, "SELECT max(position), min(position), count() FROM events").Scan(&h.Position, &lowest, &rows); err != nil {
		return h, fmt.Errorf("read head: %w", err)
	}
	if rows != h.Position || rows > 0 && lowest != 1 {
		return h, damaged("%d events are stored but the last position is %d and the first %d; positions must be dense", rows, h.Position, lowest)
	}
	if h.RootPosition > h.Position {
		return h, damaged("block lines reach position %d but only %d events are stored", h.RootPosition, h.Position)
	}
	return h, nil
}

// one scans at most one row.
func (s *Store) one(ctx context.Context, scan func(driver.Rows) error, query string, args ...any) error {
	rows, err := s.conn.Query(ctx, query, args...)
	if err != nil {
		return err
	}
	for rows.Next() {
		if err := scan(rows); err != nil {
			return errors.Join(err, rows.Close())
		}
	}
	return errors.Join(rows.Err(), rows.Close())
}

// Frontier returns the Merkle tree's state after the last complete block, and the
// position it stands at.
func (s *Store) Frontier(ctx context.Context) (position uint64, state []byte, err error) {
	var text string
	err = s.one(ctx, func(r driver.Rows) error { return r.Scan(&position, &text) },
		"SELECT position, frontier FROM blocks ORDER BY position DESC, at DESC LIMIT 1")
	return position, []byte(text), err
}

// Hashes returns the leaf hashes of positions first to last, in order.
func (s *Store) Hashes(ctx context.Context, first, last uint64) ([][32]byte, error) {
	rows, err := s.conn.Query(ctx, "SELECT position, hash FROM events WHERE position >= ? AND position <= ? ORDER BY position", first, last)
	if err != nil {
		return nil, fmt.Errorf("read hashes: %w", err)
	}
	var out [][32]byte
	for rows.Next() {
		var position uint64
		var text string
		if err := rows.Scan(&position, &text); err != nil {
			return nil, errors.Join(err, rows.Close())
		}
		if position != first+uint64(len(out)) {
			return nil, errors.Join(damaged("position %d is missing", first+uint64(len(out))), rows.Close())
		}
		var h [32]byte
		copy(h[:], text)
		out = append(out, h)
	}
	return out, errors.Join(rows.Err(), rows.Close())
}

// Handled returns the last stream sequence whose fate is settled, 0 for none.
func (s *Store) Handled(ctx context.Context, stream string) (uint64, error) {
	var seq uint64
	if err := s.conn.QueryRow(ctx, "SELECT max(last_seq) FROM blocks WHERE stream = ?", stream).Scan(&seq); err != nil {
		return 0, fmt.Errorf("read progress: %w", err)
	}
	return seq, nil
}

// Read calls each for every record chosen, in no particular order. The record and
// its Body are good only during the call.
func (s *Store) Read(ctx context.Context, sel ledger.Selection, each func(*ledger.Record) error) error {
	query, args := "SELECT position, recorded, body, hash FROM events WHERE position > ? AND position <= ?", []any{sel.After, sel.UpTo}
	if len(sel.Trucks) > 0 {
		query += " AND truck IN (''" + strings.Repeat(", ?", len(sel.Trucks)) + ")"
		for _, truck := range sel.Trucks {
			args = append(args, string(truck))
		}
	}
	rows, err := s.conn.Query(ctx, query, args...)
	if err != nil {
		return fmt.Errorf("read events: %w", err)
	}
	var r ledger.Record
	var body, hash string
	for rows.Next() {
		if err := rows.Scan(&r.Position, &r.Recorded, &body, &hash); err != nil {
			return errors.Join(fmt.Errorf("read events: %w", err), rows.Close())
		}
		r.Body = append(r.Body[:0], body...)
		copy(r.Hash[:], hash)
		if err := each(&r); err != nil {
			return errors.Join(err, rows.Close())
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return fmt.Errorf("read events: %w", err)
	}
	return nil
}

const recordList = "position, source, seq, id, kind, truck, job, operator, occurred, recorded, stream, stream_seq, body, hash"

// The first rows of a list tell how large the others may be: bodies differ a
// thousandfold, and the engine holds those of one statement in memory.
const (
	firstRows  = 256
	pieceBytes = 32 << 20 // of bodies, that a further piece of a list should have
)

// inPieces asks for a list of up to limit rows piece by piece, until one is short or
// the bodies have more than most bytes, unless that is 0.
func inPieces[T any](limit, most int, body func(*T) []byte, piece func(last *T, n int) ([]T, error)) ([]T, error) {
	var out []T
	var last *T
	size := 0
	for n := min(limit, firstRows); n > 0; n = min(limit-len(out), max(1, pieceBytes/(1+size/len(out)))) {
		list, err := piece(last, n)
		if err != nil {
			return nil, err
		}
		for i := range list {
			size += len(body(&list[i]))
		}
		if out = append(out, list...); len(list) < n || most > 0 && size > most {
			return out, nil
		}
		last = &out[len(out)-1]
	}
	return out, nil
}

// Find lists records in the order of their positions.
func (s *Store) Find(ctx context.Context, q ledger.EventQuery) ([]ledger.Record, error) {
	return inPieces(q.Limit, q.Bytes, func(r *ledger.Record) []byte { return r.Body }, func(last *ledger.Record, n int) ([]ledger.Record, error) {
		if q.Limit = n; last != nil {
			q.After = last.Position
		}
		return s.find(ctx, q)
	})
}

func (s *Store) find(ctx context.Context, q ledger.EventQuery) ([]ledger.Record, error) {
	where, args := []string{"position > ?"}, []any{q.After}
	for _, c := range []struct{ name, value string }{
		{"truck", string(q.Truck)}, {"job", string(q.Job)}, {"kind", string(q.Kind)}, {"source", string(q.Source)}, {"id", q.ID},
	} {
		if c.value != "" {
			where, args = append(where, c.name+" = ?"), append(args, c.value)
		}
	}
	// The positions are found first: sorting whole rows would read every body.
	query := "SELECT " + recordList + " FROM events WHERE position IN (SELECT position FROM events WHERE " +
		strings.Join(where, " AND ") + fmt.Sprintf(" ORDER BY position LIMIT %d) ORDER BY position", q.Limit)
	return s.records(ctx, query, args...)
}

func (s *Store) records(ctx context.Context, query string, args ...any) ([]ledger.Record, error) {
	rows, err := s.conn.Query(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("list events: %w", err)
	}
	var out []ledger.Record
	for rows.Next() {
		r, err := scanRecord(rows)
		if err != nil {
			return nil, errors.Join(fmt.Errorf("list events: %w", err), rows.Close())
		}
		out = append(out, r)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, fmt.Errorf("list events: %w", err)
	}
	return out, nil
}

func scanRecord(rows driver.Rows) (ledger.Record, error) {
	var r ledger.Record
	var source, kind, truck, job, operator, body, hash string
	var occurred time.Time
	err := rows.Scan(&r.Position, &source, &r.Seq, &r.ID, &kind, &truck, &job, &operator, &occurred, &r.Recorded,
		&r.Stream, &r.StreamSeq, &body, &hash)
	r.Source, r.Kind, r.Truck = events.Source(source), events.Kind(kind), events.TruckID(truck)
	r.Job, r.Operator, r.Occurred, r.Body = events.JobID(job), events.OperatorID(operator), occurredAt(occurred), []byte(body)
	copy(r.Hash[:], hash)
	return r, err
}

// lookupChunk bounds how many ids or numbers one statement names.
const lookupChunk = 2000

// Lookup returns what is stored of one source under any of the ids or sequence
// numbers.
func (s *Store) Lookup(ctx context.Context, source events.Source, truck events.TruckID, ids []string, seqs []uint64) ([]ledger.Known, error) {
	var out []ledger.Known
	for len(ids) > 0 || len(seqs) > 0 {
		n, m := min(len(ids), lookupChunk), min(len(seqs), lookupChunk)
		found, err := s.lookup(ctx, source, truck, ids[:n], seqs[:m])
		if err != nil {
			return nil, fmt.Errorf("look up events of %s: %w", source, err)
		}
		out, ids, seqs = append(out, found...), ids[n:], seqs[m:]
	}
	return out, nil
}

func (s *Store) lookup(ctx context.Context, source events.Source, truck events.TruckID, ids []string, seqs []uint64) ([]ledger.Known, error) {
	const list = "SELECT id, seq, position, stream, stream_seq, hash FROM events WHERE source = ?"
	own, args := "", []any{string(source)}
	if truck != "" {
		own, args = " AND truck = ?", append(args, string(truck))
	}
	parts, all := []string{}, []any{}
	if len(ids) > 0 {
		parts, all = append(parts, list+own+" AND id IN (?)"), append(append(all, args...), ids)
	}
	if len(seqs) > 0 {
		parts, all = append(parts, list+own+" AND seq IN (?)"), append(append(all, args...), seqs)
	}
	rows, err := s.conn.Query(ctx, strings.Join(parts, " UNION DISTINCT "), all...)
	if err != nil {
		return nil, err
	}
	var out []ledger.Known
	for rows.Next() {
		var k ledger.Known
		var hash string
		if err := rows.Scan(&k.ID, &k.Seq, &k.Position, &k.Stream, &k.StreamSeq, &hash); err != nil {
			return nil, errors.Join(err, rows.Close())
		}
		copy(k.Hash[:], hash)
		out = append(out, k)
	}
	return out, errors.Join(rows.Err(), rows.Close())
}
