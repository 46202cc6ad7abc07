package api

import (
	"context"
	"slices"
	"sync"
	"time"

	"spoilbook/services/ledger"
)

const (
	// A window is handed over at one go, as one atomic batch of the broker, so that
	// its messages follow one another in the stream.
	windowEvents = 1000
	windowBytes  = 3 << 20

	mergedEvents  = 256     // small windows of a source are remembered together up to this many events
	maxSources    = 1 << 16 // with events on the way
	settledAbove  = 1024    // windows on the way, above which those recorded are looked for
	firstLook     = 5 * time.Millisecond
	longestLook   = 200 * time.Millisecond
	maxPublishing = 8 // windows at a time
)

// pace hands events over so that no source has more than its share on the way from
// the broker to the ledger. Positions follow the stream, so what one source has put
// there the events of all others wait behind: with a share, a truck that sends the
// backlog of a month delays a fresh event of another by no more than it takes to
// record one share, and the rest of the backlog waits where it is.
type pace struct {
	ledger   *ledger.Ledger
	most     int
	patience time.Duration
	publish  *gate

	mu      sync.Mutex
	sources map[string]*share // by subject, those with something on the way
	windows int               // in all shares
}

// share is what one source has on its way.
type share struct {
	events  int
	windows []window
}

// window is messages of one source that end at a message of the stream.
type window struct {
	stream string
	last   uint64
	events int
}

func newPace(l *ledger.Ledger, c Limits) *pace {
	return &pace{ledger: l, most: c.InFlight, patience: c.Patience, publish: newGate(maxPublishing, 1<<16), sources: map[string]*share{}}
}

// submit hands messages over in windows. On failure the tickets cover what was
// handed over.
func (p *pace) submit(ctx context.Context, msgs []ledger.Message) ([]ledger.Ticket, error) {
	if err := ledger.Acceptable(msgs); err != nil {
		return nil, err
	}
	var tickets []ledger.Ticket
	for len(msgs) > 0 {
		n := windowLength(msgs)
		t, err := p.window(ctx, msgs[:n])
		if t.Count > 0 {
			tickets = append(tickets, t)
		}
		if err != nil {
			return tickets, err
		}
		msgs = msgs[n:]
	}
	return tickets, nil
}

func windowLength(msgs []ledger.Message) int {
	size := 0
	for i := range msgs[:min(len(msgs), windowEvents)] {
		if size += len(msgs[i].Body); size > windowBytes && i > 0 {
			return i
		}
	}
	return min(len(msgs), windowEvents)
}

func (p *pace) window(ctx context.Context, msgs []ledger.Message) (ledger.Ticket, error) {
	counts := map[string]int{}
	for _, m := range msgs {
		counts[m.Subject]++
	}
	if err := p.reserve(ctx, counts); err != nil {
		return ledger.Ticket{}, err
	}
	var t ledger.Ticket
	leave, err := p.publish.enter(ctx)
	if err == nil {
		t, err = p.ledger.Submit(ctx, msgs)
		leave()
	}
	p.note(counts, t, err == nil)
	return t, err
}

// reserve waits until every source has room in its share. A source with nothing on
// the way always has, however long its window is.
func (p *pace) reserve(ctx context.Context, counts map[string]int) error {
	begun, before := time.Now(), uint64(0)
	for look := firstLook; ; look = min(2*look, longestLook) {
		admitted, crowded := p.admit(counts)
		if admitted && !crowded {
			return nil
		}
		stream, handled, err := p.ledger.Handled(ctx)
		if err == nil {
			p.settle(stream, handled)
		}
		if admitted {
			return nil
		}
		if err == nil && handled > before {
			begun, before = time.Now(), handled
		}
		if time.Since(begun) > p.patience {
			return ledger.Fail(ledger.Busy, "the source has %d events on the way and the intake does not move (it is at message %d)", p.most, handled)
		}
		select {
		case <-ctx.Done():
			return ledger.Wrap(ledger.TimedOut, ctx.Err(), "the source has %d events on the way; what was handed over is safe", p.most)
		case <-time.After(look):
		}
	}
}

// admit adds the counts to the shares if all fit. It also says whether so much is on
// the way that what is recorded should be looked for.
func (p *pace) admit(counts map[string]int) (admitted, crowded bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	crowded = p.windows > settledAbove
	for subject, n := range counts {
		s := p.sources[subject]
		if s == nil && len(p.sources)+len(counts) > maxSources || s != nil && s.events > 0 && s.events+n > p.most {
			return false, true
		}
	}
	for subject, n := range counts {
		if p.sources[subject] == nil {
			p.sources[subject] = &share{}
		}
		p.sources[subject].events += n
	}
	return true, crowded
}

// note remembers where a window ended, or gives its room back when it failed.
func (p *pace) note(counts map[string]int, t ledger.Ticket, published bool) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for subject, n := range counts {
		s := p.sources[subject]
		if !published {
			p.release(subject, s, n)
			continue
		}
		if end := len(s.windows) - 1; end >= 0 && s.windows[end].stream == t.Stream && s.windows[end].events+n <= mergedEvents {
			s.windows[end].last, s.windows[end].events = max(s.windows[end].last, t.Last), s.windows[end].events+n
			continue
		}
		s.windows = append(s.windows, window{t.Stream, t.Last, n})
		p.windows++
	}
}

// settle takes out what is recorded, and what was on the way in another stream.
func (p *pace) settle(stream string, handled uint64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	for subject, s := range p.sources {
		n := 0
		s.windows = slices.DeleteFunc(s.windows, func(w window) bool {
			done := w.stream != stream || w.last <= handled
			if done {
				n += w.events
				p.windows--
			}
			return done
		})
		p.release(subject, s, n)
	}
}

func (p *pace) release(subject string, s *share, n int) {
	if s.events -= n; s.events <= 0 && len(s.windows) == 0 {
		delete(p.sources, subject)
	}
}
