package ledger

import "context"

// Pages of a walk: so many events, and so many bytes of them, are held at a time.
const (
	walkEvents = 2000
	walkBytes  = 16 << 20
)

// Walk calls each with the events that q chooses, in the order of their positions and page by page, above q.After and up to a position; 0 is
// the head as it stands when the walk begins. It returns that position. Limit and Bytes of q are not looked at. However long the ledger is, no
// more than one page is held; a page is good only during the call. An error of each ends the walk and is returned as it is.
func (l *Ledger) Walk(ctx context.Context, q EventQuery, upTo uint64, each func(page []Stored) error) (uint64, error) {
	head, err := l.store.Head(ctx)
	if err != nil {
		return 0, Wrap(StoreDown, err, "events")
	}
	if upTo == 0 {
		upTo = head.Position
	}
	if upTo > head.Position {
		return 0, Fail(NotFound, "events: the ledger stands at position %d, not yet at %d", head.Position, upTo)
	}
	if q.After > upTo {
		return 0, Fail(BadRequest, "events: after position %d and up to %d there can be none", q.After, upTo)
	}
	q.Limit, q.Bytes = walkEvents, walkBytes
	for q.After < upTo {
		page, err := l.Events(ctx, q)
		if err != nil {
			return upTo, err
		}
		for len(page) > 0 && page[len(page)-1].Position > upTo {
			page, q.After = page[:len(page)-1], upTo // what is above the position ends the walk
		}
		if len(page) == 0 {
			break
		}
		q.After = max(q.After, page[len(page)-1].Position)
		if err := each(page); err != nil {
			return upTo, err
		}
	}
	return upTo, ctx.Err()
}
