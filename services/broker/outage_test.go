package broker

import (
	"context"
	"errors"
	"io"
	"net"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// The server goes away and comes back under an open broker: calls fail in bounded time, then everything goes on.
func TestServerOutage(t *testing.T) {
	t.Parallel()
	d := newExternal(t, nil)
	b := d.open(t)
	publish(t, b, numbered(0, 10))
	must(t, b.PublishReceipt(t.Context(), "truck.TM-01", []byte("before")))
	receipts := collect(t, b, ReceiptOptions{})
	receipts.want(t, "truck.TM-01 before")
	c := consume(t, b, ConsumeOptions{})
	fetch(t, c, 0, 6)
	lease := mustLease(t, b, "holder", time.Second)

	d.stop()
	begun := time.Now()
	_, err := b.Publish(t.Context(), numbered(10, 5))
	wantError(t, err, ErrUnavailable)
	_, err = c.Fetch(t.Context(), 10, 50*time.Millisecond)
	wantError(t, err, ErrUnavailable)
	wantError(t, c.Ack(t.Context(), 6), ErrUnavailable)
	wantError(t, b.Health(t.Context()), ErrUnavailable)
	wantError(t, b.PublishReceipt(t.Context(), "truck.TM-01", []byte("lost")), ErrUnavailable)
	if took := time.Since(begun); took > 30*time.Second {
		t.Errorf("five calls took %s to fail", took)
	}
	<-lease.Done()
	if lease.Valid() {
		t.Error("a lease is valid without a broker")
	}

	d.start(t)
	eventually(t, "recovery", func() bool { return b.Health(t.Context()) == nil })
	must(t, c.Ack(t.Context(), 6))
	publish(t, b, numbered(10, 5))
	fetch(t, c, 6, 9)
	must(t, c.Ack(t.Context(), 15))
	must(t, b.PublishReceipt(t.Context(), "truck.TM-01", []byte("after")))
	receipts.want(t, "truck.TM-01 before", "truck.TM-01 after")
	mustLease(t, b, "holder", time.Second)
}

// Publishing goes on through restarts of the server. Whatever was acknowledged is there, at the sequence that was named.
func TestPublishingThroughRestarts(t *testing.T) {
	t.Parallel()
	d := newExternal(t, nil)
	b := d.open(t)
	stop := make(chan struct{})
	stored := map[uint64]string{}
	var publishing sync.WaitGroup
	publishing.Go(func() {
		for i := 0; ; i += 50 {
			select {
			case <-stop:
				return
			default:
			}
			msgs := numbered(i, 50)
			acks, err := b.Publish(t.Context(), msgs)
			if err != nil && !errors.Is(err, ErrUnavailable) {
				t.Errorf("publish: %v", err)
				return
			}
			for j, a := range acks {
				stored[a.StreamSeq] = string(msgs[j].Body)
			}
		}
	})
	for range 3 {
		before, err := b.StreamState(t.Context())
		must(t, err)
		eventually(t, "progress", func() bool {
			state, err := b.StreamState(t.Context())
			return err == nil && state.LastSeq >= before.LastSeq+200
		})
		d.stop()
		d.start(t)
		eventually(t, "recovery", func() bool { return b.Health(t.Context()) == nil })
	}
	close(stop)
	publishing.Wait()
	if len(stored) < 600 {
		t.Fatalf("only %d messages were acknowledged", len(stored))
	}
	for seq, body := range stored {
		m, err := b.Message(t.Context(), seq)
		must(t, err)
		if string(m.Body) != body {
			t.Fatalf("sequence %d holds %s, was acknowledged for %s", seq, m.Body, body)
		}
	}
}

// A link that swallows everything is the slowest server of all.
func TestSilentLink(t *testing.T) {
	t.Parallel()
	d := newExternal(t, nil)
	link := newLink(t, d.srv.Addr().String())
	b := mustOpen(t, Options{URL: "nats://" + link.addr})
	publish(t, b, numbered(0, 2))
	c := consume(t, b, ConsumeOptions{})

	link.hold(true)
	for what, call := range map[string]func(context.Context) error{
		"publish one": func(ctx context.Context) error { _, err := b.Publish(ctx, numbered(2, 1)); return err },
		"publish":     func(ctx context.Context) error { _, err := b.Publish(ctx, numbered(2, 9)); return err },
		"fetch":       func(ctx context.Context) error { _, err := c.Fetch(ctx, 5, time.Minute); return err },
		"state":       func(ctx context.Context) error { _, err := b.StreamState(ctx); return err },
		"message":     func(ctx context.Context) error { _, err := b.Message(ctx, 1); return err },
		"pending":     func(ctx context.Context) error { _, err := c.Pending(ctx); return err },
		"rewind":      c.Rewind,
		"health":      b.Health,
	} {
		ctx, cancel := context.WithTimeout(t.Context(), 200*time.Millisecond)
		begun := time.Now()
		err := call(ctx)
		cancel()
		if err == nil {
			t.Errorf("%s succeeded over a silent link", what)
		}
		if took := time.Since(begun); took > 3*time.Second {
			t.Errorf("%s took %s with a deadline of 200 ms", what, took)
		}
	}
	link.hold(false)
	eventually(t, "recovery", func() bool { return b.Health(t.Context()) == nil })
	// Messages that the silent link held back may have been stored after their callers gave up; the first two are still the first.
	must(t, c.Rewind(t.Context()))
	fetch(t, c, 0, 2)
}

// link passes bytes between clients and a server, and can hold them back.
type link struct {
	addr string
	mu   sync.Mutex
	open *sync.Cond
	held bool
}

func newLink(t *testing.T, to string) *link {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	l := &link{addr: listener.Addr().String()}
	l.open = sync.NewCond(&l.mu)
	t.Cleanup(func() { l.hold(false); listener.Close() })
	go func() {
		for {
			near, err := listener.Accept()
			if err != nil {
				return
			}
			far, err := net.Dial("tcp", to)
			if err != nil {
				near.Close()
				continue
			}
			go l.pass(near, far)
			go l.pass(far, near)
		}
	}()
	return l
}

func (l *link) hold(held bool) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.held = held
	l.open.Broadcast()
}

