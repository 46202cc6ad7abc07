package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"

	"spoilbook/services/ledger"
)

// Bounds of what one call of those that copy a ledger returns. A page ends where
// either is reached, and holds at least one row where there is one.
const (
	copyRows  = 5000
	copyBytes = 16 << 20
)

// errPageFull ends the reading of a page.
var errPageFull = errors.New("the page is full")

// page reads rows until the query ends or each says that the page is full.
func (s *Store) page(ctx context.Context, what string, each func(driver.Rows) error, query string, args ...any) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel() // ends a query whose rows are not all wanted
	rows, err := s.conn.Query(ctx, query, args...)
	if err != nil {
		return fmt.Errorf("read %s: %w", what, err)
	}
	for rows.Next() {
		err := each(rows)
		if errors.Is(err, errPageFull) {
			cancel()
			_ = rows.Close() // what it says is that it was cancelled
			return nil
		}
		if err != nil {
			return errors.Join(fmt.Errorf("read %s: %w", what, err), rows.Close())
		}
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return fmt.Errorf("read %s: %w", what, err)
	}
	return nil
}

// StreamEnds returns, as of one moment, the last whole block of every stream that
// was ever taken in, in the order in which they were.
func (s *Store) StreamEnds(ctx context.Context) ([]ledger.StreamEnd, error) {
	var out []ledger.StreamEnd
	err := s.page(ctx, "streams", func(r driver.Rows) error {
		var e ledger.StreamEnd
		if err := r.Scan(&e.Stream, &e.LastSeq, &e.Position); err != nil {
			return err
		}
		out = append(out, e)
		return nil
	}, "SELECT stream, max(last_seq), max(position) FROM blocks GROUP BY stream ORDER BY min(position), max(position), min(at), stream")
	return out, err
}

// BlockLines returns a page of a stream's block lines, those that end above the
// message after and not above upTo, in stream order.
func (s *Store) BlockLines(ctx context.Context, stream string, after, upTo uint64) ([]ledger.BlockLine, error) {
	var out []ledger.BlockLine
	err := s.page(ctx, "blocks", func(r driver.Rows) error {
		var b ledger.BlockLine
		var root, frontier string
		err := r.Scan(&b.Stream, &b.FirstSeq, &b.LastSeq, &b.Position, &b.Recorded, &b.Duplicates, &b.Quarantined, &root, &frontier, &b.At)
		if err != nil {
			return err
		}
		copy(b.Root[:], root)
		b.Frontier = []byte(frontier)
		out = append(out, b)
		return nil
	}, fmt.Sprintf(`SELECT stream, first_seq, last_seq, position, recorded, duplicates, quarantined, root, frontier, at FROM blocks
		WHERE stream = ? AND last_seq > ? AND last_seq <= ? ORDER BY last_seq LIMIT %d`, copyRows), stream, after, upTo)
	return out, err
}

// Records returns a page of the records above the position after and not above
// upTo, in the order of their positions.
func (s *Store) Records(ctx context.Context, after, upTo uint64) ([]ledger.Record, error) {
	var out []ledger.Record
	size := 0
	err := s.page(ctx, "records", func(r driver.Rows) error {
		rec, err := scanRecord(r)
		if err != nil {
			return err
		}
		if want := after + uint64(len(out)) + 1; rec.Position != want {
			return damaged("position %d is missing or there twice", want)
		}
		out = append(out, rec)
		if size += len(rec.Body); size >= copyBytes {
			return errPageFull
		}
		return nil
	}, "SELECT "+recordList+" FROM events WHERE position > ? AND position <= ? ORDER BY position SETTINGS max_block_size = 1024", after, min(upTo, after+copyRows))
	if err == nil && len(out) == 0 && after < upTo {
		return nil, damaged("position %d is missing", after+1)
	}
	return out, err
}

// Entries returns a page of the quarantined messages above the entry after, in the
// order of their entries, without how they were settled.
func (s *Store) Entries(ctx context.Context, after uint64) ([]ledger.Quarantined, error) {
	var out []ledger.Quarantined
	size := 0
	err := s.page(ctx, "quarantine", func(r driver.Rows) error {
		var q ledger.Quarantined
		var body, hash string
		if err := r.Scan(&q.Entry, &q.Received, &q.Stream, &q.StreamSeq, &q.Subject, &q.Code, &q.Reason, &body, &hash); err != nil {
			return err
		}
		if want := after + uint64(len(out)) + 1; q.Entry != want {
			return damaged("quarantine entry %d is missing or there twice", want)
		}
		q.Body, q.State = []byte(body), "held"
		copy(q.Hash[:], hash)
		out = append(out, q)
		if size += len(body) + len(q.Reason); size >= copyBytes {
			return errPageFull
		}
		return nil
	}, `SELECT entry, received, stream, stream_seq, subject, code, reason, body, hash FROM quarantine
		WHERE entry > ? AND entry <= ? ORDER BY entry SETTINGS max_block_size = 256`, after, after+copyRows)
	return out, err
}

// Settlements returns every decision about the next entries above after that have
// one, in the order of entries and of decisions about each.
func (s *Store) Settlements(ctx context.Context, after uint64) ([]ledger.SettledEntry, error) {
	var out []ledger.SettledEntry
	err := s.page(ctx, "settlements", func(r driver.Rows) error {
		var e ledger.SettledEntry
		if err := r.Scan(&e.Entry, &e.At, &e.Action, &e.Author, &e.Note); err != nil {
			return err
		}
		out = append(out, e)
		return nil
	}, fmt.Sprintf(`SELECT entry, at, action, author, note FROM settlements
		WHERE entry IN (SELECT DISTINCT entry FROM settlements WHERE entry > ? ORDER BY entry LIMIT %d)
		ORDER BY entry, at, action, author, note`, copyRows), after)
	return out, err
}
