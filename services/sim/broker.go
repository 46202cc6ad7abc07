package sim

import (
	"context"
	"errors"
	"fmt"
	"time"

	"spoilbook/services/ledger"
)

var (
	errBrokerDown = errors.New("the broker does not answer")
	errBrokerFull = errors.New("the broker is full")
	errUnanswered = errors.New("the broker's answer was lost")
)

// broker is a stream of messages with sequences from 1. What it has acknowledged
// is synced; a crash may take what it has not, and makes it forget the last
// acknowledgements of its reader. Its storage can be lost as a whole; the stream
// that is then made has another name.
type broker struct {
	w       *world
	p       *profile
	flaws   *flaws
	up      bool
	full    bool
	epoch   int
	session int // counts crashes; what was going on before one is over
	logs    map[string][]ledger.Delivery
	batches []int // messages in each batch that is not synced
	synced  int
	floor   uint64 // acknowledged by the reader
	kept    uint64 // of floor, on disk
	skew    time.Duration
	last    map[string][]byte // the last receipt of each subject
	onSync  func()
}

func newBroker(w *world, p *profile, f *flaws) *broker {
	b := &broker{w: w, p: p, flaws: f, up: true, epoch: 1, logs: map[string][]ledger.Delivery{}, last: map[string][]byte{}}
	w.scheduled(p.brokerCrash, func() { b.crash() })
	w.scheduled(p.jump/2, func() {
		w.count("clock-jump-broker")
		b.skew = w.between(-48*time.Hour, 48*time.Hour)
		w.log("broker", "clock jumps to %v off", b.skew.Round(time.Second))
		w.after(w.about(3*time.Hour), func() { b.skew = w.between(-time.Second, time.Second) })
	})
	w.scheduled(p.diskFul, func() {
		w.count("disk-full-broker")
		b.full = true
		w.log("broker", "disk full")
		w.after(w.about(2*time.Hour), func() { b.full = false })
	})
	if p.brokerReplace {
		w.after(w.between(6*time.Hour, 40*time.Hour), b.replace)
	}
	return b
}

func (b *broker) stream() string { return fmt.Sprintf("SIMULATED@%d", b.epoch) }

func (b *broker) log() []ledger.Delivery { return b.logs[b.stream()] }

func (b *broker) clock() time.Time { return epoch().Add(b.w.now + b.skew).Truncate(time.Millisecond) }

// write appends a batch without syncing it.
func (b *broker) write(msgs []ledger.Message) (first int, err error) {
	switch {
	case !b.up:
		return 0, errBrokerDown
	case b.full && !b.w.calm:
		return 0, errBrokerFull
	}
	log := b.log()
	for _, m := range msgs {
		log = append(log, ledger.Delivery{Subject: m.Subject, Body: m.Body, StreamSeq: uint64(len(log) + 1), Received: b.clock()})
	}
	b.logs[b.stream()] = log
	b.batches = append(b.batches, len(msgs))
	return len(log) - len(msgs) + 1, nil
}

// sync makes everything written durable.
func (b *broker) sync() {
	b.synced, b.batches = len(b.log()), b.batches[:0]
	b.onSync()
}

// publish stores a batch for a truck; acked is called once it is synced.
func (b *broker) publish(msgs []ledger.Message, acked func()) error {
	first, err := b.write(msgs)
	if err != nil {
		return err
	}
	b.w.log("broker", "takes %s %d to %d", msgs[0].Subject, first, first+len(msgs)-1)
	if b.flaws.ackUnsynced {
		acked()
	}
	session := b.session
	torn := b.w.fault("crash-broker-before-sync", b.p.brokerTorn)
	b.w.after(b.w.between(time.Millisecond, 40*time.Millisecond), func() {
		switch {
		case b.session != session:
			return
		case torn:
			b.crash()
			return
		}
		b.sync()
		if !b.flaws.ackUnsynced {
			acked()
		}
	})
	return nil
}

