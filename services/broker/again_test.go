package broker

import (
	"context"
	"errors"
	"fmt"
	"testing"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/synadia-io/orbit.go/jetstreamext"
)

// unanswered is a first try that is stored or not, and whose answer is lost; before further tries something else may happen.
func (b *Broker) unanswered(stored bool, before func()) putFunc {
	tries := 0
	return func(ctx context.Context, batch []Message, expect map[string]uint64) (uint64, error) {
		if tries++; tries > 1 {
			if tries == 2 {
				before()
			}
			return b.put(ctx, batch, expect)
		}
		if stored {
			if _, err := b.put(ctx, batch, expect); err != nil {
				return 0, err
			}
		}
		return 0, fmt.Errorf("%w: the answer was lost by the test", ErrUnavailable)
	}
}

func length(t *testing.T, b *Broker) uint64 {
	t.Helper()
	state, err := b.StreamState(t.Context())
	must(t, err)
	return state.Msgs
}

func nothing() {}

func TestATryThatWasStoredIsRecognised(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		publish(t, b, numbered(0, 5))
		want := uint64(5)
		for _, batch := range [][]Message{numbered(5, 1), numbered(6, 40), {{Subject: "truck.TM-02", Body: []byte("x")}, {Subject: "truck.TM-01", Body: []byte("y")}}} {
			want += uint64(len(batch))
			last, err := b.publishTries(t.Context(), batch, b.unanswered(true, nothing))
			must(t, err)
			if last != want || length(t, b) != want {
				t.Errorf("batch of %d: last is %d and the stream holds %d, want %d", len(batch), last, length(t, b), want)
			}
		}
		last, err := b.publishTries(t.Context(), numbered(100, 3), b.unanswered(false, nothing))
		must(t, err)
		if last != want+3 || length(t, b) != want+3 || b.OtherWriters() != 0 {
			t.Errorf("a try that was not stored: last is %d of %d, %d others", last, length(t, b), b.OtherWriters())
		}
	})
}

// The first try arrives only when the second was begun: the server refuses the second, and the first counts.
func TestATryThatArrivesLateCountsOnce(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		publish(t, b, numbered(0, 5))
		batch := numbered(5, 10)
		last, err := b.publishTries(t.Context(), batch, b.unanswered(false, func() { publish(t, b, batch) }))
		must(t, err)
		if last != 15 || length(t, b) != 15 || b.OtherWriters() != 0 {
			t.Errorf("last is %d, the stream holds %d, %d others; want 15, 15, 0", last, length(t, b), b.OtherWriters())
		}
	})
}

// Another writer comes between two tries, with one other byte: both batches stand, and it is noticed.
func TestTwoWritersOfOneSourceAreNoticed(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		for i, batch := range [][]Message{numbered(5, 1), numbered(6, 10)} {
			other := append([]Message(nil), batch...)
			other[len(other)-1].Body = append([]byte("other "), other[len(other)-1].Body...)
			before := length(t, b)
			last, err := b.publishTries(t.Context(), batch, b.unanswered(false, func() { publish(t, b, other) }))
			must(t, err)
			if want := before + 2*uint64(len(batch)); last != want || length(t, b) != want || b.OtherWriters() != uint64(i+1) {
				t.Errorf("last is %d, the stream holds %d, %d others; want %d", last, length(t, b), b.OtherWriters(), want)
			}
		}
	})
}

// A batch of another client that names an identifier twice is refused whole; ours name none, so that the same content twice is stored.
func TestNoIdentifierCanRefuseABatch(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		var twice []*nats.Msg
		for range 2 {
			twice = append(twice, &nats.Msg{Subject: EventsPrefix + "truck.TM-01", Data: []byte("same"), Header: nats.Header{jetstream.MsgIDHeader: {"one"}}})
		}
		_, err := jetstreamext.PublishMsgBatch(t.Context(), b.js, twice)
		var refused *jetstream.APIError
		if !errors.As(err, &refused) || refused.ErrorCode != 10201 || length(t, b) != 0 {
			t.Errorf("%v, the stream holds %d", err, length(t, b))
		}
		same := Message{Subject: "truck.TM-01", Body: []byte("same")}
		publish(t, b, []Message{same, same})
		if n := length(t, b); n != 2 {
			t.Errorf("the stream holds %d messages, want 2", n)
		}
	})
}
