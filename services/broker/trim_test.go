package broker

import (
	"errors"
	"fmt"
	"testing"
	"time"
)

// What the intake has not acknowledged can not be trimmed; what is trimmed is gone,
// and the rest stays. A frozen stream takes nothing and loses nothing.
func TestTrimAndFreeze(t *testing.T) {
	b, err := Open(t.Context(), Options{Dir: t.TempDir(), MaxStoreBytes: 1 << 30})
	must(t, err)
	defer func() { must(t, b.Close(t.Context())) }()
	var msgs []Message
	for i := range 5 {
		msgs = append(msgs, Message{Subject: "truck.TM-01", Body: fmt.Append(nil, i)})
	}
	_, err = b.Publish(t.Context(), msgs)
	must(t, err)
	c, err := b.Consume(t.Context(), ConsumeOptions{})
	must(t, err)
	_, err = c.Fetch(t.Context(), 5, time.Second)
	must(t, err)
	must(t, c.Ack(t.Context(), 4))
	if err := b.Trim(t.Context(), 5); !errors.Is(err, ErrSettings) {
		t.Errorf("what is not acknowledged was trimmed: %v", err)
	}
	must(t, b.Trim(t.Context(), 4))
	if s, err := b.StreamState(t.Context()); err != nil || s.FirstSeq != 4 || s.LastSeq != 5 || s.Deleted != 0 {
		t.Errorf("after the trim %+v, %v", s, err)
	}
	must(t, b.Freeze(t.Context(), "elsewhere"))
	if _, err := b.Publish(t.Context(), msgs[:1]); !errors.Is(err, ErrFull) {
		t.Errorf("a frozen stream answers %v", err)
	}
	if s, err := b.StreamState(t.Context()); err != nil || s.Msgs != 2 {
		t.Errorf("a frozen stream has %+v, %v", s, err)
	}
	must(t, b.Thaw(t.Context()))
	_, err = b.Publish(t.Context(), msgs[:1])
	must(t, err)
}
