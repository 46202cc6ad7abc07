// Package fleet is the sources of a ledger's events as they behave out there: each
// keeps an event in its outbox until it has been told that the event is recorded,
// sends again what it was not told of, sends some things twice, breaks off uploads
// and loses patience. Nothing that a hub does may make a source lose an event.
//
// For example, the invented month has five sources. They run at once and the run
// ends when all outboxes are empty:
//
//	month, err := fleet.Month(rng)                       // register, office, three trucks
//	f := fleet.New(month, connect, fleet.Manners{Again: 10})
//	err = f.Run(ctx)                                     // while processes die
//	f.Recorded()                                         // every event, for its receipt came
package fleet

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// Event is one event as its source keeps it.
type Event struct {
	Source  events.Source
	ID      string
	Seq     uint64
	About   string // key of the event of another source that it is about; empty for most
	Message ledger.Message
}

// Key names an event: its source and id.
func (e *Event) Key() string { return string(e.Source) + " " + e.ID }

// Uplink is how a source reaches the hub.
type Uplink interface {
	// Deliver hands events over and returns nil only when the hub has said that
	// every one of them is recorded.
	Deliver(ctx context.Context, batch []Event) error
	// BreakOff begins to hand events over and goes away in the middle.
	BreakOff(ctx context.Context, batch []Event) error
	// Close gives the uplink up.
	Close()
}

// Manners are the chances, in percent of the parcels, that a source misbehaves.
type Manners struct {
	Again    int // sends a parcel twice, or one again that was recorded long ago
	BreakOff int // goes away in the middle of an upload
	GiveUp   int // waits only some milliseconds for the answer
}

// Kinds of misbehaviour, as Tally counts them.
const (
	SentTwice  = "an event is sent again after it was recorded"
	BrokenOff  = "a client breaks off in the middle of an upload"
	LostWaited = "a client does not wait for the answer, and sends again"
)

// Tally counts how often something was done and how many events were concerned.
type Tally struct{ Times, Events int }

// Fleet is sources at work.
type Fleet struct {
	manners  Manners
	connect  func(events.Source) (Uplink, error)
	outboxes []*outbox
	recorded atomic.Int64
	total    int

	mu      sync.Mutex
	tallies map[string]Tally
	pending map[string]bool // by key, the events that are not known to be recorded
	moved   chan struct{}   // closed and replaced when something was recorded
	over    chan struct{}   // closed when Run returns
}

// outbox is the events of one source that are not known to be recorded.
type outbox struct {
	fleet   *Fleet
	source  events.Source
	rng     *rand.Rand
	waiting []Event
	known   []Event // recorded
}

// New returns a fleet that has events to send. Those of one source go in their
// order, and one that is about an event of another source, such as a correction, after
// that one is recorded, for nobody corrects what has not come. seed decides parcels and
// manners; connect makes the uplink of a source.
func New(list []Event, seed uint64, m Manners, connect func(events.Source) (Uplink, error)) *Fleet {
	f := &Fleet{manners: m, connect: connect, total: len(list), tallies: map[string]Tally{}, pending: map[string]bool{}, moved: make(chan struct{}), over: make(chan struct{})}
	for i := range list {
		at := slices.IndexFunc(f.outboxes, func(o *outbox) bool { return o.source == list[i].Source })
		if at < 0 {
			at = len(f.outboxes)
			f.outboxes = append(f.outboxes, &outbox{fleet: f, source: list[i].Source, rng: rand.New(rand.NewPCG(seed, uint64(at)))})
		}
		f.outboxes[at].waiting = append(f.outboxes[at].waiting, list[i])
		f.pending[list[i].Key()] = true
	}
	return f
}

// Total is how many events the fleet was given; Recorded how many of them it was
// told are recorded.
func (f *Fleet) Total() int { return f.total }

// Recorded is how many events were said to be recorded so far.
func (f *Fleet) Recorded() int { return int(f.recorded.Load()) }

// Waiting returns the events that are not known to be recorded. It must not be
// called while the fleet runs.
func (f *Fleet) Waiting() []Event {
	var all []Event
	for _, o := range f.outboxes {
		all = append(all, o.waiting...)
	}
	return all
}

// Tallies returns what the sources did that they should not.
func (f *Fleet) Tallies() map[string]Tally {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.tallies
}

func (f *Fleet) count(kind string, n int) {
	f.mu.Lock()
	defer f.mu.Unlock()
	t := f.tallies[kind]
	f.tallies[kind] = Tally{t.Times + 1, t.Events + n}
}

