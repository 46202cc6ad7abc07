package broker

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"
)

func TestPublishAndFetchInOrder(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		const n = 3500
		before := time.Now().Add(-time.Second)
		acks, err := b.Publish(t.Context(), numbered(0, n))
		must(t, err)
		for i, a := range acks {
			if a.StreamSeq != uint64(i+1) {
				t.Fatalf("message %d acknowledged at sequence %d", i, a.StreamSeq)
			}
		}
		c := consume(t, b, ConsumeOptions{})
		got := fetch(t, c, 0, n)
		if r := got[0].Received; r.Before(before) || r.After(time.Now().Add(time.Second)) {
			t.Errorf("received at %s", r)
		}
		must(t, c.Ack(t.Context(), n))
		nothingMore(t, c)
		if left, err := c.Pending(t.Context()); err != nil || left != 0 {
			t.Errorf("pending is %d, %v", left, err)
		}

		state, err := b.StreamState(t.Context())
		must(t, err)
		if state.Name != EventsStream || state.FirstSeq != 1 || state.LastSeq != n || state.Msgs != n || state.Deleted != 0 ||
			state.Bytes == 0 || state.MaxBytes != 1<<30 || state.Created.Before(before) {
			t.Errorf("state is %+v", state)
		}
		must(t, b.Health(t.Context()))
		m, err := b.Message(t.Context(), 1234)
		must(t, err)
		if string(m.Body) != "1233" || m.Subject != "truck.TM-01" || m.StreamSeq != 1234 || !m.Received.Equal(got[1233].Received) {
			t.Errorf("message is %+v", m)
		}
		_, err = b.Message(t.Context(), n+1)
		wantError(t, err, ErrNotFound)
	})
}

func TestRestartKeepsMessagesAndPosition(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		publish(t, b, numbered(0, 30))
		before, err := b.StreamState(t.Context())
		must(t, err)
		c := consume(t, b, ConsumeOptions{})
		fetch(t, c, 0, 20)
		must(t, c.Ack(t.Context(), 10))

		b = d.restart(t, b)
		after, err := b.StreamState(t.Context())
		must(t, err)
		if after != before {
			t.Errorf("state was %+v, is %+v", before, after)
		}
		c = consume(t, b, ConsumeOptions{})
		fetch(t, c, 10, 20)
		must(t, c.Ack(t.Context(), 30))
		publish(t, b, numbered(30, 5))
		fetch(t, c, 30, 5)

		// A reader that lost some of its own work asks for it again.
		again := consume(t, b, ConsumeOptions{From: 3})
		fetch(t, again, 2, 33)
	})
}

func TestRewindAndAck(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		publish(t, b, numbered(0, 12))
		c := consume(t, b, ConsumeOptions{})
		fetch(t, c, 0, 12)
		must(t, c.Ack(t.Context(), 4))
		nothingMore(t, c)
		must(t, c.Rewind(t.Context()))
		fetch(t, c, 4, 5)
		if left, err := c.Pending(t.Context()); err != nil || left != 8 {
			t.Errorf("pending is %d, %v; want 8", left, err)
		}
		if err := c.Ack(t.Context(), 10); err == nil {
			t.Error("acknowledged what was not fetched")
		}
		must(t, c.Ack(t.Context(), 9))
		must(t, c.Ack(t.Context(), 2))
		fetch(t, c, 9, 3)
		must(t, c.Ack(t.Context(), 12))
		nothingMore(t, consume(t, b, ConsumeOptions{}))
	})
}

func TestFetchLimits(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		c := consume(t, b, ConsumeOptions{})
		nothingMore(t, c)

		body := bytes.Repeat([]byte("x"), MaxBodyBytes)
		msgs := make([]Message, 20)
		for i := range msgs {
			msgs[i] = Message{Subject: "office.main", Body: body}
		}
		publish(t, b, msgs)
		total := 0
		for total < len(msgs) {
			got, err := c.Fetch(t.Context(), len(msgs), time.Second)
			must(t, err)
			if n := len(got) * len(body); n == 0 || n > maxFetchBytes {
				t.Fatalf("one fetch returned %d bytes", n)
			}
			total += len(got)
		}

		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err := c.Fetch(ctx, 1, time.Minute)
		wantError(t, err, context.Canceled)
	})
}

