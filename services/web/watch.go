package web

import (
	"context"
	"iter"
	"sync"
	"time"

	"spoilbook/services/ledger"
)

const (
	lookEvery = time.Second      // at the ledger's head, while anybody watches
	sayEvery  = 20 * time.Second // that the connection lives, though nothing came
)

// watch looks at the ledger's head for all who wait for it: one look a second however many they are, and none while nobody does.
type watch struct {
	book *ledger.Ledger

	mu       sync.Mutex
	position uint64
	looked   time.Time
}

func newWatch(book *ledger.Ledger) *watch { return &watch{book: book} }

// head returns the ledger's position as it was at most a second ago.
func (h *watch) head(ctx context.Context) (uint64, error) {
	h.mu.Lock()
	defer h.mu.Unlock()
	if time.Since(h.looked) < lookEvery {
		return h.position, nil
	}
	head, err := h.book.Head(ctx)
	if err != nil {
		return h.position, err
	}
	h.position, h.looked = head.Position, time.Now()
	return h.position, nil
}

// positions gives the ledger's position at once and whenever it has changed, and again every while. It ends with the context. While the store does
// not answer nothing is said.
func (h *watch) positions(ctx context.Context) iter.Seq[uint64] {
	return func(yield func(uint64) bool) {
		tick := time.NewTicker(lookEvery)
		defer tick.Stop()
		var last uint64
		var said time.Time
		for {
			position, err := h.head(ctx)
			if err == nil && (position != last || time.Since(said) >= sayEvery) {
				if last, said = position, time.Now(); !yield(position) {
					return
				}
			}
			select {
			case <-ctx.Done():
				return
			case <-tick.C:
			}
		}
	}
}
