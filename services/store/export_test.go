package store

import (
	"context"

	"spoilbook/services/ledger"
)

// InsertUnlooked inserts records as Append does, without looking first whether their positions are taken: what a writer does that was halted
// after its look.
func (s *Store) InsertUnlooked(ctx context.Context, rs []ledger.Record) error {
	return s.insert(ctx, "events", fence("e", rs[0].Position), recordColumns(rs))
}
