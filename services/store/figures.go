package store

import (
	"context"
	"fmt"

	"github.com/ClickHouse/clickhouse-go/v2/lib/driver"
)

// Held counts the quarantined messages that nobody has released or dismissed.
func (s *Store) Held(ctx context.Context) (uint64, error) {
	var n uint64
	if err := s.conn.QueryRow(ctx, "SELECT count() FROM quarantine WHERE entry NOT IN (SELECT entry FROM settlements)").Scan(&n); err != nil {
		return 0, fmt.Errorf("count held messages: %w", err)
	}
	return n, nil
}

// MemoryBytes returns what the server says it uses; ok is false when it does not
// say.
func (s *Store) MemoryBytes(ctx context.Context) (bytes int64, ok bool, err error) {
	err = s.one(ctx, func(r driver.Rows) error { ok = true; return r.Scan(&bytes) }, "SELECT value FROM system.metrics WHERE metric = 'MemoryTracking'")
	if err != nil {
		return 0, false, fmt.Errorf("read the server's memory: %w", err)
	}
	return bytes, ok, nil
}
