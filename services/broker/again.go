package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"
)

// codeWrongLastSequence is the server's refusal of a message that expects another end of its subject.
const codeWrongLastSequence jetstream.ErrorCode = 10071

// maxReadBack is how many subjects of a batch are read back; a batch of more is tried again without.
const maxReadBack = 64

// putFunc is one try to store a batch.
type putFunc func(ctx context.Context, batch []Message, expect map[string]uint64) (uint64, error)

// publishTries stores a batch by as many tries as allowed. From the second on it looks first whether an earlier one was stored, and has the
// server refuse the batch if an earlier one is stored meanwhile: two tries of one batch do not both count.
func (b *Broker) publishTries(ctx context.Context, batch []Message, put putFunc) (last uint64, err error) {
	tried, refused := false, false
	err = b.retry(ctx, func(ctx context.Context) error {
		var expect map[string]uint64
		if tried {
			stored, ends, err := b.readBack(ctx, batch)
			switch {
			case err != nil:
				return err
			case stored > 0:
				last = stored
				return nil
			case refused:
				b.noteOtherWriter(batch[0].Subject)
			}
			expect = ends
		}
		tried = true
		var err error
		last, err = put(ctx, batch, expect)
		if code, _ := apiCode(err); code == codeWrongLastSequence {
			refused = true
			return fmt.Errorf("%w: another message came on its subject (%w)", ErrUnavailable, err)
		}
		return err
	})
	return last, err
}

// readBack returns the sequence of the batch's last message if the batch stands, byte for byte, at the end of its last subject; otherwise
// where its subjects end.
func (b *Broker) readBack(ctx context.Context, batch []Message) (stored uint64, ends map[string]uint64, err error) {
	s, err := b.js.Stream(ctx, EventsStream)
	if err != nil {
		return 0, nil, err
	}
	ends = map[string]uint64{}
	for _, m := range batch {
		if _, ok := ends[m.Subject]; ok {
			continue
		}
		if len(ends) == maxReadBack {
			return 0, nil, nil
		}
		found, err := s.GetLastMsgForSubject(ctx, EventsPrefix+m.Subject)
		switch {
		case errors.Is(err, jetstream.ErrMsgNotFound):
			ends[m.Subject] = 0
		case err != nil:
			return 0, nil, err
		default:
			ends[m.Subject] = found.Sequence
		}
	}
	end, n := ends[batch[len(batch)-1].Subject], uint64(len(batch))
	if end < n {
		return 0, ends, nil
	}
	same, err := b.holds(ctx, end-n+1, batch)
	if err != nil || !same {
		return 0, ends, err
	}
	return end, nil, nil
}

var errOther = errors.New("other content")

// holds reports whether the stream has the batch from a sequence on.
func (b *Broker) holds(ctx context.Context, first uint64, batch []Message) (bool, error) {
	at := 0
	err := b.Messages(ctx, first, first+uint64(len(batch))-1, func(d Delivery) error {
		if d.Subject != batch[at].Subject || !bytes.Equal(d.Body, batch[at].Body) {
			return errOther
		}
		at++
		return nil
	})
	if errors.Is(err, errOther) {
		return false, nil
	}
	return err == nil && at == len(batch), err
}

// noteOtherWriter counts that somebody else publishes on a source's subject at the same time. What they wrote stands; that the same event
// with other content is not merged is for the intake to see to.
func (b *Broker) noteOtherWriter(subject string) {
	b.otherWriters.Add(1)
	b.log.Warn("somebody else publishes for this source at the same time", "source", subject)
}

// OtherWriters counts how often a batch was refused because somebody else had published on its subject meanwhile.
func (b *Broker) OtherWriters() uint64 { return b.otherWriters.Load() }
