package ledger

import (
	"context"
	"time"

	"spoilbook/events"
	"spoilbook/reports/yard"
)

// Yard says how the trucks, or the one named, stand at a moment; the zero time is now, by what is recorded so far.
func (l *Ledger) Yard(ctx context.Context, truck events.TruckID, at time.Time) (*yard.Report, error) {
	head, err := l.store.Head(ctx)
	if err != nil {
		return nil, Wrap(StoreDown, err, "yard")
	}
	j, err := l.Journal(ctx, truck, head.Position)
	if err != nil {
		return nil, Wrap(StoreDown, err, "yard")
	}
	if at.IsZero() {
		at = l.now()
	}
	r := yard.Compute(j, truck, events.TimeOf(at), yard.Options{})
	if truck != "" && len(r.Trucks) == 0 {
		return nil, Fail(NotFound, "the ledger knows no truck %q", truck)
	}
	return r, nil
}