func TestFetchReturnsWhenItsWaitIsOver(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		c := consume(t, b, ConsumeOptions{})
		const wait = 300 * time.Millisecond
		var published time.Time
		var publishing sync.WaitGroup
		publishing.Go(func() {
			published = time.Now()
			publish(t, b, numbered(0, 3))
		})
		got, err := c.Fetch(t.Context(), 100, wait)
		publishing.Wait()
		must(t, err)
		if len(got) != 3 {
			t.Fatalf("fetched %d of 3", len(got))
		}
		if took := time.Since(published); took < wait/2 || took > wait+5*time.Second {
			t.Errorf("fetch took %s with a wait of %s", took, wait)
		}
	})
}

func TestPlainClientsTakePart(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		js := plainClient(t, d.foreignURL())
		ack, err := js.Publish(t.Context(), EventsPrefix+"truck.TM-00", []byte("0"))
		must(t, err)
		if ack.Stream != EventsStream || ack.Sequence != 1 {
			t.Fatalf("ack is %+v", ack)
		}
		_, err = js.Publish(t.Context(), EventsPrefix+"some.other.thing", []byte("odd"))
		must(t, err)
		c := consume(t, b, ConsumeOptions{})
		fetch(t, c, 0, 1)
		got, err := c.Fetch(t.Context(), 1, 5*time.Second)
		must(t, err)
		if len(got) != 1 || got[0].Subject != "some.other.thing" || string(got[0].Body) != "odd" {
			t.Fatalf("fetched %+v", got)
		}

		// Nobody can take an event out again. A guest of the in-process server gets no answer.
		s, err := js.Stream(t.Context(), EventsStream)
		must(t, err)
		ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
		defer cancel()
		if err := s.DeleteMsg(ctx, 1); err == nil {
			t.Error("a message could be deleted")
		}
		if state, err := b.StreamState(t.Context()); err != nil || state.Msgs != 2 {
			t.Errorf("the stream holds %d messages, %v", state.Msgs, err)
		}
	})
}

func TestPublishRefusesBadMessages(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		good := Message{Subject: "truck.TM-01", Body: []byte("good")}
		for _, bad := range []struct {
			subject string
			body    int
			want    error
		}{
			{"truck.*", 1, ErrSubject}, {"truck.>", 1, ErrSubject}, {"truck.a.b", 1, ErrSubject}, {"truck", 1, ErrSubject},
			{"", 1, ErrSubject}, {"truck.", 1, ErrSubject}, {".a", 1, ErrSubject}, {"truck.a b", 1, ErrSubject},
			{"truck.a\r\n", 1, ErrSubject}, {"truck.Ö", 1, ErrSubject}, {"truck.TM-01", MaxBodyBytes + 1, ErrTooLarge},
		} {
			acks, err := b.Publish(t.Context(), []Message{good, {Subject: bad.subject, Body: make([]byte, bad.body)}})
			wantError(t, err, bad.want)
			var where *PublishError
			if !errors.As(err, &where) || where.Index != 1 || where.Subject != bad.subject || len(acks) != 0 {
				t.Errorf("%q: error names %+v with %d acks", bad.subject, where, len(acks))
			}
		}
		if state, err := b.StreamState(t.Context()); err != nil || state.Msgs != 0 {
			t.Fatalf("stream holds %d messages, %v", state.Msgs, err)
		}
		publish(t, b, []Message{good, {Subject: "office.main", Body: make([]byte, MaxBodyBytes)}, {Subject: "office.main"}})
		publish(t, b, nil)
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		_, err := b.Publish(ctx, []Message{good})
		wantError(t, err, context.Canceled)
	})
}

