// Package broker moves bytes from many writers to one reader through NATS JetStream, and promises three things about them: a message
// whose Publish returned is synced to disk, the reader gets every message in stream order until it has acknowledged it, and whatever
// the broker has lost is reported instead of skipped.
//
// The server is in the process (Options.URL empty) or elsewhere (Options.URL set); nothing else changes.
//
// There are two streams. SPOILBOOK_EVENTS stores "spoilbook.events.>", one subject a source, and never discards: when it is full it
// refuses. SPOILBOOK_RECEIPTS stores "spoilbook.receipts.>", what the hub answers to its sources, for 30 days. The broker knows bytes and
// subjects; what they mean is for others.
//
// Worked example. Truck TM-01 has two events to hand over:
//
//	acks, err := b.Publish(ctx, []broker.Message{
//		{Subject: "truck.TM-01", Body: first},  // stored on spoilbook.events.truck.TM-01
//		{Subject: "truck.TM-01", Body: second}, // in one atomic batch with the first: one sync for both
//	}) // acks[0].StreamSeq is 1, acks[1].StreamSeq is 2
//
//	c, err := b.Consume(ctx, broker.ConsumeOptions{})
//	batch, err := c.Fetch(ctx, 1000, 200*time.Millisecond) // both, in order, once a session
//	err = c.Ack(ctx, 2)                                    // everything up to and including 2 is handled
//
// Had the process died before Ack, the next Consume would begin at sequence 1 again.
//
// What a reader must do itself: count a message that arrives twice once. A Publish that timed out may have been stored, and is published
// again by its caller. Message identifiers of the broker are not used, because their window is short and a duplicate identifier with other
// content would be dropped in silence.
//
// An external server must have sync_interval "always"; clients can not see that setting, so nothing here can check it.
package broker

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"strings"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Options name a broker. The zero value but for Dir is a safe in-process server without a port.
type Options struct {
	URL string // of an external server, or several with commas between; empty for a server in this process
	Dir string // storage folder of the in-process server; nothing else may use it
	// Listen is a host:port, loopback only, on which the in-process server accepts other NATS clients on this machine; empty for no port.
	// Unless it is Guarded they may do what a truck does, hand over events and read receipts, and nothing else.
	Listen string
	// Guarded closes the port of Listen to all but those whom Admit lets in.
	Guarded bool

	// For an external server: at most one of Credentials (file), NKey (seed file), Token, and User with Password; and TLS files.
	Credentials, NKey, Token, User, Password string
	CAFile, CertFile, KeyFile                string

	Frozen bool // a stream whose ledger moves is opened all the same, and stays as it is
	Join   bool // the streams must exist already and are used as they are: for a truck, whose account may not create streams

	Replicas       int           // copies of each stream, 1 or 3; 0 means 1. The in-process server has 1
	MaxStoreBytes  int64         // limit of the events stream; 0 means 16 GiB. A stream is only ever enlarged
	ConnectTimeout time.Duration // for Open, in total; 0 means 10 s
	Logger         *slog.Logger  // server warnings and errors, lost and restored connections; nil for none
}

const (
	defaultMaxStoreBytes  = 16 << 30
	minMaxStoreBytes      = 8 << 20
	defaultConnectTimeout = 10 * time.Second

	// requestTimeout bounds one request to the server, so that no call hangs on a server that has gone away.
	requestTimeout = 5 * time.Second
)

// Broker is an open connection to a broker, with its streams in place. It is safe for use by several goroutines.
type Broker struct {
	opts   Options
	log    *slog.Logger
	server *embedded // nil when external
	nc     *nats.Conn
	js     jetstream.JetStream
	closed atomic.Bool

	otherWriters atomic.Uint64
}

// Open starts the in-process server or connects to the external one, and creates the streams or checks them. It fails, saying what to
// do, when the server can not be reached, is too old, has no JetStream, or has a stream whose settings could lose events.
func Open(ctx context.Context, o Options) (*Broker, error) {
	if err := o.complete(); err != nil {
		return nil, fmt.Errorf("open broker: %w", err)
	}
	ctx, cancel := context.WithTimeout(ctx, o.ConnectTimeout)
	defer cancel()

	b := &Broker{opts: o, log: o.Logger}
	if err := b.open(ctx); err != nil {
		closing, done := context.WithTimeout(context.WithoutCancel(ctx), requestTimeout)
		defer done()
		return nil, errors.Join(fmt.Errorf("open broker %s: %w", b.place(), err), b.Close(closing))
	}
	return b, nil
}

func (b *Broker) open(ctx context.Context) (err error) {
	if b.opts.URL == "" {
		if err := b.scan(ctx); err != nil {
			return err
		}
		if b.server, err = startServer(b.opts); err != nil {
			return err
		}
	}
	if b.nc, err = b.connect(ctx); err != nil {
		return err
	}
	if b.js, err = jetstream.New(b.nc, jetstream.WithDefaultTimeout(requestTimeout)); err != nil {
		return err
	}
	if !b.opts.Join {
		err = b.checkServer(ctx)
	}
	if err == nil {
		err = b.prepareStreams(ctx)
	}
	if err != nil && errors.Is(b.nc.LastError(), nats.ErrPermissionViolation) {
		return fmt.Errorf("%w: this account may not do that; join as a truck does, or give the account permission (%w): %w", ErrSettings,
			b.nc.LastError(), err)
	}
	return err
}

