package intake

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/services/ledger"
)

// graceful is how long a block that was begun may take once the intake is told to
// stop. It is shorter than what a lease leaves its holder to stop in, so that two
// intakes never store at the same time; a block that is cut off is taken up again.
const graceful = 2 * time.Second

// courtesy is how long receipts and the acknowledgement of a stored block may take.
const courtesy = 15 * time.Second

// retryPause is the longest pause between tries while the store does not answer.
const retryPause = 5 * time.Second

// Run handles messages from feed until ctx ends, which is no error. While the
// store does not answer it holds the block it has and tries again; the broker
// keeps the rest. It returns an error when the feed fails or the store's content
// contradicts the intake.
func (in *Intake) Run(ctx context.Context, feed Feed) error {
	batches := make(chan []judged, 1)
	failed := make(chan error, 1)
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	in.SendLostReceipts(ctx)
	go func() {
		defer close(batches)
		failed <- in.read(ctx, feed, batches)
	}()
	for js := range batches {
		if err := in.handle(ctx, feed, js); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return fmt.Errorf("intake: %w", err)
		}
	}
	if err := <-failed; err != nil && ctx.Err() == nil {
		return fmt.Errorf("intake: %w", err)
	}
	return nil
}

// Step gives every delivery its fate as [Intake.Run] does with each batch, for
// callers that fetch by themselves: it judges them, stores one block, sends
// receipts and acknowledges to feed. After an error the intake may not know what
// the store holds: make a new one.
func (in *Intake) Step(ctx context.Context, feed Feed, ds []ledger.Delivery) error {
	if len(ds) == 0 {
		return nil
	}
	return in.handle(ctx, feed, judgeAll(ds))
}

// read fetches and judges batches while an earlier one is stored.
func (in *Intake) read(ctx context.Context, feed Feed, batches chan<- []judged) error {
	for ctx.Err() == nil {
		ds, err := feed.Fetch(ctx, in.Batch, in.Wait)
		if err != nil {
			return err
		}
		if len(ds) == 0 {
			continue
		}
		select {
		case batches <- judgeAll(ds):
		case <-ctx.Done():
		}
	}
	return nil
}

// handle makes, stores and acknowledges one block. A message whose fate is stored
// already keeps it: judged again it could meet another, when its truck has been
// registered meanwhile.
func (in *Intake) handle(ctx context.Context, feed Feed, js []judged) error {
	js = slices.DeleteFunc(js, func(j judged) bool { return j.StreamSeq <= in.handled })
	if len(js) == 0 {
		return feed.Ack(ctx, in.handled)
	}
	var d *draft
	err := in.persist(ctx, "make block", func(ctx context.Context) error {
		var err error
		for i := range js {
			if js[i].refusal != nil && refusedByLedger(js[i].refusal.code) {
				js[i].refusal = nil // judged again on a new try
			}
		}
		d, err = in.block(ctx, js)
		return err
	})
	if err != nil {
		return err
	}
	if err := in.persist(ctx, "store block", func(ctx context.Context) error { return in.Store.Append(ctx, &d.Block) }); err != nil {
		return err
	}
	in.adopt(d)
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), courtesy)
	defer cancel()
	in.sendReceipts(ctx, d)
	p := in.progress(d, &js[len(js)-1])
	in.tell(d, &p)
	if in.Observe != nil {
		in.Observe(p)
	}
	return feed.Ack(ctx, d.LastSeq)
}

func refusedByLedger(code string) bool {
	return code == RefuseOtherBody || code == RefuseNumberTaken || code == RefuseUnknownTruck
}

// persist tries f until it succeeds, the context ends, or the store turns out to
// be damaged. A try that was begun may finish after the context has ended; none is
// begun then.
func (in *Intake) persist(ctx context.Context, what string, f func(context.Context) error) error {
	pause := 50 * time.Millisecond
	for ctx.Err() == nil {
		try, cancel := context.WithCancel(context.WithoutCancel(ctx))
		stop := context.AfterFunc(ctx, func() { time.AfterFunc(graceful, cancel) })
		err := f(try)
		stop()
		cancel()
		if err == nil || ledger.CodeOf(err) == ledger.Damaged {
			return err
		}
		in.Logger.Warn("intake: trying again", "doing", what, "error", err, "pause", pause)
		if stopped := in.Pause(ctx, pause); stopped != nil {
			return errors.Join(stopped, err)
		}
		pause = min(pause*2, retryPause)
	}
	return ctx.Err()
}

// wait returns after d, or with ctx's error when that ends before.
func wait(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// receipt tells a source what the ledger has of it: every number up to Highest
// that Missing does not name. Each receipt is good without the ones before it.
type receipt struct {
	Source      events.Source    `json:"source"`
	Through     uint64           `json:"recordedThrough"` // all numbers up to here are recorded
	Highest     uint64           `json:"highest"`
	Missing     []missing        `json:"missing,omitempty"`
	Position    uint64           `json:"position"` // of the ledger
	Recorded    int              `json:"recorded"` // in this block
	Duplicates  int              `json:"duplicates"`
	Quarantined []quarantineNote `json:"quarantined,omitempty"`
}

// missing is a half-open range of numbers that have not come or were not recorded.
type missing struct {
	From uint64 `json:"from"`
	To   uint64 `json:"to"`
}

// maxMissing is how many ranges a receipt names. Where there are more, the last
// one reaches to the highest number and may hold some that are recorded.
const maxMissing = 100

// gaps returns the missing ranges of a source in ascending order.
func gaps(seq *chain.Sequence) []missing {
	var out []missing
	for _, g := range seq.Gaps() {
		if len(out) == maxMissing {
			out[len(out)-1].To = seq.Highest() + 1
			break
		}
		out = append(out, missing{g.From, g.To})
	}
	return out
}

type quarantineNote struct {
	ID    string `json:"id"`
	Entry uint64 `json:"entry"`
	Code  string `json:"code"`
}

func (d *draft) count(s events.Source) *receipt {
	if d.counts[s] == nil {
		d.counts[s] = &receipt{Source: s}
	}
	return d.counts[s]
}

// sendReceipts publishes a receipt to every source that is owed one; one that can
// not be sent stays owed.
func (in *Intake) sendReceipts(ctx context.Context, d *draft) {
	if in.Receipts == nil {
		clear(in.owed)
		return
	}
	for _, s := range slices.Sorted(maps.Keys(in.owed)) {
		r := receipt{Source: s}
		if c := d.counts[s]; c != nil {
			r = *c
		}
		if seq := in.sources[s]; seq != nil {
			r.Through, r.Highest, r.Missing = seq.Contiguous(), seq.Highest(), gaps(seq)
		}
		r.Position = d.Position
		body, err := json.Marshal(r)
		if err == nil {
			var subject string
			if subject, err = ledger.SubjectOf(s); err == nil {
				err = in.Receipts.PublishReceipt(ctx, subject, body)
			}
		}
		if err != nil {
			in.Logger.Warn("intake: receipt not sent, will be sent with the next block", "source", s, "error", err)
			continue
		}
		delete(in.owed, s)
	}
}
