package broker

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

const patience = 20 * time.Second

// deployment is one of the two ways to run a broker. restart stops everything in an orderly way and opens it again on the same storage.
type deployment interface {
	open(t *testing.T) *Broker
	restart(t *testing.T, b *Broker) *Broker
	foreignURL() string // for plain NATS clients
}

// each runs a test on both deployments.
func each(t *testing.T, run func(t *testing.T, d deployment)) {
	t.Run("in process", func(t *testing.T) { run(t, &inProcess{dir: t.TempDir()}) })
	t.Run("external", func(t *testing.T) { run(t, newExternal(t, nil)) })
}

type inProcess struct {
	dir string
	url string
}

func (d *inProcess) open(t *testing.T) *Broker {
	t.Helper()
	b := mustOpen(t, Options{Dir: d.dir, Listen: "127.0.0.1:0"})
	d.url = b.ClientURL()
	return b
}

func (d *inProcess) restart(t *testing.T, b *Broker) *Broker {
	t.Helper()
	must(t, b.Close(t.Context()))
	return d.open(t)
}

func (d *inProcess) foreignURL() string { return d.url }

// external is a server of its own on a loopback port.
type external struct {
	options server.Options
	srv     *server.Server
	url     string
}

func newExternal(t *testing.T, change func(*server.Options)) *external {
	t.Helper()
	d := &external{options: server.Options{
		ServerName: "outside", Host: "127.0.0.1", Port: server.RANDOM_PORT, StoreDir: t.TempDir(), JetStream: true, SyncAlways: true,
		JetStreamMaxStore: 1 << 50, JetStreamMaxMemory: 1 << 50, NoLog: true, NoSigs: true,
	}}
	if change != nil {
		change(&d.options)
	}
	d.start(t)
	t.Cleanup(d.stop)
	return d
}

func (d *external) start(t *testing.T) {
	t.Helper()
	options := d.options
	srv, err := server.NewServer(&options)
	must(t, err)
	srv.Start()
	if !srv.ReadyForConnections(patience) {
		t.Fatal("external server is not ready")
	}
	// A restart must come back on the same port.
	d.options.Port = srv.Addr().(*net.TCPAddr).Port
	d.srv, d.url = srv, srv.ClientURL()
}

func (d *external) stop() {
	d.srv.Shutdown()
	d.srv.WaitForShutdown()
}

func (d *external) open(t *testing.T) *Broker {
	t.Helper()
	return mustOpen(t, Options{URL: d.url})
}

func (d *external) restart(t *testing.T, b *Broker) *Broker {
	t.Helper()
	must(t, b.Close(t.Context()))
	d.stop()
	d.start(t)
	return d.open(t)
}

func (d *external) foreignURL() string { return d.url }

func mustOpen(t testing.TB, o Options) *Broker {
	t.Helper()
	if o.MaxStoreBytes == 0 {
		o.MaxStoreBytes = 1 << 30
	}
	b, err := Open(t.Context(), o)
	must(t, err)
	t.Cleanup(func() {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		if err := b.Close(ctx); err != nil {
			t.Errorf("close: %v", err)
		}
	})
	return b
}

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func wantError(t testing.TB, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Fatalf("error is %v, want %v", err, want)
	}
}

// eventually waits until a condition holds.
func eventually(t testing.TB, what string, holds func() bool) {
	t.Helper()
	deadline := time.NewTimer(patience)
	defer deadline.Stop()
	look := time.NewTicker(5 * time.Millisecond)
	defer look.Stop()
	for !holds() {
		select {
		case <-deadline.C:
			t.Fatalf("%s: not within %s", what, patience)
		case <-look.C:
		}
	}
}

// numbered makes messages whose bodies tell their number.
func numbered(from, n int) []Message {
	msgs := make([]Message, n)
	for i := range msgs {
		msgs[i] = Message{Subject: fmt.Sprintf("truck.TM-%02d", (from+i)%7), Body: []byte(strconv.Itoa(from + i))}
	}
	return msgs
}

func publish(t testing.TB, b *Broker, msgs []Message) {
	t.Helper()
	acks, err := b.Publish(t.Context(), msgs)
	must(t, err)
	if len(acks) != len(msgs) {
		t.Fatalf("%d acks for %d messages", len(acks), len(msgs))
	}
}

func consume(t testing.TB, b *Broker, o ConsumeOptions) *Consumer {
	t.Helper()
	c, err := b.Consume(t.Context(), o)
	must(t, err)
	return c
}

// fetch gets exactly n messages and checks that they are numbered from first, at the sequence number+1.
func fetch(t testing.TB, c *Consumer, first, n int) []Delivery {
	t.Helper()
	var got []Delivery
	for begun := time.Now(); len(got) < n && time.Since(begun) < patience; {
		more, err := c.Fetch(t.Context(), n-len(got), 500*time.Millisecond)
		must(t, err)
		got = append(got, more...)
	}
	if len(got) != n {
		t.Fatalf("fetched %d messages, want %d", len(got), n)
	}
	for i, d := range got {
		if string(d.Body) != strconv.Itoa(first+i) || d.StreamSeq != uint64(first+i+1) {
			t.Fatalf("message %d is %q at sequence %d, want %d", i, d.Body, d.StreamSeq, first+i)
		}
		if want := fmt.Sprintf("truck.TM-%02d", (first+i)%7); d.Subject != want {
			t.Fatalf("message %d is from %s, want %s", i, d.Subject, want)
		}
	}
	return got
}

func nothingMore(t testing.TB, c *Consumer) {
	t.Helper()
	got, err := c.Fetch(t.Context(), 10, 30*time.Millisecond)
	must(t, err)
	if len(got) != 0 {
		t.Fatalf("fetched %d more, first %q at sequence %d", len(got), got[0].Body, got[0].StreamSeq)
	}
}

// plainClient is a client that knows nothing of this package.
func plainClient(t *testing.T, url string) jetstream.JetStream {
	t.Helper()
	// What a client may not do is reported to its error handler as well; the calls fail visibly enough.
	nc, err := nats.Connect(url, nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {}))
	must(t, err)
	t.Cleanup(nc.Close)
	js, err := jetstream.New(nc)
	must(t, err)
	return js
}

type collector struct {
	stop func()
	mu   sync.Mutex
	got  []string
}

func collect(t *testing.T, b *Broker, o ReceiptOptions) *collector {
	t.Helper()
	c := &collector{}
	stop, err := b.Receipts(t.Context(), o, func(r Receipt) {
		c.mu.Lock()
		defer c.mu.Unlock()
		c.got = append(c.got, r.Source+" "+string(r.Body))
	})
	must(t, err)
	c.stop = sync.OnceFunc(stop)
	t.Cleanup(c.stop)
	return c
}

func (c *collector) received() []string {
	c.mu.Lock()
	defer c.mu.Unlock()
	return append([]string(nil), c.got...)
}

func (c *collector) want(t *testing.T, want ...string) {
	t.Helper()
	eventually(t, fmt.Sprintf("receipts %q", want), func() bool { return len(c.received()) >= len(want) })
	if got := c.received(); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Fatalf("receipts are %q, want %q", got, want)
	}
}
