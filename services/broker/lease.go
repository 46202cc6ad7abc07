package broker

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

const (
	leaseBucket      = "SPOILBOOK_LEASES"
	leaseBucketBytes = 1 << 20

	minLeaseTTL   = 100 * time.Millisecond
	maxLeaseTTL   = 10 * time.Minute
	leaseRenewals = 4 // in one TTL; the last quarter is the margin of Valid
	leaseLooks    = 8 // at a held lease, in one TTL
	leaseAttempts = 8 // to write a lease that others write at the same time
)

// Lease is the right to be the one that does something, such as reading the events stream.
//
// Nobody compares clocks. The holder writes its key again every quarter of the TTL. A contender takes over when it has watched the
// key stay the same for the whole TTL by its own steady clock, with a write that the broker refuses if the key has changed meanwhile. The
// holder stops trusting its lease after three quarters of the TTL since it sent its last successful write, which is before any
// contender could have seen that write.
type Lease struct {
	b      *Broker
	kv     jetstream.KeyValue
	name   string
	record leaseRecord
	value  []byte

	mu       sync.Mutex
	revision uint64
	renewed  time.Time // when the last successful write was sent
	lost     bool

	done   chan struct{}
	cancel context.CancelFunc
	ended  chan struct{}
}

// leaseRecord is what the key holds.
type leaseRecord struct {
	Holder string `json:"holder"`
	Token  string `json:"token"` // of one holding, as a holder's name may be used again
	TTLMS  int64  `json:"ttl_ms"`
}

// Lease acquires a lease, or fails with a *LeaseHeldError as soon as the present holder shows that it is alive. When the holder is gone
// without a Release this takes the TTL it left. Name and holder are tokens as in a subject; the TTL is 100 ms to 10 min.
func (b *Broker) Lease(ctx context.Context, name, holder string, ttl time.Duration) (*Lease, error) {
	for _, token := range []string{name, holder} {
		if err := checkToken(token); err != nil {
			return nil, fmt.Errorf("lease %q for %q: %w", name, holder, err)
		}
	}
	if ttl < minLeaseTTL || ttl > maxLeaseTTL {
		return nil, fmt.Errorf("lease %s: %w: time to live %s is not from %s to %s", name, ErrSettings, ttl, minLeaseTTL, maxLeaseTTL)
	}
	kv, err := b.leases(ctx)
	if err != nil {
		return nil, fmt.Errorf("lease %s: %w", name, classify(err))
	}
	record := leaseRecord{Holder: holder, Token: rand.Text(), TTLMS: ttl.Milliseconds()}
	value, err := json.Marshal(record)
	if err != nil {
		return nil, fmt.Errorf("lease %s: %w", name, err)
	}
	l := &Lease{b: b, kv: kv, name: name, record: record, value: value, done: make(chan struct{}), ended: make(chan struct{})}
	if err := l.acquire(ctx); err != nil {
		return nil, fmt.Errorf("lease %s for %s: %w", name, holder, classify(err))
	}
	running, cancel := context.WithCancel(context.WithoutCancel(ctx))
	l.cancel = cancel
	go l.keep(running)
	return l, nil
}

// leases opens the bucket of leases, or creates it. In a server that only this process can reach, leases end with the process, so that a
// restart need not wait for them.
func (b *Broker) leases(ctx context.Context) (jetstream.KeyValue, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	kv, err := b.js.KeyValue(ctx, leaseBucket)
	if !errors.Is(err, jetstream.ErrBucketNotFound) {
		return kv, err
	}
	storage := jetstream.FileStorage
	if b.server != nil && !b.server.port {
		storage = jetstream.MemoryStorage
	}
	kv, err = b.js.CreateKeyValue(ctx, jetstream.KeyValueConfig{
		Bucket: leaseBucket, Description: "Who does what only one may do.", MaxBytes: leaseBucketBytes, Storage: storage,
		Replicas: b.opts.Replicas,
	})
	if errors.Is(err, jetstream.ErrBucketExists) {
		return b.js.KeyValue(ctx, leaseBucket)
	}
	return kv, err
}

func (l *Lease) ttl() time.Duration { return time.Duration(l.record.TTLMS) * time.Millisecond }

// acquire writes the key if nobody has it, or if its holder let it stand for its whole TTL.
func (l *Lease) acquire(ctx context.Context) error {
	var lastErr error
	begun := time.Now()
	for range leaseAttempts {
		err := l.write(ctx, func(ctx context.Context) (uint64, error) { return l.kv.Create(ctx, l.name, l.value) }, time.Now())
		if err == nil || !errors.Is(err, jetstream.ErrKeyExists) {
			return err
		}
		lastErr = err
		held, revision, err := l.watch(ctx)
		switch {
		case errors.Is(err, jetstream.ErrKeyNotFound):
			continue
		case err != nil:
			return err
		case held.Token == l.record.Token:
			// An earlier attempt was stored although its answer was lost.
			l.revision, l.renewed = revision, begun
			return nil
		}
		err = l.update(ctx, revision)
		if err == nil || !errors.Is(err, jetstream.ErrKeyRevisionMismatch) {
			return err
		}
		lastErr = err
	}
	return lastErr
}

