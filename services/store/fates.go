package store

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// Fates counts what became of the messages between two stream sequences, both
// inclusive. Everything in the range must be handled.
func (s *Store) Fates(ctx context.Context, stream string, first, last uint64) (ledger.Fates, error) {
	var f ledger.Fates
	err := s.conn.QueryRow(ctx, "SELECT count() FROM events WHERE stream = ? AND stream_seq >= ? AND stream_seq <= ?", stream, first, last).Scan(&f.Recorded)
	if err != nil {
		return f, fmt.Errorf("count recorded: %w", err)
	}
	err = s.conn.QueryRow(ctx, "SELECT count(), arraySlice(arraySort(groupArray(entry)), 1, 100) FROM quarantine WHERE stream = ? AND stream_seq >= ? AND stream_seq <= ?",
		stream, first, last).Scan(&f.Quarantined, &f.Entries)
	if err != nil {
		return f, fmt.Errorf("count quarantined: %w", err)
	}
	head, err := s.Head(ctx)
	if err != nil {
		return f, err
	}
	f.Position = head.Position
	f.Duplicates = last - first + 1 - f.Recorded - f.Quarantined
	return f, nil
}

// Quarantine lists quarantined messages in the order of their entries.
func (s *Store) Quarantine(ctx context.Context, q ledger.QuarantineQuery) ([]ledger.Quarantined, error) {
	return inPieces(q.Limit, q.Bytes, func(e *ledger.Quarantined) []byte { return e.Body }, func(last *ledger.Quarantined, n int) ([]ledger.Quarantined, error) {
		if q.Limit = n; last != nil {
			q.After = last.Entry
		}
		return s.quarantine(ctx, q)
	})
}

func (s *Store) quarantine(ctx context.Context, q ledger.QuarantineQuery) ([]ledger.Quarantined, error) {
	where, args := []string{"entry > ?"}, []any{q.After}
	if q.Entry != 0 {
		where, args = append(where, "entry = ?"), append(args, q.Entry)
	}
	if !q.All {
		where = append(where, "action = ''")
	}
	query := `SELECT entry, received, stream, stream_seq, subject, code, reason, body, action, settled_at, author, note FROM quarantine
		LEFT JOIN (SELECT entry, action, author, note, at AS settled_at FROM settlements ORDER BY at DESC LIMIT 1 BY entry) AS settled USING (entry)
		WHERE ` + strings.Join(where, " AND ") + fmt.Sprintf(" ORDER BY entry LIMIT %d", q.Limit)
	rows, err := s.conn.Query(ctx, query, args...)
	if err != nil {
		return nil, fmt.Errorf("list quarantine: %w", err)
	}
	var out []ledger.Quarantined
	for rows.Next() {
		var e ledger.Quarantined
		var st ledger.Settlement
		var body string
		if err := rows.Scan(&e.Entry, &e.Received, &e.Stream, &e.StreamSeq, &e.Subject, &e.Code, &e.Reason, &body,
			&st.Action, &st.At, &st.Author, &st.Note); err != nil {
			return nil, errors.Join(fmt.Errorf("list quarantine: %w", err), rows.Close())
		}
		e.Body, e.State = []byte(body), "held"
		if st.Action != "" {
			e.State, e.Settled = st.Action, &st
		}
		out = append(out, e)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, fmt.Errorf("list quarantine: %w", err)
	}
	return out, nil
}

// QuarantinedBodies returns which of the leaf hashes belong to messages that the
// quarantine keeps and that were not released.
func (s *Store) QuarantinedBodies(ctx context.Context, hashes [][32]byte) (map[[32]byte]bool, error) {
	out := map[[32]byte]bool{}
	for len(hashes) > 0 {
		n := min(len(hashes), lookupChunk)
		texts := make([]string, n)
		for i, h := range hashes[:n] {
			texts[i] = hex.EncodeToString(h[:])
		}
		hashes = hashes[n:]
		rows, err := s.conn.Query(ctx, `SELECT DISTINCT hash FROM quarantine WHERE lower(hex(hash)) IN (?) AND entry NOT IN
			(SELECT entry FROM settlements WHERE action = 'released')`, texts)
		if err != nil {
			return nil, fmt.Errorf("read quarantine: %w", err)
		}
		for rows.Next() {
			var text string
			if err := rows.Scan(&text); err != nil {
				return nil, errors.Join(err, rows.Close())
			}
			out[[32]byte([]byte(text))] = true
		}
		if err := errors.Join(rows.Err(), rows.Close()); err != nil {
			return nil, fmt.Errorf("read quarantine: %w", err)
		}
	}
	return out, nil
}

// Blocks calls each with the position and Merkle root after every block, in the
// order they were stored.
func (s *Store) Blocks(ctx context.Context, each func(position uint64, root [32]byte) error) error {
	rows, err := s.conn.Query(ctx, "SELECT position, root FROM blocks ORDER BY position, at")
	if err != nil {
		return fmt.Errorf("read blocks: %w", err)
	}
	for rows.Next() {
		var position uint64
		var text string
		if err := rows.Scan(&position, &text); err != nil {
			return errors.Join(err, rows.Close())
		}
		var root [32]byte
		copy(root[:], text)
		if err := each(position, root); err != nil {
			return errors.Join(err, rows.Close())
		}
	}
	return errors.Join(rows.Err(), rows.Close())
}

// QuarantineState returns the last entry and the stream sequences above handled
// that are quarantined already: those of a block that was cut off.
func (s *Store) QuarantineState(ctx context.Context, stream string, handled uint64) (last uint64, seqs []uint64, err error) {
	err = s.conn.QueryRow(ctx, "SELECT max(entry), groupArrayIf(stream_seq, stream = ? AND stream_seq > ?) FROM quarantine", stream, handled).Scan(&last, &seqs)
	if err != nil {
		return 0, nil, fmt.Errorf("read quarantine: %w", err)
	}
	return last, seqs, nil
}

// Sources returns the state of every source, in alphabetical order.
func (s *Store) Sources(ctx context.Context) ([]ledger.SourceState, error) {
	rows, err := s.conn.Query(ctx, "SELECT source, max(seq), count() FROM events GROUP BY source ORDER BY source")
	if err != nil {
		return nil, fmt.Errorf("read sources: %w", err)
	}
	var out []ledger.SourceState
	for rows.Next() {
		var st ledger.SourceState
		var source string
		if err := rows.Scan(&source, &st.Highest, &st.Count); err != nil {
			return nil, errors.Join(err, rows.Close())
		}
		st.Source = events.Source(source)
		out = append(out, st)
	}
	return out, errors.Join(rows.Err(), rows.Close())
}

// Numbers returns every sequence number that has come from a source, ascending.
func (s *Store) Numbers(ctx context.Context, source events.Source) ([]uint64, error) {
	var seqs []uint64
	err := s.conn.QueryRow(ctx, "SELECT arraySort(groupArray(seq)) FROM events WHERE source = ?", string(source)).Scan(&seqs)
	if err != nil {
		return nil, fmt.Errorf("read numbers of %s: %w", source, err)
	}
	return seqs, nil
}

// Revisions returns every register revision, in the order of their positions.
func (s *Store) Revisions(ctx context.Context) ([]ledger.Record, error) {
	return s.records(ctx, "SELECT "+recordList+" FROM events WHERE truck = '' AND kind = ? ORDER BY position", string(events.KindRegisterRevised))
}

// Now returns the server's clock, to compare with our own.
func (s *Store) Now(ctx context.Context) (time.Time, error) {
	var t time.Time
	err := s.conn.QueryRow(ctx, "SELECT now64(3)").Scan(&t)
	return t, err
}