func (l *link) pass(from, to net.Conn) {
	defer from.Close()
	defer to.Close()
	buf := make([]byte, 32<<10)
	for {
		n, err := from.Read(buf)
		l.mu.Lock()
		for l.held {
			l.open.Wait()
		}
		l.mu.Unlock()
		if n > 0 {
			if _, err := to.Write(buf[:n]); err != nil {
				return
			}
		}
		if err != nil && !errors.Is(err, io.EOF) || err == io.EOF {
			return
		}
	}
}

// Deliveries that were sent and never arrived are sent again, in their place.
func TestDeliveriesLostOnTheWay(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		publish(t, b, numbered(0, 20))
		c := consume(t, b, ConsumeOptions{})
		fetch(t, c, 0, 5)

		// A thief pulls from the same durable consumer, and what it gets is gone for us until the server sends it again.
		thief, err := b.js.Consumer(t.Context(), EventsStream, intakeConsumer)
		must(t, err)
		stolen, err := thief.Fetch(7, jetstream.FetchMaxWait(5*time.Second))
		must(t, err)
		n := 0
		for range stolen.Messages() {
			n++
		}
		if n != 7 {
			t.Fatalf("stole %d of 7", n)
		}
		fetch(t, c, 5, 15)
		must(t, c.Ack(t.Context(), 20))
		nothingMore(t, c)
		nothingMore(t, consume(t, b, ConsumeOptions{}))
	})
}

// A fetch that is called off may have been answered already. What it was sent comes with the next one, at once.
func TestFetchAfterOneCalledOff(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		c := consume(t, b, ConsumeOptions{})
		for round := range 20 {
			ctx, cancel := context.WithCancel(t.Context())
			var calling sync.WaitGroup
			var got []Delivery
			calling.Go(func() {
				// It may or may not get the message before it is called off.
				got, _ = c.Fetch(ctx, 2, time.Minute)
			})
			publish(t, b, numbered(round, 1))
			cancel()
			calling.Wait()
			if len(got) == 0 {
				begun := time.Now()
				fetch(t, c, round, 1)
				if took := time.Since(begun); took > 5*time.Second {
					t.Fatalf("the message took %s", took)
				}
			}
			must(t, c.Ack(t.Context(), uint64(round+1)))
		}
	})
}

// A server that has forgotten its deliveries leaves acknowledgements unanswered. Ack must get through all the same.
func TestAckOfForgottenDeliveries(t *testing.T) {
	t.Parallel()
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		publish(t, b, numbered(0, 20))
		c := consume(t, b, ConsumeOptions{})
		fetch(t, c, 0, 15)
		_, err := c.stream.ResetConsumerToSequence(t.Context(), intakeConsumer, 3)
		must(t, err)
		must(t, c.Ack(t.Context(), 12))
		fetch(t, c, 15, 5)
		must(t, c.Ack(t.Context(), 18))
		fetch(t, consume(t, b, ConsumeOptions{}), 18, 2)
	})
}

func TestConcurrentPublishersGetTheirSequences(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		const publishers, each = 6, 700
		sequences := make([][]Ack, publishers)
		var publishing sync.WaitGroup
		for p := range publishers {
			publishing.Go(func() {
				acks, err := b.Publish(t.Context(), numbered(p*each, each))
				if err != nil {
					t.Errorf("publisher %d: %v", p, err)
				}
				sequences[p] = acks
			})
		}
		publishing.Wait()
		bodies := map[uint64]string{}
		c := consume(t, b, ConsumeOptions{})
		for len(bodies) < publishers*each {
			got, err := c.Fetch(t.Context(), MaxFetch, time.Second)
			must(t, err)
			if len(got) == 0 {
				t.Fatalf("only %d messages arrived", len(bodies))
			}
			for _, d := range got {
				bodies[d.StreamSeq] = string(d.Body)
			}
		}
		for p, acks := range sequences {
			for i, m := range numbered(p*each, each) {
				if got := bodies[acks[i].StreamSeq]; got != string(m.Body) {
					t.Fatalf("sequence %d holds %s, publisher %d was told %s", acks[i].StreamSeq, got, p, m.Body)
				}
			}
		}
	})
}

// The client library's own limit is far above ours, so a server that takes only small payloads must be met by the same error.
func TestServerWithASmallPayload(t *testing.T) {
	d := newExternal(t, nil)
	b := d.open(t)
	d.stop()
	d.options.MaxPayload = 64 << 10
	d.start(t)
	eventually(t, "recovery", func() bool { return b.nc.IsConnected() && b.nc.MaxPayload() == 64<<10 })
	_, err := b.Publish(t.Context(), []Message{{Subject: "truck.TM-01", Body: make([]byte, 64<<10)}})
	wantError(t, err, ErrTooLarge)
	if errors.Is(err, nats.ErrMaxPayload) {
		t.Error("the message was only refused by the client library")
	}
	publish(t, b, []Message{{Subject: "truck.TM-01", Body: make([]byte, 32<<10)}})
}
