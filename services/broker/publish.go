package broker

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

const (
	maxBatchMsgs  = 1000 // the server's own limit
	maxBatchBytes = 4 << 20

	publishAttempts = 4
	publishPause    = 50 * time.Millisecond // doubled, with jitter, before every further attempt
	publishBudget   = 8 * time.Second       // no attempt begins later than this after the first
)

// Message is one message to publish. Subject is the last part of the subject, a kind and a name: truck.TM-01, office.main.
type Message struct {
	Subject string
	Body    []byte
}

// Ack says where the events stream has stored a message.
type Ack struct {
	StreamSeq uint64
}

// Publish stores messages in the events stream, in order, in atomic batches of at most 1000 messages and 4 MiB, each synced before it
// is acknowledged. It returns one Ack for every message stored; on failure it also returns a *PublishError that names the first
// message not stored, and the messages before it are the ones with an Ack. Nothing is published when any message is invalid.
//
// What another try can cure is tried four times, within about ten seconds. Before a batch is tried again the end of its subjects is read
// back: where the same bytes stand there the earlier try was stored, and counts; where not, the server takes the batch only while these
// subjects have not grown. A batch whose last try timed out may have been stored all the same, so readers must count a message once by
// their own identifier. Messages carry no identifier for the server: it would forget it after a moment, and refuse a whole batch that
// holds one twice.
func (b *Broker) Publish(ctx context.Context, msgs []Message) ([]Ack, error) {
	for i, m := range msgs {
		if err := b.checkMessage(m); err != nil {
			return nil, &PublishError{Index: i, Subject: m.Subject, Err: err}
		}
	}
	acks := make([]Ack, 0, len(msgs))
	for len(acks) < len(msgs) {
		start := len(acks)
		batch := msgs[start : start+batchLen(msgs[start:])]
		last, err := b.publishBatch(ctx, batch)
		if err != nil {
			return acks, &PublishError{Index: start, Subject: batch[0].Subject, Err: err}
		}
		for i := range batch {
			acks = append(acks, Ack{StreamSeq: last - uint64(len(batch)-1-i)})
		}
	}
	return acks, nil
}

func (b *Broker) checkMessage(m Message) error {
	if err := CheckSource(m.Subject); err != nil {
		return err
	}
	limit := int64(MaxBodyBytes)
	if server := b.nc.MaxPayload(); server > 0 {
		limit = min(limit, server-headerBytes)
	}
	if int64(len(m.Body)) > limit {
		return fmt.Errorf("%w: %d bytes, at most %d", ErrTooLarge, len(m.Body), limit)
	}
	return nil
}

// batchLen is how many of the messages, at least one, fit in one batch.
func batchLen(msgs []Message) int {
	bytes := 0
	for i, m := range msgs {
		bytes += len(m.Body) + headerBytes
		if i == maxBatchMsgs || (i > 0 && bytes > maxBatchBytes) {
			return i
		}
	}
	return len(msgs)
}

// publishBatch stores one batch and returns the sequence of its last message.
func (b *Broker) publishBatch(ctx context.Context, batch []Message) (uint64, error) {
	return b.publishTries(ctx, batch, b.put)
}

// put is one try. expect names, for some subjects, the last sequence that they must have; the server refuses the batch otherwise.
func (b *Broker) put(ctx context.Context, batch []Message, expect map[string]uint64) (uint64, error) {
	if len(batch) > 1 {
		return b.publishAtomic(ctx, batch, expect)
	}
	opts := []jetstream.PublishOpt{}
	if seq, ok := expect[batch[0].Subject]; ok {
		opts = append(opts, jetstream.WithExpectLastSequencePerSubject(seq))
	}
	return b.publishOne(ctx, EventsStream, EventsPrefix+batch[0].Subject, batch[0].Body, opts...)
}

func (b *Broker) publishOne(ctx context.Context, stream, subject string, body []byte, opts ...jetstream.PublishOpt) (uint64, error) {
	ack, err := b.js.PublishMsg(ctx, &nats.Msg{Subject: subject, Data: body, Header: nats.Header{}},
		append(opts, jetstream.WithExpectStream(stream), jetstream.WithRetryAttempts(0))...)
	if err != nil {
		return 0, err
	}
	return ack.Sequence, nil
}

func (b *Broker) publishAtomic(ctx context.Context, batch []Message, expect map[string]uint64) (uint64, error) {
	msgs := make([]*nats.Msg, len(batch))
	said := map[string]bool{}
	for i, m := range batch {
		msgs[i] = &nats.Msg{Subject: EventsPrefix + m.Subject, Data: m.Body, Header: nats.Header{}}
		if seq, ok := expect[m.Subject]; ok && !said[m.Subject] {
			said[m.Subject] = true
			msgs[i].Header.Set(jetstream.ExpectedLastSubjSeqHeader, strconv.FormatUint(seq, 10))
		}
	}
	timeout := requestTimeout
	if deadline, ok := ctx.Deadline(); ok {
		timeout = min(timeout, time.Until(deadline))
	}
	ack, err := jetstreamext.PublishMsgBatch(ctx, b.js, msgs, jetstreamext.BatchFlowControl{AckFirst: true, AckTimeout: timeout})
	if err != nil {
		return 0, err
	}
	if ack.Stream != EventsStream {
		return 0, fmt.Errorf("%w: stream %s stored what is meant for %s; remove its overlapping subjects", ErrSettings, ack.Stream,
			EventsStream)
	}
	return ack.Sequence, nil
}

// retry calls try until it succeeds, fails for good, or has used up its attempts or its time.
func (b *Broker) retry(ctx context.Context, try func(context.Context) error) error {
	begun := time.Now()
	wait := publishPause
	for attempt := 1; ; attempt++ {
		err := b.attempt(ctx, try)
		if err == nil {
			return nil
		}
		if ctx.Err() != nil {
			return fmt.Errorf("%w (after attempt %d: %w)", ctx.Err(), attempt, err)
		}
		if !errors.Is(err, ErrUnavailable) || b.writable() != nil || b.closed.Load() {
			return err
		}
		if attempt == publishAttempts || time.Since(begun)+wait > publishBudget {
			return fmt.Errorf("after %d attempts: %w", attempt, err)
		}
		if err := pause(ctx, wait+rand.N(wait)); err != nil {
			return err
		}
		wait *= 2
	}
}

func (b *Broker) attempt(ctx context.Context, try func(context.Context) error) error {
	if b.closed.Load() {
		return ErrClosed
	}
	if err := b.writable(); err != nil {
		return err
	}
	ctx, cancel := request(ctx)
	defer cancel()
	err := classify(try(ctx))
	if err != nil {
		// The server answers nothing when it could not write. Its log has the reason.
		if cause := b.writable(); cause != nil {
			return fmt.Errorf("%w (%w)", cause, err)
		}
	}
	return err
}

func (b *Broker) writable() error {
	if b.server == nil {
		return nil
	}
	return b.server.writable()
}
