package ledger

import (
	"context"
	"runtime"
	"sync"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/reports"
)

// Stored is an event as it is given back to people and programs.
type Stored struct {
	Record
	Event events.Event
}

// Events lists recorded events in the order of their positions.
func (l *Ledger) Events(ctx context.Context, q EventQuery) ([]Stored, error) {
	if q.Limit <= 0 {
		q.Limit = defaultPage
	}
	if q.Limit > MaxPage {
		return nil, Fail(TooLarge, "events: %d at once, at most %d are given", q.Limit, MaxPage)
	}
	records, err := l.store.Find(ctx, q)
	if err != nil {
		return nil, Wrap(StoreDown, err, "events")
	}
	out := make([]Stored, len(records))
	for i, r := range records {
		e, err := verify(&r)
		if err != nil {
			return nil, err
		}
		out[i] = Stored{Record: r, Event: e}
	}
	return out, nil
}

// Event returns the event at a position.
func (l *Ledger) Event(ctx context.Context, position uint64) (Stored, error) {
	if position == 0 {
		return Stored{}, Fail(BadRequest, "event: positions begin at 1")
	}
	list, err := l.Events(ctx, EventQuery{After: position - 1, Limit: 1})
	if err != nil {
		return Stored{}, err
	}
	if len(list) == 0 || list[0].Position != position {
		return Stored{}, Fail(NotFound, "event: the ledger has no position %d", position)
	}
	return list[0], nil
}

// verify decodes a record after checking that its bytes are those that were
// hashed when it was recorded.
func verify(r *Record) (events.Event, error) {
	if chain.LeafHash(r.Body) != r.Hash {
		return events.Event{}, Fail(Damaged, "the event at position %d is not what was recorded: its bytes do not match its hash", r.Position)
	}
	e, err := wire.Decode(r.Body)
	if err != nil {
		return events.Event{}, Wrap(Damaged, err, "the event at position %d can not be read", r.Position)
	}
	return e, nil
}

// readChunk is how many records a decoding worker takes at a time.
const readChunk = 2048

// Journal reads the effective entries of one truck, or of all, up to a position.
func (l *Ledger) Journal(ctx context.Context, truck events.TruckID, upTo uint64) (*reports.Journal, error) {
	if truck == "" {
		return l.journal(ctx, nil, upTo)
	}
	return l.journal(ctx, []events.TruckID{truck}, upTo)
}

// journal reads the effective entries of trucks, of all where none is named, in one go.
func (l *Ledger) journal(ctx context.Context, trucks []events.TruckID, upTo uint64) (*reports.Journal, error) {
	if l.kept.keeps(upTo) {
		j, err := l.kept.journal(ctx, trucks, upTo, func(ctx context.Context, after uint64) ([]events.Recorded, error) {
			return l.decoded(ctx, Selection{After: after, UpTo: upTo})
		})
		if ctx.Err() != nil && err != nil {
			return nil, Wrap(TimedOut, err, "read events up to position %d", upTo)
		}
		return j, err
	}
	all, err := l.decoded(ctx, Selection{Trucks: trucks, UpTo: upTo})
	if err != nil {
		return nil, err
	}
	if len(trucks) == 0 && uint64(len(all)) != upTo {
		return nil, Fail(Damaged, "the store gave %d events up to position %d; positions must be dense", len(all), upTo)
	}
	return reports.Resolve(all, upTo), nil
}

// decoded reads and decodes the events of a selection, in no particular order.
func (l *Ledger) decoded(ctx context.Context, sel Selection) ([]events.Recorded, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	chunks := make(chan []Record, 2)
	var mu sync.Mutex
	var all []events.Recorded
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for chunk := range chunks {
				decoded, err := decodeChunk(chunk)
				if err != nil {
					cancel(err)
					continue
				}
				mu.Lock()
				all = append(all, decoded...)
				mu.Unlock()
			}
		})
	}
	err := l.feedChunks(ctx, sel, chunks)
	close(chunks)
	wg.Wait()
	if cause := context.Cause(ctx); cause != nil {
		return nil, Wrap(TimedOut, cause, "read events up to position %d", sel.UpTo)
	}
	return all, Wrap(StoreDown, err, "read events up to position %d", sel.UpTo)
}

// feedChunks reads records and hands them on in chunks, each with its own bytes.
func (l *Ledger) feedChunks(ctx context.Context, sel Selection, chunks chan<- []Record) error {
	chunk := make([]Record, 0, readChunk)
	var arena []byte
	flush := func() error {
		select {
		case chunks <- chunk:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		chunk, arena = make([]Record, 0, readChunk), make([]byte, 0, cap(arena))
		return nil
	}
	err := l.store.Read(ctx, sel, func(r *Record) error {
		start := len(arena)
		arena = append(arena, r.Body...)
		own := *r
		own.Body = arena[start:len(arena):len(arena)]
		chunk = append(chunk, own)
		if len(chunk) == readChunk {
			return flush()
		}
		return nil
	})
	if err != nil || len(chunk) == 0 {
		return err
	}
	return flush()
}

func decodeChunk(chunk []Record) ([]events.Recorded, error) {
	out := make([]events.Recorded, len(chunk))
	for i := range chunk {
		e, err := verify(&chunk[i])
		if err != nil {
			return nil, err
		}
		out[i] = events.Recorded{Event: e, Position: chunk[i].Position, At: events.TimeOf(chunk[i].Recorded.UTC()), Hash: chunk[i].Hash}
	}
	return out, nil
}
