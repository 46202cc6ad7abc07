package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// SourceHeads returns where each source stood at a position, in alphabetical
// order, at most limit; only says which one, or all when empty.
func (s *Store) SourceHeads(ctx context.Context, only events.Source, upTo uint64, limit int) ([]ledger.SourceHead, error) {
	query, args := "SELECT source, max(seq), count(), max(position), argMax(recorded, position), argMax(occurred, position) FROM events WHERE position <= ?", []any{upTo}
	if only != "" {
		query, args = query+" AND source = ?", append(args, string(only))
	}
	rows, err := s.conn.Query(ctx, query+fmt.Sprintf(" GROUP BY source ORDER BY source LIMIT %d", limit), args...)
	if err != nil {
		return nil, fmt.Errorf("read sources: %w", err)
	}
	var out []ledger.SourceHead
	for rows.Next() {
		var h ledger.SourceHead
		var source string
		var occurred time.Time
		if err := rows.Scan(&source, &h.Highest, &h.Count, &h.Position, &h.Recorded, &occurred); err != nil {
			return nil, errors.Join(fmt.Errorf("read sources: %w", err), rows.Close())
		}
		h.Source, h.Occurred = events.Source(source), occurredAt(occurred)
		out = append(out, h)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, fmt.Errorf("read sources: %w", err)
	}
	return out, nil
}

// Arrivals calls each, in the order of positions, for every event of a source that
// was not recorded right after the number before it. What came in order, which is
// nearly everything, stays in the server.
func (s *Store) Arrivals(ctx context.Context, source events.Source, upTo uint64, each func(ledger.Arrival)) error {
	rows, err := s.conn.Query(ctx, `SELECT seq, top, recorded FROM (
			SELECT seq, position, recorded, max(seq) OVER (ORDER BY position ROWS BETWEEN UNBOUNDED PRECEDING AND 1 PRECEDING) AS top
			FROM events WHERE source = ? AND position <= ?)
		WHERE seq != top + 1 ORDER BY position`, string(source), upTo)
	if err != nil {
		return fmt.Errorf("read arrivals of %s: %w", source, err)
	}
	for rows.Next() {
		var a ledger.Arrival
		if err := rows.Scan(&a.Seq, &a.Top, &a.Recorded); err != nil {
			return errors.Join(fmt.Errorf("read arrivals of %s: %w", source, err), rows.Close())
		}
		each(a)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return fmt.Errorf("read arrivals of %s: %w", source, err)
	}
	return nil
}

// ClockMS returns the smallest difference, recorded less occurred, among the last
// events that were recorded of a source.
func (s *Store) ClockMS(ctx context.Context, source events.Source, upTo uint64, last int) (int64, error) {
	var ms int64
	err := s.conn.QueryRow(ctx, fmt.Sprintf(`SELECT min(toUnixTimestamp64Milli(recorded) - toUnixTimestamp64Milli(occurred)) FROM (
		SELECT recorded, occurred FROM events WHERE source = ? AND position <= ? ORDER BY position DESC LIMIT %d)`, last), string(source), upTo).Scan(&ms)
	if err != nil {
		return 0, fmt.Errorf("compare the clock of %s: %w", source, err)
	}
	return ms, nil
}
