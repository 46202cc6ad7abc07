package broker

import (
	"context"
	"net"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"
	"pgregory.net/rapid"
)

func TestOptionsThatCanNotWork(t *testing.T) {
	dir := t.TempDir()
	for what, o := range map[string]Options{
		"no folder":              {},
		"two copies":             {Dir: dir, Replicas: 2},
		"three copies in one":    {Dir: dir, Replicas: 3},
		"hardly any storage":     {Dir: dir, MaxStoreBytes: 1 << 10},
		"in process with user":   {Dir: dir, User: "a"},
		"in process joined":      {Dir: dir, Join: true},
		"external with folder":   {URL: "nats://127.0.0.1:1", Dir: dir},
		"external listening":     {URL: "nats://127.0.0.1:1", Listen: "127.0.0.1:0"},
		"two credentials":        {URL: "nats://127.0.0.1:1", Token: "a", User: "b"},
		"key without cert":       {URL: "nats://127.0.0.1:1", KeyFile: "a"},
		"missing CA file":        {URL: "nats://127.0.0.1:1", CAFile: filepath.Join(dir, "none")},
		"bad URL":                {URL: "nats://127.0.0.1:port"},
		"listening to all":       {Dir: dir, Listen: "0.0.0.0:0"},
		"listening to all, IPv6": {Dir: dir, Listen: "[::]:0"},
		"listening by name":      {Dir: dir, Listen: "example.invalid:0"},
		"listening without host": {Dir: dir, Listen: ":4222"},
		"listening without port": {Dir: dir, Listen: "127.0.0.1"},
		"listening to port 1e6":  {Dir: dir, Listen: "127.0.0.1:1000000"},
	} {
		t.Run(what, func(t *testing.T) { refuses(t, o, ErrSettings) })
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) > 0 {
		t.Errorf("refused options left %v behind, %v", left, err)
	}
}

func TestListenOnLoopbackOnly(t *testing.T) {
	quiet := mustOpen(t, Options{Dir: t.TempDir()})
	if got := quiet.ClientURL(); got != "" {
		t.Errorf("a broker without a port has the address %s", got)
	}
	for _, listen := range []string{"127.0.0.1:0", "localhost:0"} {
		b := mustOpen(t, Options{Dir: t.TempDir(), Listen: listen})
		u, err := url.Parse(b.ClientURL())
		must(t, err)
		if ip := net.ParseIP(u.Hostname()); ip == nil || !ip.IsLoopback() || u.Port() == "0" {
			t.Errorf("listening on %s gave %s", listen, u)
		}
		guest := mustOpen(t, Options{URL: b.ClientURL(), Join: true})
		publish(t, guest, numbered(0, 3))
		must(t, b.PublishReceipt(t.Context(), "truck.TM-01", []byte("recorded")))
		collect(t, guest, ReceiptOptions{Source: "truck.TM-01"}).want(t, "truck.TM-01 recorded")
		collect(t, guest, ReceiptOptions{}).want(t, "truck.TM-01 recorded")

		// A guest is no hub.
		refuses(t, Options{URL: b.ClientURL(), ConnectTimeout: 500 * time.Millisecond}, ErrSettings)
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		js := plainClient(t, b.ClientURL())
		for what, call := range map[string]func() error{
			"delete the stream": func() error { return js.DeleteStream(ctx, EventsStream) },
			"forge a receipt":   func() error { _, err := js.Publish(ctx, ReceiptsPrefix+"truck.TM-01", nil); return err },
			"read events":       func() error { _, err := js.CreateConsumer(ctx, EventsStream, jetstream.ConsumerConfig{}); return err },
			"take a lease":      func() error { _, err := js.CreateKeyValue(ctx, jetstream.KeyValueConfig{Bucket: "B"}); return err },
		} {
			if err := call(); err == nil {
				t.Errorf("a guest could %s", what)
			}
		}
		fetch(t, consume(t, b, ConsumeOptions{}), 0, 3)
	}
}

func TestListenOnATakenPort(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer taken.Close()
	begun := time.Now()
	_, err = Open(t.Context(), Options{Dir: t.TempDir(), Listen: taken.Addr().String()})
	if err == nil || !strings.Contains(err.Error(), "address already in use") {
		t.Fatalf("error is %v", err)
	}
	if took := time.Since(begun); took > 5*time.Second {
		t.Errorf("it took %s to notice", took)
	}
}

