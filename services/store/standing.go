package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"

	"spoilbook/services/ledger"
)

// RootAt returns the Merkle root stored with the newest block that ends at a
// position; zero when none does.
func (s *Store) RootAt(ctx context.Context, position uint64) (root [32]byte, err error) {
	var text string
	err = s.one(ctx, func(r driver.Rows) error { return r.Scan(&text) }, "SELECT root FROM blocks WHERE position = ? ORDER BY at DESC LIMIT 1", position)
	if err != nil {
		return root, fmt.Errorf("read the root at position %d: %w", position, err)
	}
	copy(root[:], text)
	return root, nil
}

// StreamLines returns what is kept of the messages of a stream from first to last,
// in no order.
func (s *Store) StreamLines(ctx context.Context, stream string, first, last uint64) ([]ledger.StreamLine, error) {
	const where = " WHERE stream = ? AND stream_seq >= ? AND stream_seq <= ?"
	rows, err := s.conn.Query(ctx, "SELECT stream_seq, false, hash FROM events"+where+" UNION ALL SELECT stream_seq, true, hash FROM quarantine"+where,
		stream, first, last, stream, first, last)
	if err != nil {
		return nil, fmt.Errorf("read messages %d to %d of %s: %w", first, last, stream, err)
	}
	var out []ledger.StreamLine
	for rows.Next() {
		var line ledger.StreamLine
		var hash string
		if err := rows.Scan(&line.Seq, &line.Held, &hash); err != nil {
			return nil, errors.Join(fmt.Errorf("read messages of %s: %w", stream, err), rows.Close())
		}
		copy(line.Hash[:], hash)
		out = append(out, line)
	}
	if err := errors.Join(rows.Err(), rows.Close()); err != nil {
		return nil, fmt.Errorf("read messages %d to %d of %s: %w", first, last, stream, err)
	}
	return out, nil
}