// crash stops the broker and starts it again later.
func (b *broker) crash() {
	if !b.up {
		return
	}
	b.up = false
	b.session++
	b.w.count("crash-broker")
	kept := b.synced
	for len(b.batches) > 0 && b.w.chance(0.5) { // written back before the crash by chance
		kept += b.batches[0]
		b.batches = b.batches[1:]
	}
	if lost := len(b.log()) - kept; lost > 0 {
		b.w.count("torn-write-broker")
		b.w.log("broker", "loses %d messages that were not synced", lost)
	}
	b.logs[b.stream()] = b.log()[:kept]
	b.synced, b.batches = kept, b.batches[:0]
	if b.floor > b.kept {
		b.w.count("acknowledgement-forgotten")
	}
	b.floor = b.kept
	back := b.w.about(5 * time.Minute)
	b.w.log("broker", "crashes at message %d, back in %v", kept, back.Round(time.Second))
	b.w.after(back, b.start)
}

func (b *broker) start() {
	if !b.up {
		b.up = true
		b.w.log("broker", "starts at message %d", len(b.log()))
		b.onSync()
	}
}

// replace loses the storage, at a time when it holds what the reader has not
// handled; a new stream is made.
func (b *broker) replace() {
	switch {
	case b.w.calm:
		return
	case b.floor == uint64(b.synced):
		b.w.after(b.w.between(time.Second, 5*time.Minute), b.replace)
		return
	}
	b.w.count("broker-storage-lost")
	b.session++
	b.epoch++
	b.synced, b.batches, b.floor, b.kept = 0, b.batches[:0], 0, 0
	b.w.log("broker", "storage lost; new stream %s", b.stream())
	b.onSync()
}

// Publish stores messages for a desk, as a ledger.Publisher does.
func (b *broker) Publish(_ context.Context, msgs []ledger.Message) ([]uint64, error) {
	first, err := b.write(msgs)
	if err != nil {
		return nil, err
	}
	b.sync()
	if b.w.fault("publish-unanswered", b.p.unanswered) {
		return nil, errUnanswered
	}
	seqs := make([]uint64, len(msgs))
	for i := range seqs {
		seqs[i] = uint64(first + i)
	}
	return seqs, nil
}

// Stream names the stream as the store knows it.
func (b *broker) Stream(context.Context) (string, error) {
	if !b.up {
		return "", errBrokerDown
	}
	return b.stream(), nil
}

// Health reports whether the broker answers.
func (b *broker) Health(context.Context) error {
	if !b.up {
		return errBrokerDown
	}
	return nil
}

// session is one reader's session.
type session struct {
	b      *broker
	stream string
	next   uint64
}

// consume begins a session at a sequence.
func (b *broker) consume(from uint64) (*session, error) {
	switch {
	case !b.up:
		return nil, errBrokerDown
	case from > uint64(b.synced)+1:
		return nil, ledger.Fail(ledger.Damaged, "the stream ends at %d but %d was handled", b.synced, from-1)
	}
	b.floor, b.kept = from-1, min(b.kept, from-1)
	return &session{b, b.stream(), from}, nil
}

// Fetch returns the next synced messages, at most limit.
func (s *session) Fetch(_ context.Context, limit int, _ time.Duration) ([]ledger.Delivery, error) {
	b := s.b
	if !b.up || s.stream != b.stream() {
		return nil, errBrokerDown
	}
	if s.next > b.floor+1 && b.w.fault("redelivery", b.p.again) {
		s.next = b.floor + 1
	}
	from := int(s.next - 1)
	if b.w.chance(0.3) { // a reader does not wait long for a batch to fill
		limit = 1 + b.w.rng.IntN(limit)
	}
	to := min(b.synced, from+limit)
	if from >= to {
		return nil, nil
	}
	s.next = uint64(to + 1)
	return append([]ledger.Delivery(nil), b.log()[from:to]...), nil
}

// Ack remembers that everything up to a sequence is handled; the disk has it a
// while later.
func (s *session) Ack(_ context.Context, upTo uint64) error {
	b := s.b
	if !b.up || s.stream != b.stream() {
		return errBrokerDown
	}
	b.floor = max(b.floor, upTo)
	if b.w.chance(0.3) {
		b.kept = b.floor
	}
	return nil
}

// pending counts the messages that the session has not given.
func (s *session) pending() int {
	if s.stream != s.b.stream() {
		return 1 // so that the reader finds out
	}
	return s.b.synced - int(s.next-1)
}