// complete fills in defaults and refuses what can not work.
func (o *Options) complete() error {
	if o.Logger == nil {
		o.Logger = slog.New(slog.DiscardHandler)
	}
	if o.Replicas == 0 {
		o.Replicas = 1
	}
	if o.MaxStoreBytes == 0 {
		o.MaxStoreBytes = defaultMaxStoreBytes
	}
	if o.ConnectTimeout <= 0 {
		o.ConnectTimeout = defaultConnectTimeout
	}
	switch {
	case o.Replicas != 1 && o.Replicas != 3:
		return fmt.Errorf("%w: %d replicas; use 1 or 3", ErrSettings, o.Replicas)
	case o.MaxStoreBytes < minMaxStoreBytes:
		return fmt.Errorf("%w: %d bytes of storage; give at least %d", ErrSettings, o.MaxStoreBytes, minMaxStoreBytes)
	case o.URL == "":
		return o.checkInProcess()
	}
	return o.checkExternal()
}

func (o *Options) checkInProcess() error {
	switch {
	case o.Dir == "":
		return fmt.Errorf("%w: an in-process broker needs a storage folder", ErrSettings)
	case o.Replicas != 1:
		return fmt.Errorf("%w: an in-process broker keeps 1 copy; name an external cluster for %d", ErrSettings, o.Replicas)
	case o.Join:
		return fmt.Errorf("%w: only an external broker can be joined", ErrSettings)
	case o.Credentials+o.NKey+o.Token+o.User+o.Password+o.CAFile+o.CertFile+o.KeyFile != "":
		return fmt.Errorf("%w: credentials and TLS files are for an external broker; name its URL", ErrSettings)
	}
	return nil
}

func (o *Options) checkExternal() error {
	ways := 0
	for _, set := range []bool{o.Credentials != "", o.NKey != "", o.Token != "", o.User != "" || o.Password != ""} {
		if set {
			ways++
		}
	}
	switch {
	case o.Dir != "" || o.Listen != "":
		return fmt.Errorf("%w: a storage folder and a listening address are for the in-process broker; leave out its URL", ErrSettings)
	case ways > 1:
		return fmt.Errorf("%w: give one of credentials file, key seed file, token, and user with password", ErrSettings)
	case (o.CertFile == "") != (o.KeyFile == ""):
		return fmt.Errorf("%w: a client certificate needs both its certificate file and its key file", ErrSettings)
	}
	for _, part := range strings.Split(o.URL, ",") {
		if _, err := url.Parse(strings.TrimSpace(part)); err != nil {
			return fmt.Errorf("%w: the broker URL can not be parsed", ErrSettings)
		}
	}
	for _, file := range []string{o.Credentials, o.NKey, o.CAFile, o.CertFile, o.KeyFile} {
		if file == "" {
			continue
		}
		if _, err := os.Stat(file); err != nil {
			return fmt.Errorf("%w: %w", ErrSettings, err)
		}
	}
	return nil
}

// place names the broker in errors and logs, without any secret.
func (b *Broker) place() string {
	if b.opts.URL == "" {
		return "in " + b.opts.Dir
	}
	parts := strings.Split(b.opts.URL, ",")
	for i, part := range parts {
		if u, err := url.Parse(strings.TrimSpace(part)); err == nil {
			u.User = nil
			parts[i] = u.String()
		}
	}
	return "at " + strings.Join(parts, ",")
}

// ClientURL is where other NATS clients reach the broker: the address that the in-process server listens on, or the external server
// now connected to. It is empty when there is no port.
func (b *Broker) ClientURL() string {
	if b.server == nil {
		return b.nc.ConnectedUrlRedacted()
	}
	return b.server.clientURL()
}

// Health asks the events stream for its state. It returns ErrUnavailable when there is no answer in time, and ErrFull when less room is
// left in the stream than the largest message needs or the disk of the in-process server is nearly full, and ErrDamaged as Damage does. Whether an external server has
// room on its disk only publishing can tell.
func (b *Broker) Health(ctx context.Context) error {
	if err := errors.Join(b.writable(), b.Damage()); err != nil {
		return fmt.Errorf("broker health: %w", err)
	}
	state, err := b.StreamState(ctx)
	if err != nil {
		return fmt.Errorf("broker health: %w", err)
	}
	if state.MaxBytes > 0 && uint64(state.MaxBytes) < state.Bytes+maxMsgBytes {
		return fmt.Errorf("broker health: %s holds %d of %d bytes: %w", state.Name, state.Bytes, state.MaxBytes, ErrFull)
	}
	return nil
}

// Close ends the connection and, in process, shuts the server down and waits until its storage is closed and synced, or until ctx ends.
// Closing again does nothing.
func (b *Broker) Close(ctx context.Context) error {
	if !b.closed.CompareAndSwap(false, true) {
		return nil
	}
	if b.nc != nil {
		flushing, cancel := context.WithTimeout(ctx, requestTimeout)
		defer cancel()
		if b.nc.IsConnected() {
			if err := b.nc.FlushWithContext(flushing); err != nil {
				b.log.Warn("flush before closing the broker connection", "error", err)
			}
		}
		b.nc.Close()
	}
	if b.server == nil {
		return nil
	}
	if err := b.server.stop(ctx); err != nil {
		return fmt.Errorf("close broker %s: %w", b.place(), err)
	}
	return nil
}

// request gives ctx the deadline of one request.
func request(ctx context.Context) (context.Context, context.CancelFunc) {
	return context.WithTimeout(ctx, requestTimeout)
}
