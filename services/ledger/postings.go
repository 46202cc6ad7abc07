package ledger

import (
	"context"
	"io"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

// Postings writes the double-entry movements of one truck, or of all, up to a
// position (0 is the head) as a plain-text journal that general double-entry
// programs read; dates are those of a named time zone.
func (l *Ledger) Postings(ctx context.Context, w io.Writer, truck events.TruckID, zone string, upTo uint64) error {
	loc, err := l.zones(zone)
	if err != nil || zone == "" {
		return Fail(BadRequest, "postings: %q is not a time zone of the tz database, such as Europe/Dublin", zone)
	}
	head, err := l.store.Head(ctx)
	if err != nil {
		return Wrap(StoreDown, err, "postings")
	}
	if upTo == 0 {
		upTo = head.Position
	}
	if upTo > head.Position {
		return Fail(NotFound, "postings: the ledger stands at position %d, not yet at %d", head.Position, upTo)
	}
	j, err := l.Journal(ctx, truck, upTo)
	if err != nil {
		return err
	}
	for _, id := range j.Trucks() {
		for text := range tank.Fold(j, id, tank.Options{}).PlainJournal(loc) {
			if _, err := io.WriteString(w, text); err != nil {
				return err
			}
		}
	}
	return ctx.Err()
}
