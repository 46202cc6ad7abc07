package broker

import (
	"context"
	"fmt"
	"maps"
	"strings"

	"github.com/nats-io/nats.go/jetstream"
)

// Trim removes the messages of the events stream before first. It refuses one that the intake has not acknowledged, and never removes the
// last message that it has. Whether the ledger and its backup hold what is removed is for the caller to know. It returns ErrSettings for a
// stream that was made to deny every removal.
func (b *Broker) Trim(ctx context.Context, first uint64) error {
	acknowledged, err := b.Acknowledged(ctx)
	if err != nil {
		return fmt.Errorf("trim: %w", err)
	}
	if first > acknowledged {
		return fmt.Errorf("%w: trim to sequence %d: the intake has acknowledged up to %d", ErrSettings, first, acknowledged)
	}
	ctx, cancel := request(ctx)
	defer cancel()
	s, err := b.js.Stream(ctx, EventsStream)
	if err != nil {
		return fmt.Errorf("trim: %w", classify(err))
	}
	if s.CachedInfo().Config.DenyPurge {
		return fmt.Errorf("%w: %s has deny_purge, which NATS does not take back; move the ledger to a new stream with spoilbook move, or keep it whole", ErrSettings, EventsStream)
	}
	if err := s.Purge(ctx, jetstream.WithPurgeSequence(first)); err != nil {
		return fmt.Errorf("trim to sequence %d: %w", first, classify(err))
	}
	return nil
}

// movedKey is the member of a stream's metadata that says where its ledger went.
const movedKey = "spoilbook.moved"

// Freeze has the events stream refuse every message from now on, because its ledger moves. Whoever opens the stream afterwards is told where
// to. What it holds stays.
func (b *Broker) Freeze(ctx context.Context, where string) error {
	return b.configure(ctx, "freeze", func(c *jetstream.StreamConfig) {
		c.Metadata = maps.Clone(c.Metadata)
		if c.Metadata == nil {
			c.Metadata = map[string]string{}
		}
		c.Metadata[movedKey] = where
		c.MaxBytes = 1 // no message is so small; with discard "new" none that is there is removed
	})
}

// Thaw lets the events stream take messages again.
func (b *Broker) Thaw(ctx context.Context) error {
	return b.configure(ctx, "thaw", func(c *jetstream.StreamConfig) {
		c.Metadata = maps.Clone(c.Metadata)
		delete(c.Metadata, movedKey)
		c.MaxBytes = b.opts.MaxStoreBytes
	})
}

func (b *Broker) configure(ctx context.Context, doing string, change func(*jetstream.StreamConfig)) error {
	ctx, cancel := request(ctx)
	defer cancel()
	s, err := b.js.Stream(ctx, EventsStream)
	if err != nil {
		return fmt.Errorf("%s %s: %w", doing, EventsStream, classify(err))
	}
	config := s.CachedInfo().Config
	change(&config)
	maps.DeleteFunc(config.Metadata, func(key, _ string) bool { return strings.HasPrefix(key, "_nats.") })
	if _, err := b.js.UpdateStream(ctx, config); err != nil {
		return fmt.Errorf("%s %s: %w", doing, EventsStream, classify(err))
	}
	return nil
}

// moved returns ErrMoved for a stream whose ledger went elsewhere.
func (b *Broker) moved(have jetstream.StreamConfig) error {
	if where := have.Metadata[movedKey]; where != "" && !b.opts.Frozen {
		return fmt.Errorf("%w to %s", ErrMoved, where)
	}
	return nil
}