// Await waits until n events are recorded or Run returns, or ctx ends.
func (f *Fleet) Await(ctx context.Context, n int) error {
	for {
		f.mu.Lock()
		moved := f.moved
		f.mu.Unlock()
		if f.Recorded() >= n {
			return nil
		}
		select {
		case <-moved:
		case <-f.over:
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

func (f *Fleet) note(list []Event) {
	f.recorded.Add(int64(len(list)))
	f.mu.Lock()
	defer f.mu.Unlock()
	for i := range list {
		delete(f.pending, list[i].Key())
	}
	close(f.moved)
	f.moved = make(chan struct{})
}

// ErrRefused is the failure of an event that the hub did not want, which it must.
var ErrRefused = errors.New("the hub refuses an event")

// Run lets all sources send until every outbox is empty, ctx ends, the hub refuses
// an event, or it says that it is damaged. It is called once.
func (f *Fleet) Run(ctx context.Context) error {
	defer close(f.over)
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var wg sync.WaitGroup
	for _, o := range f.outboxes {
		wg.Go(func() {
			if err := o.run(ctx); err != nil {
				cancel(err)
			}
		})
	}
	wg.Wait()
	return context.Cause(ctx)
}

const (
	maxParcel = 60
	deliver   = 12 * time.Second // for one parcel, then it is sent again
	maxPause  = 250 * time.Millisecond
)

// run empties the outbox.
func (o *outbox) run(ctx context.Context) error {
	var up Uplink
	defer func() {
		if up != nil {
			up.Close()
		}
	}()
	var last error
	for pause := 5 * time.Millisecond; len(o.waiting) > 0; {
		if ctx.Err() != nil {
			if last == nil || context.Cause(ctx) != ctx.Err() {
				return context.Cause(ctx)
			}
			return fmt.Errorf("%s has %d events that are not recorded: %w", o.source, len(o.waiting), last)
		}
		err := error(nil)
		if up == nil {
			up, err = o.fleet.connect(o.source)
		}
		if err == nil {
			err = o.send(ctx, up)
		}
		switch {
		case errors.Is(err, ErrRefused), ledger.CodeOf(err) == ledger.Damaged:
			return err
		case err != nil:
			last = err
			select {
			case <-time.After(pause):
			case <-ctx.Done():
			}
			pause = min(pause*2, maxPause)
		default:
			pause = 5 * time.Millisecond
		}
	}
	return nil
}

// send delivers one parcel, with or without manners, and forgets what is recorded.
func (o *outbox) send(ctx context.Context, up Uplink) error {
	n, err := o.due(ctx, min(1+o.rng.IntN(maxParcel), len(o.waiting)))
	if err != nil {
		return err
	}
	parcel, m := o.waiting[:n], o.fleet.manners
	switch roll := o.rng.IntN(100); {
	case roll < m.BreakOff:
		o.fleet.count(BrokenOff, n)
		return up.BreakOff(ctx, parcel)
	case roll < m.BreakOff+m.GiveUp:
		o.fleet.count(LostWaited, n)
		short, cancel := context.WithTimeout(ctx, time.Duration(o.rng.IntN(15))*time.Millisecond)
		defer cancel()
		return o.deliver(short, up, parcel)
	case roll < m.BreakOff+m.GiveUp+m.Again && len(o.known) > 0:
		from := o.rng.IntN(len(o.known))
		old := o.known[from:min(from+n, len(o.known))]
		o.fleet.count(SentTwice, len(old))
		parcel = append(slices.Clone(old), parcel...)
	}
	ctx, cancel := context.WithTimeout(ctx, deliver)
	defer cancel()
	return o.deliver(ctx, up, parcel)
}

// due waits until the first event may be sent, and returns how many of the first most may.
func (o *outbox) due(ctx context.Context, most int) (int, error) {
	f := o.fleet
	for {
		f.mu.Lock()
		moved, n := f.moved, 0
		for n < most && (o.waiting[n].About == "" || !f.pending[o.waiting[n].About]) {
			n++
		}
		f.mu.Unlock()
		if n > 0 {
			return n, nil
		}
		select {
		case <-moved:
		case <-ctx.Done():
			return 0, context.Cause(ctx)
		}
	}
}

// deliver hands a parcel over that may begin with events that are known already.
func (o *outbox) deliver(ctx context.Context, up Uplink, parcel []Event) error {
	if err := up.Deliver(ctx, parcel); err != nil {
		return err
	}
	fresh := 0
	for i := range parcel {
		if fresh < len(o.waiting) && parcel[i].Key() == o.waiting[fresh].Key() {
			fresh++
		}
	}
	o.known = append(o.known, o.waiting[:fresh]...)
	o.fleet.note(o.waiting[:fresh])
	o.waiting = o.waiting[fresh:]
	return nil
}
