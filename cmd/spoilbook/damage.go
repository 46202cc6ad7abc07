package main

import (
	"context"
	"io"

	"github.com/prometheus/client_golang/prometheus"

	"spoilbook/services/audit"
	"spoilbook/services/ledger"
	"spoilbook/services/store"
)

// begin opens everything and starts the intake. With damage outside the store it
// goes on without the intake: reports are still served, and nothing is written.
func (s *site) begin(ctx context.Context, stderr io.Writer) error {
	err := s.open(ctx, true, stderr)
	if err == nil {
		err = s.startIntake(ctx)
	}
	if err == nil {
		return nil
	}
	return s.standStill(ctx, err)
}

// standStill has everything that writes refuse from now on, for damage that leaves
// the store readable and its roots as they were. Any other error it returns.
func (s *site) standStill(ctx context.Context, found error) error {
	if ledger.CodeOf(found) != ledger.Damaged || s.store == nil {
		return found
	}
	if err := s.storeSound(ctx); err != nil {
		return ledger.Wrap(ledger.Damaged, found, "the store can not be served either (%v)", err)
	}
	s.damage.Store(&found)
	if s.ledger == nil {
		s.makeLedger(true)
	}
	s.log.Error("damage was found: nothing is taken in or written any more; reports are served from what is recorded", "error", found)
	return nil
}

// halted returns the damage that was found, if any.
func (s *site) halted() error {
	if found := s.damage.Load(); found != nil {
		// Its whole text: those who are refused see what happened and what to do.
		return ledger.Fail(ledger.Damaged, "nothing is written until this is repaired: %v", *found)
	}
	return nil
}

// storeSound reports why what the store holds is not served: its positions are not
// dense, or the Merkle tree at its last block, or at the high water, is another.
func (s *site) storeSound(ctx context.Context) error {
	head, err := s.store.Head(ctx)
	if err != nil {
		return err
	}
	at, state, err := s.store.Frontier(ctx)
	if err != nil {
		return err
	}
	tree, err := audit.Restore(at, state)
	if err != nil {
		return ledger.Wrap(ledger.Damaged, err, "the Merkle tree stored at position %d", at)
	}
	root, err := tree.Root()
	if err != nil {
		return err
	}
	if at > 0 && (at != head.RootPosition || root != head.Root) {
		return ledger.Fail(ledger.Damaged, "the Merkle tree stored at position %d has the root %x, its block says %x", at, root, head.Root)
	}
	high, err := s.readHighWater()
	if err != nil || high.Position == 0 || high.Position > head.Position {
		return err
	}
	then, err := s.store.RootAt(ctx, high.Position)
	if err == nil && then != high.Root {
		err = ledger.Fail(ledger.Damaged, "the root at position %d is %x, but was %x", high.Position, then, high.Root)
	}
	return err
}

// natsURL is where NATS clients reach the broker; empty when they can not.
func (s *site) natsURL() string {
	if s.broker == nil {
		return ""
	}
	return s.broker.ClientURL()
}

// damageMetric tells monitoring that nothing is written any more.
func (s *site) damageMetric() prometheus.Collector {
	return prometheus.NewGaugeFunc(prometheus.GaugeOpts{Name: "spoilbook_damaged", Help: "1 once damage was found and nothing is written any more."}, func() float64 {
		if s.damage.Load() != nil {
			return 1
		}
		return 0
	})
}

// gatedPublisher publishes until damage is found. Its broker is nil where that was
// found before there was one.
type gatedPublisher struct {
	publisher
	s *site
}

// Publish hands messages to the broker.
func (g gatedPublisher) Publish(ctx context.Context, msgs []ledger.Message) ([]uint64, error) {
	if err := g.s.halted(); err != nil {
		return nil, err
	}
	return g.publisher.Publish(ctx, msgs)
}

// Stream names the broker's stream.
func (g gatedPublisher) Stream(ctx context.Context) (string, error) {
	if err := g.s.halted(); err != nil {
		return "", err
	}
	return g.publisher.Stream(ctx)
}

// Health asks the broker.
func (g gatedPublisher) Health(ctx context.Context) error {
	if err := g.s.halted(); err != nil {
		return err
	}
	return g.publisher.Health(ctx)
}

// gatedStore is the store for the use cases: read as ever, written to until damage
// is found.
type gatedStore struct {
	*store.Store
	s *site
}

// Settle notes how a quarantined message was dealt with.
func (g gatedStore) Settle(ctx context.Context, entry uint64, st ledger.Settlement) error {
	if err := g.s.halted(); err != nil {
		return err
	}
	return g.Store.Settle(ctx, entry, st)
}

// Handled is asked by those who wait for the intake, which does not come any more
// once damage was found.
func (g gatedStore) Handled(ctx context.Context, stream string) (uint64, error) {
	if err := g.s.halted(); err != nil {
		return 0, err
	}
	return g.Store.Handled(ctx, stream)
}