func TestFullStreamRefusesAndKeeps(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		o := Options{MaxStoreBytes: minMaxStoreBytes}
		switch d := d.(type) {
		case *inProcess:
			o.Dir = d.dir
		case *external:
			o.URL = d.url
		}
		b := mustOpen(t, o)
		var stored int
		var err error
		for stored < 100 && err == nil {
			var acks []Ack
			acks, err = b.Publish(t.Context(), []Message{
				{Subject: "office.main", Body: bytes.Repeat([]byte{1}, 1<<19)}, {Subject: "office.main", Body: bytes.Repeat([]byte{2}, 1<<19)},
			})
			stored += len(acks)
		}
		wantError(t, err, ErrFull)
		_, err = b.Publish(t.Context(), []Message{{Subject: "office.main", Body: make([]byte, MaxBodyBytes)}})
		wantError(t, err, ErrFull)
		wantError(t, b.Health(t.Context()), ErrFull)
		state, err := b.StreamState(t.Context())
		must(t, err)
		if state.FirstSeq != 1 || state.Msgs != uint64(stored) || stored < 10 {
			t.Errorf("%d messages were acknowledged, state is %+v", stored, state)
		}

		// A larger limit makes room; a smaller one later takes nothing away.
		must(t, b.Close(t.Context()))
		o.MaxStoreBytes = 4 * minMaxStoreBytes
		b = mustOpen(t, o)
		publish(t, b, numbered(0, 1))
		must(t, b.Close(t.Context()))
		o.MaxStoreBytes = minMaxStoreBytes
		b = mustOpen(t, o)
		state, err = b.StreamState(t.Context())
		must(t, err)
		if state.Msgs != uint64(stored)+1 || state.MaxBytes != 4*minMaxStoreBytes {
			t.Errorf("after reopening the state is %+v", state)
		}
	})
}

func TestReceipts(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		for i := range 3 {
			must(t, b.PublishReceipt(t.Context(), "truck.TM-01", fmt.Appendf(nil, "a%d", i)))
			must(t, b.PublishReceipt(t.Context(), "truck.TM-02", fmt.Appendf(nil, "b%d", i)))
		}
		all := collect(t, b, ReceiptOptions{})
		one := collect(t, b, ReceiptOptions{Source: "truck.TM-01"})
		late := collect(t, b, ReceiptOptions{Source: "truck.TM-01", After: 3})
		fresh := collect(t, b, ReceiptOptions{NewOnly: true})
		all.want(t, "truck.TM-01 a0", "truck.TM-02 b0", "truck.TM-01 a1", "truck.TM-02 b1", "truck.TM-01 a2", "truck.TM-02 b2")
		one.want(t, "truck.TM-01 a0", "truck.TM-01 a1", "truck.TM-01 a2")
		late.want(t, "truck.TM-01 a2")
		must(t, b.PublishReceipt(t.Context(), "truck.TM-02", []byte("new")))
		fresh.want(t, "truck.TM-02 new")
		all.want(t, "truck.TM-01 a0", "truck.TM-02 b0", "truck.TM-01 a1", "truck.TM-02 b1", "truck.TM-01 a2", "truck.TM-02 b2", "truck.TM-02 new")
		all.stop()
		must(t, b.PublishReceipt(t.Context(), "truck.TM-01", []byte("last")))
		one.want(t, "truck.TM-01 a0", "truck.TM-01 a1", "truck.TM-01 a2", "truck.TM-01 last")
		if got := all.received(); len(got) != 7 {
			t.Errorf("a stopped reader has %q", got)
		}
		wantError(t, b.PublishReceipt(t.Context(), "truck.*", nil), ErrSubject)
		_, err := b.Receipts(t.Context(), ReceiptOptions{Source: ">"}, func(Receipt) {})
		wantError(t, err, ErrSubject)

		b = d.restart(t, b)
		collect(t, b, ReceiptOptions{After: 7}).want(t, "truck.TM-01 last")
	})
}

func TestOrderlyCloseLeavesNothingOpen(t *testing.T) {
	dir := t.TempDir()
	b := mustOpen(t, Options{Dir: dir})
	publish(t, b, numbered(0, 10))
	must(t, b.Close(t.Context()))
	must(t, b.Close(t.Context()))
	_, err := b.Publish(t.Context(), numbered(0, 1))
	wantError(t, err, ErrClosed)
	blocks, err := filepath.Glob(filepath.Join(dir, "jetstream", "*", "streams", EventsStream, "msgs", "*.blk"))
	must(t, err)
	if len(blocks) == 0 {
		t.Fatal("no message files in the storage folder")
	}
	if info, err := os.Stat(blocks[0]); err != nil || info.Size() == 0 {
		t.Errorf("message file: %v, %v", info, err)
	}
}
