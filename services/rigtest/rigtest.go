// Package rigtest joins real parts for tests, as the program joins them: an engine in a folder of the test's, and a broker as what the ledger
// publishes to and the intake fetches from. For example
//
//	e := rigtest.Engine(t)
//	l := ledger.New(ledger.Config{Store: s, Publisher: rigtest.Publisher{Broker: b}})
//	err := in.Run(ctx, rigtest.Feed{Consumer: c})
package rigtest

import (
	"context"
	"fmt"
	"testing"
	"time"

	"spoilbook/services/broker"
	"spoilbook/services/engine"
	"spoilbook/services/ledger"
)

// Engine opens an engine in a folder of the test's; it is closed at the test's end.
func Engine(t testing.TB) *engine.Engine {
	t.Helper()
	library, err := engine.Fetch(t.Context(), engine.FetchOptions{})
	if err != nil {
		t.Fatal(err)
	}
	e, err := engine.Open(t.Context(), engine.Options{Dir: t.TempDir(), Library: library})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := e.Close(); err != nil {
			t.Error(err)
		}
	})
	return e
}

// Publisher is a broker as the ledger publishes to it.
type Publisher struct{ Broker *broker.Broker }

// Publish publishes messages and returns their places in the stream.
func (p Publisher) Publish(ctx context.Context, msgs []ledger.Message) ([]uint64, error) {
	out := make([]broker.Message, len(msgs))
	for i, m := range msgs {
		out[i] = broker.Message(m)
	}
	acks, err := p.Broker.Publish(ctx, out)
	seqs := make([]uint64, len(acks))
	for i, a := range acks {
		seqs[i] = a.StreamSeq
	}
	return seqs, err
}

// Stream names the stream with its creation time.
func (p Publisher) Stream(ctx context.Context) (string, error) {
	st, err := p.Broker.StreamState(ctx)
	return fmt.Sprintf("%s@%d", st.Name, st.Created.UnixMilli()), err
}

// Health asks the broker whether it answers.
func (p Publisher) Health(ctx context.Context) error { return p.Broker.Health(ctx) }

// Feed is a consumer as the intake fetches from it.
type Feed struct{ Consumer *broker.Consumer }

// Fetch returns up to limit messages, of which it waits for the first.
func (f Feed) Fetch(ctx context.Context, limit int, wait time.Duration) ([]ledger.Delivery, error) {
	ds, err := f.Consumer.Fetch(ctx, limit, wait)
	out := make([]ledger.Delivery, len(ds))
	for i, d := range ds {
		out[i] = ledger.Delivery{Subject: d.Subject, Body: d.Body, StreamSeq: d.StreamSeq, Received: d.Received}
	}
	return out, err
}

// Ack says that messages up to one were stored.
func (f Feed) Ack(ctx context.Context, upTo uint64) error { return f.Consumer.Ack(ctx, upTo) }
