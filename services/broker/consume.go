package broker

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

const (
	intakeConsumer = "intake"

	// MaxFetch is the most messages one Fetch returns.
	MaxFetch = 4096

	maxAckPending = 4 * MaxFetch
	ackWait       = 30 * time.Second
	ackTimeout    = 2 * time.Second
)

// Delivery is one message of the events stream.
type Delivery struct {
	Subject    string // without the events prefix; whatever a foreign client published, so not always a kind and a name
	Body       []byte
	StreamSeq  uint64
	Received   time.Time // when the broker stored it, by the broker's clock
	Deliveries int       // how often the broker has sent it in this session
}

// ConsumeOptions say where a session begins.
type ConsumeOptions struct {
	// From is the stream sequence of the first delivery wanted; everything before it counts as acknowledged. 0 continues after the last
	// acknowledged message as the broker remembers it. A ledger that knows its own position gives it here: only so is a broker whose
	// storage has gone back in time found out (ErrDamaged), and a ledger restored from an older backup gets the rest again.
	From uint64
}

// Consumer is a session of the one durable reader, "intake". A session returns every message once, in stream order and without gaps,
// from the first not yet acknowledged. Sessions of two processes disturb each other: hold a Lease. It is safe for use by several
// goroutines; fetches follow one another.
type Consumer struct {
	b      *Broker
	stream jetstream.Stream

	fetching sync.Mutex // held by Fetch and Rewind

	mu         sync.Mutex // guards what follows
	next       uint64     // sequence the next delivery must have
	acked      uint64     // everything up to here is acknowledged
	replies    []reply    // of deliveries not yet acknowledged, ascending
	gap        *GapError  // found missing: every Fetch returns it until Rewind
	last       Delivery   // that was taken, without its body: how to know the stream again
	stale      bool       // the server may have sent what never arrived
	unchecked  bool       // the end of the stream was not compared with next since the server was told where to begin
	reconnects uint64     // of the connection, when the server was last told where to begin
}

// reply is where the acknowledgement of a delivery goes.
type reply struct {
	seq uint64
	to  string
}

func bySeq(r reply, seq uint64) int { return cmp.Compare(r.seq, seq) }

// Consume begins a session. Messages that an earlier session fetched and did not acknowledge are delivered again at once.
func (b *Broker) Consume(ctx context.Context, o ConsumeOptions) (*Consumer, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	c, err := b.consume(ctx, o)
	if err != nil {
		return nil, fmt.Errorf("consume %s: %w", EventsStream, classify(err))
	}
	return c, nil
}

func (b *Broker) consume(ctx context.Context, o ConsumeOptions) (*Consumer, error) {
	s, err := b.js.Stream(ctx, EventsStream)
	if err != nil {
		return nil, err
	}
	info, err := ensureIntake(ctx, s)
	if err != nil {
		return nil, err
	}
	from := o.From
	if from == 0 {
		from = info.AckFloor.Stream + 1
	}
	if last := s.CachedInfo().State.LastSeq; from > last+1 {
		return nil, fmt.Errorf("%w: the stream ends at sequence %d but everything before %d was handled already. Restore the broker's "+
			"storage, or begin again with ConsumeOptions.From and have repeats removed", ErrDamaged, last, from)
	}
	c := &Consumer{b: b, stream: s, next: from, acked: from - 1}
	return c, c.reset(ctx, from)
}

// ensureIntake creates the durable consumer, or checks the one that exists.
func ensureIntake(ctx context.Context, s jetstream.Stream) (*jetstream.ConsumerInfo, error) {
	want := jetstream.ConsumerConfig{
		Durable:       intakeConsumer,
		Description:   "Reads all events into the ledger.",
		DeliverPolicy: jetstream.DeliverAllPolicy,
		AckPolicy:     jetstream.AckAllPolicy,
		AckWait:       ackWait,
		MaxDeliver:    -1,
		MaxAckPending: maxAckPending,
	}
	c, err := s.Consumer(ctx, intakeConsumer)
	if errors.Is(err, jetstream.ErrConsumerNotFound) {
		c, err = s.CreateConsumer(ctx, want)
	}
	if err != nil {
		return nil, err
	}
	info := c.CachedInfo()
	have := info.Config
	if have.AckPolicy != want.AckPolicy || have.DeliverPolicy != want.DeliverPolicy || have.MaxDeliver > 0 ||
		have.FilterSubject != "" || len(have.FilterSubjects) > 0 {
		return nil, fmt.Errorf("%w: consumer %s exists with settings under which messages could be skipped (it must acknowledge all, deliver "+
			"all without a limit, and have no filter). Delete it; it is created again from the start", ErrSettings, intakeConsumer)
	}
	return info, nil
}

