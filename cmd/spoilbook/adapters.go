package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"spoilbook/services/broker"
	"spoilbook/services/ledger"
)

// publisher lets the ledger publish through the broker; neither knows the other.
type publisher struct{ b *broker.Broker }

func (p publisher) Publish(ctx context.Context, msgs []ledger.Message) ([]uint64, error) {
	out := make([]broker.Message, len(msgs))
	for i, m := range msgs {
		out[i] = broker.Message{Subject: m.Subject, Body: m.Body}
	}
	acks, err := p.b.Publish(ctx, out)
	seqs := make([]uint64, len(acks))
	for i, a := range acks {
		seqs[i] = a.StreamSeq
	}
	return seqs, codedBroker(err, "publish")
}

// Stream names the events stream with the time it was created, so that a stream
// made anew is never taken for the old one.
func (p publisher) Stream(ctx context.Context) (string, error) {
	st, err := p.b.StreamState(ctx)
	if err != nil {
		return "", codedBroker(err, "stream")
	}
	return fmt.Sprintf("%s@%d", st.Name, st.Created.UnixMilli()), nil
}

func (p publisher) Health(ctx context.Context) error { return codedBroker(p.b.Health(ctx), "broker") }

// feed lets the intake fetch from the broker.
type feed struct{ c *broker.Consumer }

func (f feed) Fetch(ctx context.Context, limit int, wait time.Duration) ([]ledger.Delivery, error) {
	ds, err := f.c.Fetch(ctx, limit, wait)
	out := make([]ledger.Delivery, len(ds))
	for i, d := range ds {
		out[i] = ledger.Delivery{Subject: d.Subject, Body: d.Body, StreamSeq: d.StreamSeq, Received: d.Received}
	}
	return out, codedBroker(err, "fetch")
}

func (f feed) Ack(ctx context.Context, upTo uint64) error {
	return codedBroker(f.c.Ack(ctx, upTo), "acknowledge")
}

// codedBroker gives a broker error the code that users see.
func codedBroker(err error, doing string) error {
	switch {
	case err == nil:
		return nil
	case errors.Is(err, broker.ErrFull):
		return ledger.Wrap(ledger.BrokerFull, err, "%s", doing)
	case errors.Is(err, broker.ErrDamaged):
		return ledger.Wrap(ledger.Damaged, err, "%s", doing)
	case errors.Is(err, broker.ErrMoved):
		return ledger.Wrap(ledger.Moved, err, "%s", doing)
	case errors.Is(err, broker.ErrTooLarge):
		return ledger.Wrap(ledger.TooLarge, err, "%s", doing)
	case errors.Is(err, broker.ErrSubject), errors.Is(err, broker.ErrSettings):
		return ledger.Wrap(ledger.BadRequest, err, "%s", doing)
	case errors.Is(err, broker.ErrLeaseHeld):
		return ledger.Wrap(ledger.InUse, err, "%s", doing)
	}
	return ledger.Wrap(ledger.BrokerDown, err, "%s", doing)
}
