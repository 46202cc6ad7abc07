package intake

import (
	"context"
	"fmt"

	"spoilbook/events"
)

// SendAllReceipts tells every source that the ledger knows of what is recorded of
// it, as sources must hear again when what the broker had for them is lost: they
// send what is missing. It returns how many there are, and an error when some were
// not told.
func (in *Intake) SendAllReceipts(ctx context.Context) (int, error) {
	for s := range in.sources {
		in.owed[s] = true
	}
	d := &draft{counts: map[events.Source]*receipt{}}
	d.Position, d.At = in.position, in.Now()
	in.sendReceipts(ctx, d)
	if n := len(in.owed); n > 0 {
		return len(in.sources), fmt.Errorf("%d of %d sources were not sent their receipts; they get them with their next event", n, len(in.sources))
	}
	return len(in.sources), nil
}