// reset has the server deliver from a sequence on, and count what comes before as acknowledged. The caller holds mu.
func (c *Consumer) reset(ctx context.Context, from uint64) error {
	reconnects := c.b.nc.Stats().Reconnects
	if err := c.recognise(ctx); err != nil {
		return err
	}
	// Someone may have deleted the consumer, and then nobody answers. Its position is known here, so that nothing is lost by that.
	if _, err := ensureIntake(ctx, c.stream); err != nil {
		return err
	}
	if _, err := c.stream.ResetConsumerToSequence(ctx, intakeConsumer, from); err != nil {
		return fmt.Errorf("go to sequence %d: %w", from, err)
	}
	// A reset counts deliveries from one again, so that the server would take older reply addresses for newer ones.
	c.replies, c.stale, c.unchecked, c.reconnects = nil, false, true, reconnects
	return nil
}

// recognise looks whether the stream still holds the last message that this session took. A server that was started on older storage gives
// sequences again that were given before, and the messages there would be taken for old ones. The caller holds mu.
func (c *Consumer) recognise(ctx context.Context) error {
	if c.last.StreamSeq == 0 {
		return nil
	}
	m, err := c.b.Message(ctx, c.last.StreamSeq)
	if err != nil && !errors.Is(err, ErrNotFound) {
		return err
	}
	if err != nil || !m.Received.Equal(c.last.Received) || m.Subject != c.last.Subject {
		return fmt.Errorf("%w: the stream does not hold any more what it held at sequence %d. Restore the broker's storage, or begin again "+
			"with ConsumeOptions.From and have repeats removed", ErrDamaged, c.last.StreamSeq)
	}
	return nil
}

// checkEnd reports messages that are missing at the end of the stream, where no later message shows the gap. Once after the server was told
// where to begin is enough: a running server does not lose what it has stored.
func (c *Consumer) checkEnd(ctx context.Context) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.unchecked {
		return nil
	}
	state, err := c.b.StreamState(ctx)
	if err != nil {
		return err
	}
	if state.LastSeq >= c.next {
		if err := c.missing(ctx, state.LastSeq+1); !errors.Is(err, errSkipped) {
			return err
		}
		// It came just now.
		return nil
	}
	c.unchecked = false
	return nil
}

// Fetch returns the next messages in stream order: as soon as there are limit of them (at most MaxFetch) or 16 MiB, or when wait has
// passed since the first. It waits for the first no longer than wait and then returns none. What it has returned it does not return
// again in this session unless Rewind is called. Messages come with no error, or an error with no messages. A session that leaves
// 16384 messages unacknowledged gets no more.
func (c *Consumer) Fetch(ctx context.Context, limit int, wait time.Duration) ([]Delivery, error) {
	c.fetching.Lock()
	defer c.fetching.Unlock()
	f := &fetchCall{c: c, limit: max(1, min(limit, MaxFetch)), wait: max(wait, minPull)}
	if err := f.run(ctx); err != nil && len(f.got) == 0 {
		return nil, fmt.Errorf("fetch from %s: %w", EventsStream, classify(err))
	}
	// What arrived before an error is whole and in order. The next Fetch meets the cause again if it lasts.
	return f.got, nil
}

// prepare refuses to fetch over a gap, and has the server repeat what may have been lost on its way.
func (c *Consumer) prepare(ctx context.Context) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.b.closed.Load():
		return ErrClosed
	case c.gap != nil:
		return c.gap
	case !c.stale && c.reconnects == c.b.nc.Stats().Reconnects:
		return nil
	}
	return c.skipBack(ctx)
}