func (l *Lease) write(ctx context.Context, put func(context.Context) (uint64, error), sent time.Time) error {
	ctx, cancel := request(ctx)
	defer cancel()
	revision, err := put(ctx)
	if err != nil {
		return err
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.revision, l.renewed = revision, sent
	return nil
}

// watch looks at a held key until its holder's TTL has passed without a change. A change means that the holder is alive.
func (l *Lease) watch(ctx context.Context) (leaseRecord, uint64, error) {
	first, err := l.look(ctx)
	if err != nil {
		return leaseRecord{}, 0, err
	}
	seen := time.Now()
	held, ttl := first.record, first.ttl()
	for time.Since(seen) < ttl && held.Token != l.record.Token {
		if err := pause(ctx, min(ttl/leaseLooks, ttl-time.Since(seen)+time.Millisecond)); err != nil {
			return held, 0, err
		}
		now, err := l.look(ctx)
		if err != nil {
			return held, 0, err
		}
		if now.revision != first.revision {
			return held, 0, &LeaseHeldError{Name: l.name, Holder: now.record.Holder}
		}
	}
	return held, first.revision, nil
}

type leaseLook struct {
	record   leaseRecord
	revision uint64
}

// ttl is what the holder promised to renew within, kept to what a lease can have.
func (l leaseLook) ttl() time.Duration {
	return max(minLeaseTTL, min(time.Duration(l.record.TTLMS)*time.Millisecond, maxLeaseTTL))
}

func (l *Lease) look(ctx context.Context) (leaseLook, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	entry, err := l.kv.Get(ctx, l.name)
	if err != nil {
		return leaseLook{}, err
	}
	look := leaseLook{revision: entry.Revision()}
	if err := json.Unmarshal(entry.Value(), &look.record); err != nil {
		return leaseLook{}, fmt.Errorf("%w: key %s of bucket %s does not hold a lease; delete it: %w", ErrSettings, l.name, leaseBucket, err)
	}
	return look, nil
}

// keep renews the lease until it is lost or released.
func (l *Lease) keep(ctx context.Context) {
	defer close(l.ended)
	defer l.lose()
	wait := l.ttl() / leaseRenewals
	for {
		if err := pause(ctx, min(wait, max(0, l.trustLeft()))); err != nil {
			return
		}
		left := l.trustLeft()
		if left <= 0 {
			l.b.log.Error("lease lost: it could not be renewed in time", "lease", l.name)
			return
		}
		err := l.renew(ctx, min(l.ttl()/leaseRenewals, left))
		wait = l.ttl() / leaseRenewals
		switch {
		case ctx.Err() != nil:
			return
		case errors.Is(err, ErrLeaseHeld), errors.Is(err, jetstream.ErrKeyNotFound):
			l.b.log.Error("lease lost", "lease", l.name, "error", err)
			return
		case err != nil:
			wait /= leaseRenewals
			l.b.log.Warn("lease not renewed, trying again", "lease", l.name, "error", err)
		}
	}
}

func (l *Lease) renew(ctx context.Context, timeout time.Duration) error {
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	err := l.update(ctx, l.lastRevision())
	if !errors.Is(err, jetstream.ErrKeyRevisionMismatch) {
		return err
	}
	now, err := l.look(ctx)
	if err != nil {
		return err
	}
	if now.record.Token != l.record.Token {
		return &LeaseHeldError{Name: l.name, Holder: now.record.Holder}
	}
	// A renewal whose answer was lost was stored after all.
	return l.update(ctx, now.revision)
}

func (l *Lease) update(ctx context.Context, revision uint64) error {
	return l.write(ctx, func(ctx context.Context) (uint64, error) { return l.kv.Update(ctx, l.name, l.value, revision) }, time.Now())
}

func (l *Lease) lastRevision() uint64 {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.revision
}

// trustLeft is how long the lease can be trusted without a renewal. The steady clock stands still while some machines sleep and the wall
// clock can be set, so the one that has gone further counts.
func (l *Lease) trustLeft() time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := time.Now()
	passed := max(now.Sub(l.renewed), now.Round(0).Sub(l.renewed.Round(0)))
	return l.ttl() - l.ttl()/leaseRenewals - passed
}

// Valid reports whether the lease is still held. It turns false before another holder could get the lease.
func (l *Lease) Valid() bool {
	select {
	case <-l.done:
		return false
	default:
		return l.trustLeft() > 0
	}
}

// Done is closed when the lease is lost or released.
func (l *Lease) Done() <-chan struct{} { return l.done }

func (l *Lease) lose() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.lost {
		l.lost = true
		close(l.done)
	}
}

// Release gives the lease up, so that another can have it at once. Releasing a lost lease does nothing.
func (l *Lease) Release(ctx context.Context) error {
	l.lose()
	l.cancel()
	<-l.ended
	ctx, cancel := request(ctx)
	defer cancel()
	now, err := l.look(ctx)
	switch {
	case errors.Is(err, jetstream.ErrKeyNotFound), err == nil && now.record.Token != l.record.Token:
		return nil
	case err == nil:
		err = l.kv.Delete(ctx, l.name, jetstream.LastRevision(now.revision))
	}
	if err != nil && !errors.Is(err, jetstream.ErrKeyRevisionMismatch) {
		return fmt.Errorf("release lease %s, which ends by itself within %s: %w", l.name, l.ttl(), classify(err))
	}
	return nil
}
