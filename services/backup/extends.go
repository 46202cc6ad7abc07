package backup

import (
	"context"

	"spoilbook/services/ledger"
)

// Extends returns nil when a ledger extends what a folder holds: every stream's last
// block that is held is in it, with the same root. Otherwise the ledger is another
// one, or an older copy, and the error has the code conflict.
func (h *Held) Extends(ctx context.Context, src Source) error { return extends(ctx, src, h.m) }

func extends(ctx context.Context, src Source, m *manifest) error {
	for _, e := range m.Streams {
		lines, err := src.BlockLines(ctx, e.Stream, e.Last-1, e.Last)
		if err != nil {
			return err
		}
		if len(lines) != 1 || lines[0].Position != e.Position || lines[0].Root != [32]byte(e.Root) {
			return ledger.Fail(ledger.Conflict, "the folder holds a ledger up to position %d with the root %s, and this ledger does not extend it: it is another one, or an older copy. Use a folder of its own", m.Position, hexOf(m.Root))
		}
	}
	return nil
}
