package broker

import (
	"errors"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

func mustLease(t *testing.T, b *Broker, holder string, ttl time.Duration) *Lease {
	t.Helper()
	l, err := b.Lease(t.Context(), "intake", holder, ttl)
	must(t, err)
	t.Cleanup(func() {
		if err := l.Release(t.Context()); err != nil && t.Context().Err() == nil {
			t.Errorf("release: %v", err)
		}
	})
	return l
}

func TestLeaseIsHeldByOne(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		first := mustLease(t, b, "first", 400*time.Millisecond)
		_, err := b.Lease(t.Context(), "intake", "second", 400*time.Millisecond)
		wantError(t, err, ErrLeaseHeld)
		var held *LeaseHeldError
		if !errors.As(err, &held) || held.Holder != "first" || held.Name != "intake" {
			t.Fatalf("error names %+v", held)
		}
		if !first.Valid() {
			t.Error("the first lease is not valid any more")
		}
		other, err := b.Lease(t.Context(), "another", "second", time.Minute)
		must(t, err)
		must(t, other.Release(t.Context()))

		must(t, first.Release(t.Context()))
		if first.Valid() {
			t.Error("a released lease is valid")
		}
		<-first.Done()
		begun := time.Now()
		second := mustLease(t, b, "second", time.Minute)
		if took := time.Since(begun); took > 10*time.Second {
			t.Errorf("a released lease took %s to get", took)
		}
		must(t, first.Release(t.Context()))
		if !second.Valid() {
			t.Error("releasing again took the lease of another")
		}
	})
}

// A holder that stops renewing without a word, as a killed process does, loses its lease after the time it asked for.
func TestLeaseOfTheDeadIsTakenOver(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		const ttl = 600 * time.Millisecond
		dead := mustLease(t, b, "dead", ttl)
		dead.cancel()
		<-dead.ended
		begun := time.Now()
		living := mustLease(t, b, "living", ttl)
		if took := time.Since(begun); took < ttl {
			t.Errorf("taken over after %s, before the time to live of %s", took, ttl)
		}
		if dead.Valid() || !living.Valid() {
			t.Errorf("dead is valid: %t, living is valid: %t", dead.Valid(), living.Valid())
		}
	})
}

// Someone who writes the key in spite of everything ends the lease at the next renewal.
func TestLeaseLost(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		l := mustLease(t, b, "holder", time.Second)
		_, err := l.kv.Put(t.Context(), "intake", []byte(`{"holder":"thief","token":"x","ttl_ms":60000}`))
		must(t, err)
		select {
		case <-l.Done():
		case <-time.After(patience):
			t.Fatal("the loss was not noticed")
		}
		if l.Valid() {
			t.Error("a lost lease is valid")
		}
		must(t, l.Release(t.Context()))
		entry, err := l.kv.Get(t.Context(), "intake")
		must(t, err)
		if string(entry.Value()) != `{"holder":"thief","token":"x","ttl_ms":60000}` {
			t.Errorf("the key holds %s", entry.Value())
		}
	})
}

// A renewal that was stored although its answer was lost must not cost the lease.
func TestLeaseSurvivesALostAnswer(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		l := mustLease(t, b, "holder", 2*time.Second)
		revision, err := l.kv.Put(t.Context(), "intake", l.value)
		must(t, err)
		eventually(t, "a renewal on top of the lost one", func() bool { return l.lastRevision() > revision })
		if !l.Valid() {
			t.Error("the lease is not valid")
		}
	})
}

func TestLeaseNamesAndTimes(t *testing.T) {
	b := mustOpen(t, Options{Dir: t.TempDir()})
	for _, bad := range []struct {
		name, holder string
		ttl          time.Duration
		want         error
	}{
		{"a b", "h", time.Second, ErrSubject}, {"a", "h.i", time.Second, ErrSubject}, {"a", "", time.Second, ErrSubject},
		{"a", "h", minLeaseTTL - 1, ErrSettings}, {"a", "h", maxLeaseTTL + 1, ErrSettings},
	} {
		_, err := b.Lease(t.Context(), bad.name, bad.holder, bad.ttl)
		wantError(t, err, bad.want)
	}
}

// Many contend; holders die without a word. At no moment do two believe that they hold the lease.
func TestLeaseNeverTwoAtOnce(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		const ttl = 200 * time.Millisecond
		var holding atomic.Int32
		var taken atomic.Int32
		var contenders sync.WaitGroup
		for _, holder := range []string{"a", "b", "c", "d"} {
			contenders.Go(func() {
				for taken.Load() < 8 && t.Context().Err() == nil {
					l, err := b.Lease(t.Context(), "intake", holder, ttl)
					if errors.Is(err, ErrLeaseHeld) {
						continue
					}
					if err != nil {
						t.Errorf("%s: %v", holder, err)
						return
					}
					n := taken.Add(1)
					// Valid was true at some moment between these two, if it is true now: so no other may be inside.
					if l.Valid() && holding.Add(1) != 1 {
						t.Errorf("%s got the lease while another held it", holder)
					}
					if n%2 == 0 {
						l.cancel()
						<-l.ended
						eventually(t, "the end of a lease that is not renewed", func() bool { return !l.Valid() })
						holding.Add(-1)
						continue
					}
					holding.Add(-1)
					if err := l.Release(t.Context()); err != nil {
						t.Errorf("%s: %v", holder, err)
					}
				}
			})
		}
		contenders.Wait()
		if taken.Load() < 8 {
			t.Errorf("the lease was taken %d times", taken.Load())
		}
	})
}
