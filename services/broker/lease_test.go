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
		first := mustLease(t, b, "first", 3*time.Second)
		_, err := b.Lease(t.Context(), "intake", "second", time.Second)
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
		living := mustLease(t, b, "living", time.Minute)
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
	t.Parallel()
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		l := mustLease(t, b, "holder", 4*time.Second)
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

// Many contend, and every second holder dies without a word. Looks at all leases are put in one order; no lease that was valid is valid
// again after another one was.
func TestLeaseNeverTwoAtOnce(t *testing.T) {
	each(t, func(t *testing.T, d deployment) {
		b := d.open(t)
		const ttl, holdings = 200 * time.Millisecond, 12
		var mu sync.Mutex
		var valid []int // numbers of holdings, in the order in which they were seen to be valid
		look := func(holding int, l *Lease) bool {
			mu.Lock()
			defer mu.Unlock()
			if !l.Valid() {
				return false
			}
			if n := len(valid); n == 0 || valid[n-1] != holding {
				valid = append(valid, holding)
			}
			return true
		}
		var taken atomic.Int32
		var contenders sync.WaitGroup
		for _, holder := range []string{"a", "b", "c", "d"} {
			contenders.Go(func() {
				for taken.Load() < holdings {
					l, err := b.Lease(t.Context(), "intake", holder, ttl)
					if errors.Is(err, ErrLeaseHeld) {
						continue
					}
					if err != nil {
						t.Errorf("%s: %v", holder, err)
						return
					}
					holding := int(taken.Add(1))
					for range 20 {
						look(holding, l)
					}
					if holding%2 == 0 {
						l.cancel()
						<-l.ended
					} else if err := l.Release(t.Context()); err != nil {
						t.Errorf("%s: %v", holder, err)
					}
					eventually(t, "the end of the lease", func() bool { return !look(holding, l) })
				}
			})
		}
		contenders.Wait()
		seen := map[int]bool{}
		for _, holding := range valid {
			if seen[holding] {
				t.Errorf("holding %d was valid before and after another: %v", holding, valid)
			}
			seen[holding] = true
		}
		if len(seen) < holdings/2 {
			t.Errorf("only %d holdings were ever valid", len(seen))
		}
	})
}