// skipBack has the server repeat everything not acknowledged; take drops what was returned already. The caller holds mu.
func (c *Consumer) skipBack(ctx context.Context) error {
	ctx, cancel := request(ctx)
	defer cancel()
	return c.reset(ctx, c.acked+1)
}

func (c *Consumer) markStale() {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.stale = true
}

// take returns a message if it is the next one, drops it if it was returned before, and reports a gap otherwise.
func (c *Consumer) take(ctx context.Context, m *nats.Msg) (d Delivery, ok bool, err error) {
	meta, err := m.Metadata()
	if err != nil {
		return d, false, err
	}
	seq := meta.Sequence.Stream
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case seq < c.next:
		return d, false, nil
	case seq > c.next:
		return d, false, c.missing(ctx, seq)
	}
	c.next++
	c.replies = append(c.replies, reply{seq: seq, to: m.Reply})
	d = Delivery{
		Subject: strings.TrimPrefix(m.Subject, EventsPrefix), StreamSeq: seq, Received: meta.Timestamp, Deliveries: int(meta.NumDelivered),
	}
	c.last = d
	d.Body = m.Data
	return d, true, nil
}

// errSkipped means that messages were sent which never arrived, and that the server can repeat them.
var errSkipped = fmt.Errorf("%w: deliveries keep getting lost on their way", ErrUnavailable)

// missing tells apart a message that was lost on its way to us, which the server can repeat, from one that the stream has lost. The
// caller holds mu.
func (c *Consumer) missing(ctx context.Context, seq uint64) error {
	c.stale = true
	_, err := c.b.Message(ctx, c.next)
	switch {
	case err == nil:
		return errSkipped
	case errors.Is(err, ErrNotFound):
		c.gap = &GapError{First: c.next, Last: seq - 1}
		return c.gap
	}
	return err
}

// Rewind makes the next Fetch begin after the last acknowledged message, for a caller that could not handle what it was given.
func (c *Consumer) Rewind(ctx context.Context) error {
	c.fetching.Lock()
	defer c.fetching.Unlock()
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.skipBack(ctx); err != nil {
		return fmt.Errorf("rewind %s: %w", EventsStream, classify(err))
	}
	c.next, c.gap = c.acked+1, nil
	return nil
}

// Ack confirms that everything up to and including a sequence is handled, and returns when the server has taken that in. A later session
// begins after it. After a crash of the server the last acknowledgements may be forgotten, so that messages come again; never the reverse.
func (c *Consumer) Ack(ctx context.Context, upToStreamSeq uint64) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	switch {
	case c.b.closed.Load():
		return ErrClosed
	case upToStreamSeq <= c.acked:
		return nil
	case upToStreamSeq >= c.next:
		return fmt.Errorf("acknowledge up to %d: not fetched yet, next is %d", upToStreamSeq, c.next)
	}
	if err := c.confirm(ctx, upToStreamSeq); err != nil {
		return fmt.Errorf("acknowledge up to %d: %w", upToStreamSeq, classify(err))
	}
	c.acked = upToStreamSeq
	n, _ := slices.BinarySearchFunc(c.replies, upToStreamSeq+1, bySeq)
	c.replies = slices.Delete(c.replies, 0, n)
	return nil
}

func (c *Consumer) confirm(ctx context.Context, seq uint64) error {
	i, found := slices.BinarySearchFunc(c.replies, seq, bySeq)
	if found {
		acking, cancel := context.WithTimeout(ctx, ackTimeout)
		defer cancel()
		_, err := c.b.nc.RequestWithContext(acking, c.replies[i].to, []byte("+ACK"))
		if err == nil || ctx.Err() != nil || !c.b.nc.IsConnected() {
			return err
		}
	}
	// A restarted server may not know the delivery any more and would leave its acknowledgement unanswered.
	resetting, cancel := request(ctx)
	defer cancel()
	return c.reset(resetting, seq+1)
}

// Pending counts the messages not yet acknowledged.
func (c *Consumer) Pending(ctx context.Context) (uint64, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	consumer, err := c.stream.Consumer(ctx, intakeConsumer)
	if err != nil {
		return 0, fmt.Errorf("count pending messages: %w", classify(err))
	}
	info := consumer.CachedInfo()
	return info.NumPending + uint64(info.NumAckPending), nil
}
