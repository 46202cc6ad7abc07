package ledger

import (
	"context"
	"time"
)

// freshness is how old an answer of the store about the intake's progress may be.
const freshness = 10 * time.Millisecond

// progress remembers how far the intake has come, so that the store is asked once
// for all who wait. Only who has put a token into asking may use the rest.
type progress struct {
	asking chan struct{}
	stream string
	seq    uint64
	at     time.Time
}

// Handled returns the broker's stream and the last message in it whose fate is
// stored, as it stood a moment ago.
func (l *Ledger) Handled(ctx context.Context) (stream string, seq uint64, err error) {
	if l.publisher == nil {
		return "", 0, Fail(ReadOnly, "progress: this ledger was opened for reading only")
	}
	if stream, err = l.publisher.Stream(ctx); err != nil {
		return "", 0, Wrap(BrokerDown, err, "progress")
	}
	seq, err = l.handled(ctx, stream, 0)
	return stream, seq, Wrap(StoreDown, err, "progress")
}

// handled returns the last message of a stream whose fate is stored. What it returns
// is fresh, unless what was known before says already that wanted is handled.
func (l *Ledger) handled(ctx context.Context, stream string, wanted uint64) (uint64, error) {
	p := &l.progress
	select {
	case p.asking <- struct{}{}:
		defer func() { <-p.asking }()
	case <-ctx.Done():
		return 0, ctx.Err()
	}
	if p.stream == stream && (time.Since(p.at) < freshness || wanted > 0 && p.seq >= wanted) {
		return p.seq, nil
	}
	seq, err := l.store.Handled(ctx, stream)
	if err == nil {
		p.stream, p.seq, p.at = stream, seq, time.Now()
	}
	return seq, err
}
