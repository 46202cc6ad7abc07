package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// openScanBytes bounds what Open reads of the message files before the server does: a quarter of a second or so.
const openScanBytes = 256 << 20

// scan looks through the newest message files before the server may touch them.
func (b *Broker) scan(ctx context.Context) error {
	s, err := Scan(ctx, b.opts.Dir, openScanBytes)
	if err == nil && s.Torn > 0 {
		b.log.Warn("the broker's last write was cut off, which no answer was given for", "bytes", s.Torn, "after", s.Last)
	}
	return err
}

// Damage returns ErrDamaged once the in-process server has said that it met messages it can not read as it wrote them. Of an external server
// only reading tells.
func (b *Broker) Damage() error {
	if b.server == nil {
		return nil
	}
	if text := b.server.log.damageText(); text != "" {
		return fmt.Errorf("%w: %s", ErrDamaged, text)
	}
	return nil
}

// Acknowledged returns the last message that the intake had acknowledged when the broker stored that; 0 when there was no intake yet. A reader
// that does not know these messages is younger than the broker, or has lost them.
func (b *Broker) Acknowledged(ctx context.Context) (uint64, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	c, err := b.js.Consumer(ctx, EventsStream, intakeConsumer)
	if errors.Is(err, jetstream.ErrConsumerNotFound) {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("what the intake acknowledged: %w", classify(err))
	}
	return c.CachedInfo().AckFloor.Stream, nil
}

// readBatch is how many messages are asked for at once.
const readBatch = 1000

// Messages calls each for the messages from first to last, both inclusive, in stream order. One that is missing is a *GapError. It disturbs
// no reader.
func (b *Broker) Messages(ctx context.Context, first, last uint64, each func(Delivery) error) error {
	for next := max(first, 1); next <= last; {
		n, err := b.readSome(ctx, next, int(min(readBatch, last-next+1)), each)
		if err != nil {
			return err
		}
		next += n
		if n > 0 {
			continue
		}
		// A replica that lags has less than the leader, who decides.
		d, err := b.Message(ctx, next)
		if errors.Is(err, ErrNotFound) {
			return &GapError{First: next, Last: next}
		}
		if err == nil {
			err = each(d)
		}
		if err != nil {
			return err
		}
		next++
	}
	return nil
}

// readSome reads up to n messages that follow one another and returns how many there were.
func (b *Broker) readSome(ctx context.Context, first uint64, n int, each func(Delivery) error) (uint64, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	list, err := jetstreamext.GetBatch(ctx, b.js, EventsStream, n, jetstreamext.GetBatchSeq(first), jetstreamext.GetBatchMaxBytes(maxFetchBytes))
	if err != nil {
		return 0, fmt.Errorf("read messages from %d: %w", first, classify(err))
	}
	read := uint64(0)
	for m, err := range list {
		if errors.Is(err, jetstreamext.ErrNoMessages) || err == nil && m.Sequence != first+read {
			return read, nil
		}
		if err != nil {
			return read, fmt.Errorf("read messages from %d: %w", first+read, classify(err))
		}
		d := Delivery{Subject: strings.TrimPrefix(m.Subject, EventsPrefix), Body: m.Data, StreamSeq: m.Sequence, Received: m.Time}
		if err := each(d); err != nil {
			return read, err
		}
		read++
	}
	return read, nil
}
