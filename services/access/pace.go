package access

import (
	"container/list"
	"net"
	"net/netip"
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// Turnstile lets each of many come through so often and no oftener: so many a second, and so many at once after a rest. It remembers the keys
// that came last, and no more of them than it was told; a key it has forgotten starts as if it had rested. It is safe for concurrent use.
type Turnstile struct {
	limit rate.Limit
	burst int
	kept  *recent[*rate.Limiter]
	now   func() time.Time
}

// NewTurnstile makes a turnstile; a nil clock is the real one.
func NewTurnstile(perSecond float64, burst, keys int, now func() time.Time) *Turnstile {
	if now == nil {
		now = time.Now
	}
	return &Turnstile{limit: rate.Limit(perSecond), burst: burst, kept: newRecent[*rate.Limiter](keys), now: now}
}

// Pass lets a key through and returns 0, or returns how long it has to wait before it is let through.
func (t *Turnstile) Pass(key string) time.Duration {
	t.kept.mu.Lock()
	defer t.kept.mu.Unlock()
	l, ok := t.kept.get(key)
	if !ok {
		l = rate.NewLimiter(t.limit, t.burst)
		t.kept.put(key, l)
	}
	now := t.now()
	r := l.ReserveN(now, 1)
	wait := r.DelayFrom(now)
	if wait > 0 {
		r.CancelAt(now) // who is refused has used nothing up
	}
	return wait
}

// Keys returns how many keys are remembered.
func (t *Turnstile) Keys() int {
	t.kept.mu.Lock()
	defer t.kept.mu.Unlock()
	return len(t.kept.items)
}

// recent keeps the values of the keys that were used last. Its caller holds mu.
type recent[V any] struct {
	mu    sync.Mutex
	most  int
	items map[string]*list.Element
	order *list.List // of pairs, the last used in front
}

type pair[V any] struct {
	key   string
	value V
}

func newRecent[V any](most int) *recent[V] {
	return &recent[V]{most: max(1, most), items: map[string]*list.Element{}, order: list.New()}
}

func (r *recent[V]) get(key string) (V, bool) {
	e, ok := r.items[key]
	if !ok {
		var none V
		return none, false
	}
	r.order.MoveToFront(e)
	return e.Value.(pair[V]).value, true
}

func (r *recent[V]) put(key string, value V) {
	if e, ok := r.items[key]; ok {
		e.Value = pair[V]{key, value}
		r.order.MoveToFront(e)
		return
	}
	if len(r.items) >= r.most {
		last := r.order.Back()
		delete(r.items, last.Value.(pair[V]).key)
		r.order.Remove(last)
	}
	r.items[key] = r.order.PushFront(pair[V]{key, value})
}

func (r *recent[V]) remove(key string) {
	if e, ok := r.items[key]; ok {
		delete(r.items, key)
		r.order.Remove(e)
	}
}

func (r *recent[V]) drop(match func(key string) bool) {
	for key, e := range r.items {
		if match(key) {
			delete(r.items, key)
			r.order.Remove(e)
		}
	}
}

// Place is the part of an address by which tries are counted: an IPv4 address as it is, of an IPv6 address the network of 64 bits, for one
// machine has all of it.
func Place(address string) string {
	if host, _, err := net.SplitHostPort(address); err == nil {
		address = host
	}
	a, err := netip.ParseAddr(address)
	if err != nil {
		return "unknown"
	}
	if a = a.Unmap().WithZone(""); a.Is4() {
		return a.String()
	}
	p, err := a.Prefix(64)
	if err != nil {
		return "unknown"
	}
	return p.Masked().String()
}