func TestUnreachableServer(t *testing.T) {
	gone, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	must(t, gone.Close())
	refuses(t, Options{URL: "nats://" + gone.Addr().String()}, ErrUnavailable)

	// One that accepts and says nothing.
	silent, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	defer silent.Close()
	begun := time.Now()
	refuses(t, Options{URL: "nats://" + silent.Addr().String(), ConnectTimeout: 300 * time.Millisecond}, ErrUnavailable)
	if took := time.Since(begun); took > 5*time.Second {
		t.Errorf("opening took %s with a limit of 300 ms", took)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err = Open(ctx, Options{URL: "nats://" + silent.Addr().String()})
	wantError(t, err, context.Canceled)
}

func TestServerWithoutJetStream(t *testing.T) {
	d := newExternal(t, func(o *server.Options) { o.JetStream = false })
	refuses(t, Options{URL: d.url}, ErrSettings)
}

func TestServerVersions(t *testing.T) {
	must(t, checkLevel("2.15.2", 5))
	must(t, checkLevel("2.14.0", minAPILevel))
	wantError(t, checkLevel("2.12.4", 2), ErrServerTooOld)
	wantError(t, checkLevel("2.9.0", 0), ErrServerTooOld)
}

// A stream that exists with other settings is refused, with the name of each setting, and is left as it is.
func TestUnsafeStreamSettings(t *testing.T) {
	d := newExternal(t, nil)
	js := plainClient(t, d.url)
	for setting, change := range map[string]func(*jetstream.StreamConfig){
		"discard":              func(c *jetstream.StreamConfig) { c.Discard = jetstream.DiscardOld },
		"max_age":              func(c *jetstream.StreamConfig) { c.MaxAge = time.Hour },
		"max_msgs":             func(c *jetstream.StreamConfig) { c.MaxMsgs = 10 },
		"max_msgs_per_subject": func(c *jetstream.StreamConfig) { c.MaxMsgsPerSubject = 10 },
		"max_msg_size":         func(c *jetstream.StreamConfig) { c.MaxMsgSize = 100 },
		"storage":              func(c *jetstream.StreamConfig) { c.Storage = jetstream.MemoryStorage },
		"retention":            func(c *jetstream.StreamConfig) { c.Retention = jetstream.WorkQueuePolicy },
		"subjects":             func(c *jetstream.StreamConfig) { c.Subjects = []string{EventsPrefix + "truck.>"} },
		"deny_delete":          func(c *jetstream.StreamConfig) { c.DenyDelete = false },
		"allow_atomic":         func(c *jetstream.StreamConfig) { c.AllowAtomicPublish = false },
		"no_ack":               func(c *jetstream.StreamConfig) { c.NoAck, c.AllowAtomicPublish = true, false },
		"allow_rollup_hdrs":    func(c *jetstream.StreamConfig) { c.AllowRollup, c.DenyPurge = true, false },
		"allow_msg_ttl":        func(c *jetstream.StreamConfig) { c.AllowMsgTTL = true },
		"persist_mode": func(c *jetstream.StreamConfig) {
			c.PersistMode, c.AllowAtomicPublish = jetstream.AsyncPersistMode, false
		},
		"subject_transform": func(c *jetstream.StreamConfig) {
			c.SubjectTransform = &jetstream.SubjectTransformConfig{Source: EventsPrefix + ">", Destination: "elsewhere.>"}
		},
	} {
		t.Run(setting, func(t *testing.T) {
			config := (&Broker{opts: Options{Replicas: 1, MaxStoreBytes: 1 << 30}}).eventsConfig()
			change(&config)
			var made jetstream.Stream
			var err error
			// The files of the stream deleted before may still be on their way out.
			eventually(t, "a stream with this setting", func() bool {
				made, err = js.CreateStream(t.Context(), config)
				return err == nil
			})
			_, err = Open(t.Context(), Options{URL: d.url, MaxStoreBytes: 1 << 31})
			wantError(t, err, ErrSettings)
			if !strings.Contains(err.Error(), setting+" is ") {
				t.Errorf("the error does not name the setting: %v", err)
			}
			info, err := made.Info(t.Context())
			must(t, err)
			if info.Config.MaxBytes != 1<<30 {
				t.Error("a refused stream was changed")
			}
			must(t, js.DeleteStream(t.Context(), EventsStream))
		})
	}
	worksWith(t, Options{URL: d.url})
}

func TestUnsafeConsumerSettings(t *testing.T) {
	d := newExternal(t, nil)
	b := d.open(t)
	js := plainClient(t, d.url)
	for what, config := range map[string]jetstream.ConsumerConfig{
		"each":    {Durable: intakeConsumer, AckPolicy: jetstream.AckExplicitPolicy},
		"none":    {Durable: intakeConsumer, AckPolicy: jetstream.AckNonePolicy},
		"new":     {Durable: intakeConsumer, AckPolicy: jetstream.AckAllPolicy, DeliverPolicy: jetstream.DeliverNewPolicy},
		"some":    {Durable: intakeConsumer, AckPolicy: jetstream.AckAllPolicy, FilterSubject: EventsPrefix + "truck.TM-01"},
		"limited": {Durable: intakeConsumer, AckPolicy: jetstream.AckAllPolicy, MaxDeliver: 3},
	} {
		_, err := js.CreateConsumer(t.Context(), EventsStream, config)
		must(t, err)
		_, err = b.Consume(t.Context(), ConsumeOptions{})
		if err == nil {
			t.Errorf("a consumer of the kind %q was accepted", what)
			continue
		}
		wantError(t, err, ErrSettings)
		must(t, js.DeleteConsumer(t.Context(), EventsStream, intakeConsumer))
	}
	consume(t, b, ConsumeOptions{})
}

// A truck joins with an account that may publish events, and read receipts, and nothing else.
func TestJoinWithFewPermissions(t *testing.T) {
	d := newExternal(t, func(o *server.Options) {
		o.Users = []*server.User{{Username: "hub", Password: "h"}, {Username: "truck", Password: "t", Permissions: &server.Permissions{
			Publish: &server.SubjectPermission{Allow: []string{
				EventsPrefix + "truck.TM-01",
				"$JS.API.STREAM.INFO." + EventsStream, "$JS.API.STREAM.INFO." + ReceiptsStream,
				"$JS.API.CONSUMER.CREATE." + ReceiptsStream + ".*." + ReceiptsPrefix + "truck.TM-01",
				"$JS.API.CONSUMER.MSG.NEXT." + ReceiptsStream + ".*", "$JS.API.CONSUMER.DELETE." + ReceiptsStream + ".*",
			}},
			Subscribe: &server.SubjectPermission{Allow: []string{"_INBOX.>"}},
		}}}
	})
	refuses(t, Options{URL: d.url, User: "truck", Password: "t", Join: true}, ErrSettings)
	hub := mustOpen(t, Options{URL: d.url, User: "hub", Password: "h"})
	truck := mustOpen(t, Options{URL: d.url, User: "truck", Password: "t", Join: true, MaxStoreBytes: 1 << 40})
	publish(t, truck, []Message{{Subject: "truck.TM-01", Body: []byte("a")}, {Subject: "truck.TM-01", Body: []byte("b")}})
	must(t, hub.PublishReceipt(t.Context(), "truck.TM-01", []byte("recorded")))
	collect(t, truck, ReceiptOptions{Source: "truck.TM-01"}).want(t, "truck.TM-01 recorded")
	ctx, cancel := context.WithTimeout(t.Context(), 300*time.Millisecond)
	defer cancel()
	if _, err := truck.Publish(ctx, []Message{{Subject: "truck.TM-02", Body: []byte("c")}}); err == nil {
		t.Error("a truck could publish for another")
	}
	state, err := hub.StreamState(t.Context())
	must(t, err)
	if state.Msgs != 2 || state.MaxBytes != 1<<30 {
		t.Errorf("state is %+v", state)
	}
}

func TestSourceTokens(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		kind := rapid.StringMatching(`[A-Za-z0-9_-]{1,64}`).Draw(t, "kind")
		name := rapid.StringMatching(`[A-Za-z0-9_-]{1,64}`).Draw(t, "name")
		source, err := Source(kind, name)
		if err != nil || source != kind+"."+name || CheckSource(source) != nil {
			t.Fatalf("%q and %q gave %q, %v", kind, name, source, err)
		}
		if !server.IsValidLiteralSubject(EventsPrefix + source) {
			t.Fatalf("%q is no subject", source)
		}
	})
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.String().Draw(t, "text")
		if CheckSource(text) == nil && !server.IsValidLiteralSubject(EventsPrefix+text) {
			t.Fatalf("%q was accepted", text)
		}
	})
	if _, err := Source("truck", strings.Repeat("a", maxTokenBytes+1)); err == nil {
		t.Error("a token without an end was accepted")
	}
}

func TestBatchesCoverAllMessages(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		sizes := rapid.SliceOfN(rapid.OneOf(rapid.IntRange(0, 500), rapid.IntRange(0, MaxBodyBytes)), 1, 3000).Draw(t, "sizes")
		shared := make([]byte, MaxBodyBytes)
		msgs := make([]Message, len(sizes))
		for i, n := range sizes {
			msgs[i].Body = shared[:n]
		}
		for len(msgs) > 0 {
			n := batchLen(msgs)
			bytes := 0
			for _, m := range msgs[:n] {
				bytes += len(m.Body)
			}
			if n < 1 || n > maxBatchMsgs || (n > 1 && bytes > maxBatchBytes) {
				t.Fatalf("a batch has %d messages of %d bytes", n, bytes)
			}
			msgs = msgs[n:]
		}
	})
}
