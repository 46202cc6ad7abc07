package sim

import (
	"context"
	"fmt"
	"time"

	"spoilbook/events/wire"
	"spoilbook/services/ledger"
)

// judging is how long somebody who releases a message waits for it to be judged.
const judging = 2 * time.Hour

// patient publishes and then lets time go by until the message is judged, since
// waiting for that by the machine's clock would stop the world.
type patient struct {
	*broker
	db *database
}

// Publish stores messages and returns once they are handled.
func (p patient) Publish(ctx context.Context, msgs []ledger.Message) ([]uint64, error) {
	stream := p.stream()
	seqs, err := p.broker.Publish(ctx, msgs)
	if err != nil {
		return nil, err
	}
	last := seqs[len(seqs)-1]
	waiting := func() bool { return p.db.handled(stream) < last }
	if p.w.runFor(judging, waiting); waiting() {
		return nil, errUnanswered
	}
	return seqs, nil
}

// settleWork has the yard look every few hours at one message that is held: what
// may have been put right meanwhile is released as it is, the rest is dismissed.
func (s *scene) settleWork() {
	l := ledger.New(ledger.Config{Publisher: patient{s.broker, s.db}, Store: reader{s.db, nil}, Now: epoch})
	s.w.scheduled(s.p.settle, func() {
		if s.hub.busy || s.settling || !s.db.up || !s.broker.up {
			return // within a step of the intake, nothing is judged
		}
		s.settling = true
		defer func() { s.settling = false }()
		if q := s.oneHeld(); q != nil {
			s.settleOne(l, q)
		}
	})
}

// oneHeld draws a message that nobody has settled.
func (s *scene) oneHeld() *ledger.Quarantined {
	var held []int
	for i := range s.db.quarantine {
		if _, settled := s.db.settled[s.db.quarantine[i].Entry]; !settled {
			held = append(held, i)
		}
	}
	if len(held) == 0 {
		return nil
	}
	q := s.db.quarantine[held[s.w.rng.IntN(len(held))]]
	return &q
}

func (s *scene) settleOne(l *ledger.Ledger, q *ledger.Quarantined) {
	ctx := context.Background()
	switch q.Code {
	case "unknown-truck", "wrong-subject", "clock-far-ahead":
		s.w.count("release")
		f, err := l.Release(ctx, q.Entry, nil, "Yard office", "put right")
		s.w.log("desk", "releases entry %d, %s: %v", q.Entry, q.Code, err)
		if err == nil {
			s.watch.released(q, f)
		}
	default:
		s.w.count("dismissal")
		if err := l.Dismiss(ctx, q.Entry, "Yard office", "it stays as it was recorded"); err != nil {
			s.watch.broken("entry %d can not be dismissed: %v", q.Entry, err)
		}
		if again := l.Dismiss(ctx, q.Entry, "Yard office", "twice"); ledger.CodeOf(again) != ledger.Conflict {
			s.watch.broken("entry %d is dismissed twice: %v", q.Entry, again)
		}
		s.w.log("desk", "dismisses entry %d, %s", q.Entry, q.Code)
	}
}

// released looks at a release that was noted as done: what the message says is
// recorded now, or stands in quarantine under a new entry.
func (a *auditor) released(q *ledger.Quarantined, f ledger.Fates) {
	e, err := wire.Decode(q.Body)
	if err != nil {
		a.broken("entry %d was released and is no event: %v", q.Entry, err)
		return
	}
	if a.at[identity{e.Source, e.ID}] == 0 && f.Quarantined == 0 {
		a.broken("entry %d, %s, was released and is neither recorded nor held again (%s)", q.Entry, q.Code, fmt.Sprintf("%+v", f))
	}
}
