package broker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// Receipt is what the hub answered to a source.
type Receipt struct {
	Source    string // kind and name: truck.TM-01
	Body      []byte
	StreamSeq uint64 // in the receipts stream
}

// ReceiptOptions choose receipts. The zero value means all that are kept, of all sources, and all that follow.
type ReceiptOptions struct {
	Source  string // kind and name; empty for all
	After   uint64 // only receipts with a later StreamSeq
	NewOnly bool   // only receipts published from now on
}

const receiptsStopTimeout = 5 * time.Second

// PublishReceipt stores a receipt for a source. Receipts are kept for 30 days and 256 MiB, whichever ends first, so a receipt must be
// good without the ones before it.
func (b *Broker) PublishReceipt(ctx context.Context, source string, body []byte) error {
	if err := b.checkMessage(Message{Subject: source, Body: body}); err != nil {
		return fmt.Errorf("publish receipt for %q: %w", source, err)
	}
	err := b.retry(ctx, func(ctx context.Context) error {
		_, err := b.publishOne(ctx, ReceiptsStream, ReceiptsPrefix+source, body)
		return err
	})
	if err != nil {
		return fmt.Errorf("publish receipt for %s: %w", source, err)
	}
	return nil
}

// maxLastReceipts is how many sources one request names; the server allows 1024.
const maxLastReceipts = 500

// LastReceipts returns the last receipt that is kept of each of the sources. Those of which none is kept are left out.
func (b *Broker) LastReceipts(ctx context.Context, sources []string) (map[string][]byte, error) {
	out := make(map[string][]byte, len(sources))
	for chunk := range slices.Chunk(sources, maxLastReceipts) {
		if err := b.lastReceipts(ctx, chunk, out); err != nil {
			return nil, fmt.Errorf("read last receipts: %w", classify(err))
		}
	}
	return out, nil
}

func (b *Broker) lastReceipts(ctx context.Context, sources []string, out map[string][]byte) error {
	subjects := make([]string, len(sources))
	for i, source := range sources {
		if err := CheckSource(source); err != nil {
			return err
		}
		subjects[i] = ReceiptsPrefix + source
	}
	ctx, cancel := request(ctx)
	defer cancel()
	found, err := jetstreamext.GetLastMsgsFor(ctx, b.js, ReceiptsStream, subjects)
	if err != nil {
		return err
	}
	for m, err := range found {
		switch {
		case errors.Is(err, jetstreamext.ErrNoMessages):
			return nil
		case err != nil:
			return err
		}
		out[strings.TrimPrefix(m.Subject, ReceiptsPrefix)] = m.Data
	}
	return nil
}

// Receipts calls handle for every receipt chosen, in order and one at a time, until ctx ends or stop is called. It goes on by itself after
// a lost connection, without leaving a receipt out. After stop returns handle is not called any more; handle must not call stop.
func (b *Broker) Receipts(ctx context.Context, o ReceiptOptions, handle func(Receipt)) (stop func(), err error) {
	asking, cancel := request(ctx)
	defer cancel()
	consumer, err := b.receiptsConsumer(asking, o)
	if err != nil {
		return nil, fmt.Errorf("read receipts: %w", classify(err))
	}
	running, err := consumer.Consume(func(m jetstream.Msg) {
		meta, err := m.Metadata()
		if err != nil {
			b.log.Warn("receipt without its position", "error", err)
			return
		}
		handle(Receipt{Source: strings.TrimPrefix(m.Subject(), ReceiptsPrefix), Body: m.Data(), StreamSeq: meta.Sequence.Stream})
	}, jetstream.ConsumeErrHandler(func(_ jetstream.ConsumeContext, err error) {
		if !b.closed.Load() {
			b.log.Warn("reading receipts", "error", err)
		}
	}))
	if err != nil {
		return nil, fmt.Errorf("read receipts: %w", classify(err))
	}
	end := func() {
		running.Stop()
		select {
		case <-running.Closed():
		case <-time.After(receiptsStopTimeout):
		}
	}
	unhook := context.AfterFunc(ctx, running.Stop)
	return func() { unhook(); end() }, nil
}

func (b *Broker) receiptsConsumer(ctx context.Context, o ReceiptOptions) (jetstream.Consumer, error) {
	config := jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverAllPolicy}
	if o.Source != "" {
		if err := CheckSource(o.Source); err != nil {
			return nil, err
		}
		config.FilterSubjects = []string{ReceiptsPrefix + o.Source}
	}
	after := o.After
	if o.NewOnly {
		s, err := b.js.Stream(ctx, ReceiptsStream)
		if err != nil {
			return nil, err
		}
		after = max(after, s.CachedInfo().State.LastSeq)
	}
	if after > 0 {
		config.DeliverPolicy, config.OptStartSeq = jetstream.DeliverByStartSequencePolicy, after+1
	}
	return b.js.OrderedConsumer(ctx, ReceiptsStream, config)
}
