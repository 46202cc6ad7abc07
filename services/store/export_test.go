package store

import (
	"context"
	"fmt"

	"spoilbook/services/ledger"
)

// InsertUnlooked inserts records as Append does, without looking first whether their positions are taken: what a writer does that was halted
// after its look.
func (s *Store) InsertUnlooked(ctx context.Context, rs []ledger.Record) error {
	return s.insert(ctx, "events", fmt.Sprintf("e-%d", rs[0].Position), recordColumns(rs))
}

// Forget removes rows and leaves the tokens of their inserts remembered: what a
// store looks like that died between noting a token and keeping the rows.
func (s *Store) Forget(ctx context.Context, table string) error {
	return s.conn.Exec(ctx, "ALTER TABLE "+table+" DELETE WHERE 1 SETTINGS mutations_sync = 1")
}
