package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"spoilbook/events"
	"spoilbook/services/broker"
	"spoilbook/services/ledger"
)

// overNATS publishes events and reads the receipts, as a truck does.
type overNATS struct {
	broker *broker.Broker
	stop   func()

	mu    sync.Mutex
	has   receipt       // the newest
	grown chan struct{} // closed and replaced when a receipt came
}

// receipt is what the hub says of a source: every number up to Highest is recorded
// but those that Missing names as half-open ranges.
type receipt struct {
	Highest     uint64                      `json:"highest"`
	Missing     []struct{ From, To uint64 } `json:"missing"`
	Quarantined []struct{ ID, Code string } `json:"quarantined"`
}

func (r *receipt) covers(seq uint64) bool {
	for _, m := range r.Missing {
		if m.From <= seq && seq < m.To {
			return false
		}
	}
	return seq <= r.Highest
}

const connectPatience = 3 * time.Second

// OverNATS returns an uplink of one source to the NATS servers of a URL.
func OverNATS(url string, source events.Source, replicas int) (Uplink, error) {
	subject, err := ledger.SubjectOf(source)
	if err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(context.Background(), connectPatience)
	defer cancel()
	b, err := broker.Open(ctx, broker.Options{URL: url, Join: true, Replicas: replicas, ConnectTimeout: connectPatience})
	if err != nil {
		return nil, err
	}
	u := &overNATS{broker: b, grown: make(chan struct{})}
	// Only what is said from now on counts: an old receipt may be of a ledger that
	// was set back since.
	u.stop, err = b.Receipts(context.WithoutCancel(ctx), broker.ReceiptOptions{Source: subject, NewOnly: true}, u.take)
	if err != nil {
		return nil, errors.Join(err, b.Close(ctx))
	}
	return u, nil
}

func (u *overNATS) take(r broker.Receipt) {
	var said receipt
	if json.Unmarshal(r.Body, &said) != nil {
		return // damaged on its way: the next one is as good
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	u.has = said
	close(u.grown)
	u.grown = make(chan struct{})
}

func (u *overNATS) latest() (receipt, <-chan struct{}) {
	u.mu.Lock()
	defer u.mu.Unlock()
	return u.has, u.grown
}

func (u *overNATS) publish(ctx context.Context, batch []Event) error {
	msgs := make([]broker.Message, len(batch))
	for i := range batch {
		msgs[i] = broker.Message{Subject: batch[i].Message.Subject, Body: batch[i].Message.Body}
	}
	_, err := u.broker.Publish(ctx, msgs)
	return err
}

// Deliver waits for a receipt that came after the messages went out and covers them all.
func (u *overNATS) Deliver(ctx context.Context, batch []Event) error {
	_, next := u.latest()
	if err := u.publish(ctx, batch); err != nil {
		return err
	}
	for {
		select {
		case <-next:
		case <-ctx.Done():
			return fmt.Errorf("no receipt for %d events: %w", len(batch), ctx.Err())
		}
		var said receipt
		said, next = u.latest()
		covered := true
		for i := range batch {
			covered = covered && said.covers(batch[i].Seq)
			for _, q := range said.Quarantined {
				if q.ID == batch[i].ID {
					return fmt.Errorf("%w: %s is quarantined: %s", ErrRefused, q.ID, q.Code)
				}
			}
		}
		if covered {
			return nil
		}
	}
}

// BreakOff publishes half of the events and does not look back.
func (u *overNATS) BreakOff(ctx context.Context, batch []Event) error {
	return u.publish(ctx, batch[:len(batch)/2+1])
}

func (u *overNATS) Close() {
	u.stop()
	ctx, cancel := context.WithTimeout(context.Background(), connectPatience)
	defer cancel()
	_ = u.broker.Close(ctx) // the server may be gone
}

// Mixed sends what trucks make over NATS, and the rest over HTTP.
func Mixed(address, natsURL string, replicas int) func(events.Source) (Uplink, error) {
	return func(s events.Source) (Uplink, error) {
		if strings.HasPrefix(string(s), "/truck/") && natsURL != "" {
			return OverNATS(natsURL, s, replicas)
		}
		return OverHTTP(address)
	}
}
