package broker

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
)

const (
	maxFetchBytes = 16 << 20
	minPull       = time.Millisecond
	maxPull       = 10 * time.Second // after which the server is asked again, so that one that forgot is noticed
	pullGrace     = time.Second      // for the server's word that a pull is over
	maxRepeats    = 2                // of lost deliveries, in one Fetch
)

// fetchCall is one call of Consumer.Fetch. It pulls by the protocol itself instead of through the client library, because a pull that ends
// early must have given up its inbox before anything else is asked: the server would go on sending there.
type fetchCall struct {
	c     *Consumer
	limit int
	wait  time.Duration

	got      []Delivery
	bytes    int
	full     bool // the next message does not fit
	deadline time.Time
}

func (f *fetchCall) run(ctx context.Context) error {
	f.deadline = time.Now().Add(f.wait)
	for repeats := 0; ; {
		if err := f.c.prepare(ctx); err != nil {
			return err
		}
		left := time.Until(f.deadline)
		if left < minPull {
			return f.over(ctx)
		}
		err := f.pull(ctx, min(left, maxPull))
		switch {
		case errors.Is(err, errSkipped) && repeats < maxRepeats:
			repeats++
		case err != nil:
			return err
		case len(f.got) == f.limit || f.full && len(f.got) > 0:
			return nil
		}
	}
}

// over is the end of the wait.
func (f *fetchCall) over(ctx context.Context) error {
	if len(f.got) > 0 {
		return nil
	}
	return f.c.checkEnd(ctx)
}

// pullRequest is the JetStream protocol's request for messages.
type pullRequest struct {
	Batch    int           `json:"batch"`
	MaxBytes int           `json:"max_bytes"`
	Expires  time.Duration `json:"expires"` // in nanoseconds
}

// pull asks the server for messages once and takes them until this pull is over.
func (f *fetchCall) pull(ctx context.Context, wait time.Duration) error {
	nc := f.c.b.nc
	batch := f.limit - len(f.got)
	body, err := json.Marshal(pullRequest{Batch: batch, MaxBytes: maxFetchBytes - f.bytes, Expires: wait})
	if err != nil {
		return err
	}
	inbox, err := nc.SubscribeSync(nc.NewInbox())
	if err != nil {
		return err
	}
	defer inbox.Unsubscribe() //nolint:errcheck // It fails when the connection is gone, and the subscription with it.
	if err := nc.PublishRequest("$JS.API.CONSUMER.MSG.NEXT."+EventsStream+"."+intakeConsumer, inbox.Subject, body); err != nil {
		return err
	}
	pulling, cancel := context.WithTimeout(ctx, wait+pullGrace)
	defer cancel()
	if err := f.receive(pulling, inbox, batch); err != nil {
		f.c.markStale()
		return err
	}
	return nil
}

// receive takes the messages of one pull. The server of a replicated consumer sends messages later than the word that the pull is over, but
// that word tells how many there are.
func (f *fetchCall) receive(ctx context.Context, inbox *nats.Subscription, batch int) error {
	for received, want := 0, batch; received < want; {
		m, err := inbox.NextMsgWithContext(ctx)
		if err != nil {
			return err
		}
		if status := m.Header.Get("Status"); status != "" && len(m.Data) == 0 {
			if err := f.ended(status, m.Header.Get("Description")); err != nil {
				return err
			}
			unused, err := strconv.Atoi(m.Header.Get("Nats-Pending-Messages"))
			if err != nil {
				unused = batch - received
			}
			want = batch - unused
			continue
		}
		received++
		if err := f.add(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

func (f *fetchCall) add(ctx context.Context, m *nats.Msg) error {
	d, ok, err := f.c.take(ctx, m)
	if err != nil || !ok {
		return err
	}
	if len(f.got) == 0 {
		f.deadline = time.Now().Add(f.wait)
	}
	f.got = append(f.got, d)
	f.bytes += len(d.Body)
	return nil
}

// ended reads the message with which the server ends a pull.
func (f *fetchCall) ended(status, description string) error {
	switch text := strings.ToLower(description); {
	case status == "404", status == "408", status == "409" && strings.Contains(text, "batch completed"):
		return nil
	case status == "409" && strings.Contains(text, "exceeds maxbytes"):
		f.full = true
		return nil
	case status == "503":
		return nats.ErrNoResponders
	}
	return fmt.Errorf("%w: the server ended the request: %s %s", ErrUnavailable, status, description)
}
