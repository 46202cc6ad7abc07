package sim

import (
	"bytes"
	"context"

	"spoilbook/services/intake"
)

// replay makes a second store from the broker's stream, undisturbed and with
// blocks of another size, and holds it against the first: positions follow the
// stream, so both are the same. There is nothing to compare with when the broker
// has lost its storage.
func (s *scene) replay() {
	if s.broker.epoch > 1 {
		return
	}
	fresh := newDatabase(newWorld(0), &profile{}, nil)
	fresh.w.calm = true
	life := &process{w: fresh.w}
	ctx := context.Background()
	in, err := intake.New(ctx, intake.Config{Store: &client{reader{fresh, life}, fresh, life}, Stream: s.broker.stream(), Now: epoch})
	if err != nil {
		s.watch.broken("a second store can not be made from the stream: %v", err)
		return
	}
	feed, err := s.broker.consume(1)
	for err == nil && feed.pending() > 0 {
		ds, _ := feed.Fetch(ctx, 1+s.w.rng.IntN(500), 0)
		err = in.Step(ctx, feed, ds)
	}
	if err != nil {
		s.watch.broken("a second store can not be made from the stream: %v", err)
		return
	}
	if len(fresh.events) != len(s.db.events) {
		s.watch.broken("a second store made from the stream has %d events, the first %d", len(fresh.events), len(s.db.events))
	}
	mine := s.db.sorted()
	for i, again := range fresh.sorted()[:min(len(fresh.events), len(mine))] {
		if first := mine[i]; !bytes.Equal(first.Body, again.Body) {
			s.watch.broken("position %d of a second store made from the stream holds %s of %s, that of the first %s of %s", i+1, again.ID, again.Source, first.ID, first.Source)
			return
		}
	}
}
