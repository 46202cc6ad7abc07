package main

import (
	"context"
	"errors"
	"time"

	"spoilbook/services/broker"
	"spoilbook/services/highwater"
	"spoilbook/services/ledger"
)

// comparedAtStart is how many of the newest recorded messages are read from the
// broker and held against the store when the intake starts; spoilbook check reads
// all.
const comparedAtStart = 4096

// highWaterPause is the shortest time between two notes of it.
const highWaterPause = time.Second

// messages lets the ledger read the broker's stream beside the intake.
type messages struct{ b *broker.Broker }

// Messages reads messages in stream order.
func (m messages) Messages(ctx context.Context, first, last uint64, each func(ledger.Delivery) error) error {
	err := m.b.Messages(ctx, first, last, func(d broker.Delivery) error {
		return each(ledger.Delivery{Subject: d.Subject, Body: d.Body, StreamSeq: d.StreamSeq, Received: d.Received})
	})
	var coded *ledger.Error
	if errors.As(err, &coded) {
		return err
	}
	return codedBroker(err, "read messages")
}

// standing collects what broker, store and high water say of each other.
func (s *site) standing(ctx context.Context) (ledger.Standing, error) {
	var st ledger.Standing
	if err := s.broker.Damage(); err != nil {
		return st, codedBroker(err, "broker; run spoilbook check, and spoilbook repair broker")
	}
	stream, err := publisher{s.broker}.Stream(ctx)
	if err != nil {
		return st, err
	}
	state, err := s.broker.StreamState(ctx)
	if err != nil {
		return st, codedBroker(err, "stream")
	}
	acknowledged, err := s.broker.Acknowledged(ctx)
	if err != nil {
		return st, codedBroker(err, "stream")
	}
	st = ledger.Standing{Stream: stream, First: state.FirstSeq, Last: state.LastSeq, Deleted: state.Deleted, Acknowledged: acknowledged}
	if err := s.storeStanding(ctx, &st); err != nil {
		return st, ledger.Wrap(ledger.StoreDown, err, "how far the ledger is")
	}
	return st, nil
}

// storeStanding adds what the store and the high water say.
func (s *site) storeStanding(ctx context.Context, st *ledger.Standing) (err error) {
	if st.Head, err = s.store.Head(ctx); err != nil {
		return err
	}
	if st.Handled, err = s.store.Handled(ctx, st.Stream); err != nil {
		return err
	}
	if st.Adoptions, err = s.store.Adoptions(ctx); err != nil {
		return err
	}
	if st.HighWater, err = s.readHighWater(); err != nil || st.HighWater.Position == 0 {
		return err
	}
	st.RootAtHighWater, err = s.store.RootAt(ctx, st.HighWater.Position)
	return err
}

// readHighWater reads the high water of a data folder. One that was harmed is no witness and
// is replaced by the next.
func (s *site) readHighWater() (ledger.HighWater, error) {
	if !s.options.embedded() {
		return ledger.HighWater{}, nil
	}
	m, err := highwater.Read(s.options.data)
	if errors.Is(err, highwater.ErrUnreadable) {
		s.log.Warn("the high water of the data folder was harmed and counts for nothing; it is written anew", "error", err)
		return ledger.HighWater{}, nil
	}
	return m, err
}

// checkStanding refuses to begin with a broker and a store that do not fit each
// other, and notes a stream that is taken up.
func (s *site) checkStanding(ctx context.Context) error {
	st, err := s.standing(ctx)
	if err != nil {
		return err
	}
	adoption, err := st.Judge()
	if err != nil {
		return err
	}
	if st.Handled > 0 && adoption == nil {
		first := max(st.First, st.Handled-min(st.Handled, comparedAtStart)+1)
		if err := s.compare(ctx, st.Stream, first, st.Handled); err != nil {
			return err
		}
	}
	if adoption == nil {
		return nil
	}
	adoption.At = time.Now()
	// The old high water goes first: between the two, the stream is still open to adoption.
	if err := s.writeHighWater(ctx); err != nil {
		return err
	}
	return ledger.Wrap(ledger.StoreDown, s.store.Adopt(ctx, *adoption), "take up the stream")
}

// compare holds messages of the broker against the store.
func (s *site) compare(ctx context.Context, stream string, first, last uint64) error {
	lines, err := s.store.StreamLines(ctx, stream, first, last)
	if err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "compare broker and store")
	}
	duplicate := func(ledger.Delivery) error { return nil }
	return ledger.CompareLines(ctx, messages{s.broker}, first, last, lines, duplicate)
}

// writeHighWater notes how far broker and store are. Nothing rests on it being new.
func (s *site) writeHighWater(ctx context.Context) error {
	if !s.options.embedded() {
		return nil
	}
	h, err := s.brokerHigh(ctx)
	if err != nil {
		return err
	}
	if err := s.storeHigh(ctx, &h); err != nil {
		return err
	}
	return s.putHighWater(h)
}

// brokerHigh says how far the broker is.
func (s *site) brokerHigh(ctx context.Context) (h ledger.HighWater, err error) {
	if h.Stream, err = (publisher{s.broker}).Stream(ctx); err != nil {
		return h, err
	}
	state, err := s.broker.StreamState(ctx)
	h.Received = state.LastSeq
	return h, codedBroker(err, "stream")
}

// storeHigh adds how far the store is.
func (s *site) storeHigh(ctx context.Context, h *ledger.HighWater) error {
	head, err := s.store.Head(ctx)
	if err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "high water")
	}
	if h.Position = head.RootPosition; h.Position > 0 {
		h.Root = head.Root
	}
	h.Handled, err = s.store.Handled(ctx, h.Stream)
	return ledger.Wrap(ledger.StoreDown, err, "high water")
}

func (s *site) putHighWater(h ledger.HighWater) error {
	h.At = time.Now()
	return ledger.Wrap(ledger.Internal, highwater.Write(s.options.data, h), "high water")
}

// keepHighWater notes the high water once a second while something changes, until
// ctx ends. What the broker has received counts too when the store does not answer.
func (s *site) keepHighWater(ctx context.Context) {
	if !s.options.embedded() {
		return
	}
	tick := time.NewTicker(highWaterPause)
	defer tick.Stop()
	var noted ledger.HighWater
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
		}
		h, err := s.brokerHigh(ctx)
		if err == nil {
			stored := h
			if s.storeHigh(ctx, &stored) == nil {
				h = stored
			} else if noted.Stream == h.Stream {
				h.Handled, h.Position, h.Root = noted.Handled, noted.Position, noted.Root
			} else {
				continue
			}
			if h.At = noted.At; h == noted {
				continue
			}
			err = s.putHighWater(h)
		}
		if err == nil {
			noted = h
		} else if ctx.Err() == nil {
			s.log.Warn("the high water of the data folder was not written", "error", err)
		}
	}
}

// lastHighWater notes how far an intake came that has stopped in order.
func (s *site) lastHighWater() {
	ctx, cancel := context.WithTimeout(context.Background(), releasePatience)
	defer cancel()
	if err := s.writeHighWater(ctx); err != nil {
		s.log.Warn("the high water of the data folder was not written", "error", err)
	}
}
