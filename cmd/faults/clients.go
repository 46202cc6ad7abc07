package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"sync"
	"sync/atomic"
	"time"

	"spoilbook/cmd/faults/internal/fleet"
	"spoilbook/cmd/faults/internal/history"
	"spoilbook/events"
	"spoilbook/services/client"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

const (
	manyClients  = 5
	manyQuestion = 60 // of each client
	answerWithin = 10 * time.Second
	checkWithin  = time.Minute
)

// desk is the source of the events that the clients of a history append.
const desk = "history"

// asked is clients of one ledger and what they have asked so far.
type asked struct {
	site    *site
	history history.History
	next    atomic.Uint64 // number of the newest event
	total   atomic.Int64  // questions
}

// sayings is a round in which clients append and read while processes are killed;
// afterwards one log must have been able to say all that they were told.
func (st *stage) sayings(ctx context.Context, name string, l layout, seed uint64, parts []string) (o outcome, err error) {
	ctx, cancel := context.WithTimeoutCause(ctx, roundPatience, errStuck)
	defer cancel()
	rng := dice(seed, name)
	err = st.inFolder(func(dir string) (err error) {
		s, err := newSite(st.programs, l, dir)
		if err != nil {
			return err
		}
		s.start(ctx)
		defer func() { err = errors.Join(err, s.stop()) }()
		a := &asked{site: s}
		var final []string
		err = s.watched(ctx, func(ctx context.Context) (err error) {
			if err = a.all(ctx, &o, rng, parts); err == nil {
				final, err = a.last(ctx)
			}
			return err
		})
		o.Events = int(a.next.Load())
		if err != nil {
			if ctx.Err() == nil || errors.Is(context.Cause(ctx), errStuck) {
				o.broke("%v", err)
				err = nil
			}
			return err
		}
		all, unknown := a.history.Len()
		switch verdict := a.history.Check(final, checkWithin); verdict {
		case history.Sound:
			o.Harmless = o.Times
		case history.Broken:
			o.Undetected = 1
			o.broke("of %d answers and %d that never came, no single log could have given all", all-unknown, unknown)
		default:
			o.broke("whether one log could have given %d answers (and %d that never came) is not decided within %s", all-unknown, unknown, checkWithin)
		}
		return err
	})
	return o, err
}

// all lets the clients ask while blows fall.
func (a *asked) all(ctx context.Context, o *outcome, rng *rand.Rand, parts []string) error {
	var wg sync.WaitGroup
	failures := make(chan error, manyClients)
	for i := range manyClients {
		own := rand.New(rand.NewPCG(rng.Uint64(), uint64(i)))
		wg.Go(func() {
			c, err := client.New("http://" + a.site.address)
			for n := 0; err == nil && n < manyQuestion; n++ {
				if err = a.site.part(hub).await(ctx); err == nil {
					a.ask(ctx, c, i, own)
					a.total.Add(1)
				}
			}
			failures <- err
		})
	}
	done := make(chan struct{})
	go func() {
		wg.Wait()
		close(done)
	}()
	var err error
	for i := 0; i < 2 && err == nil; i++ {
		at := int64((float64(i) + rng.Float64()) / 2 * 0.9 * manyClients * manyQuestion)
		for a.total.Load() < at && err == nil {
			err = rested(ctx, 2*time.Millisecond)
		}
		if err == nil {
			err = a.site.part(hub).await(ctx)
		}
		for _, name := range parts {
			hit := false
			if err == nil {
				hit, err = killed(ctx, rng, a.site.part(name))
			}
			if hit {
				o.Times++
			}
		}
	}
	<-done
	for range manyClients {
		err = errors.Join(err, <-failures)
	}
	return err
}

// last appends one more event, behind which nothing is on its way, and reads the
// whole log.
func (a *asked) last(ctx context.Context) (ids []string, err error) {
	c, err := client.New("http://" + a.site.address)
	if err != nil {
		return nil, err
	}
	number := a.next.Add(1)
	in := history.Input{Op: history.Append, ID: fmt.Sprint("e-", number)}
	for {
		answer := a.history.Call(manyClients, in)
		out, err := reply(ctx, c, in, number)
		if out.Known = err == nil; out.Known {
			answer(out)
			break
		}
		answer(out)
		if err := errors.Join(rested(ctx, restartPause), a.site.part(hub).await(ctx)); err != nil {
			return nil, err
		}
	}
	all, err := c.Events(ctx, ledger.EventQuery{Limit: ledger.MaxPage})
	for i := range all {
		ids = append(ids, all[i].ID)
	}
	return ids, err
}

// ask asks one question and notes the answer.
func (a *asked) ask(ctx context.Context, c *client.Client, who int, rng *rand.Rand) {
	in := history.Input{Op: history.Op(rng.IntN(5))}
	newest := a.next.Load()
	number := newest - min(newest, rng.Uint64N(20))
	switch in.Op {
	case history.Append:
		if newest == 0 || rng.IntN(4) > 0 {
			number = a.next.Add(1)
		}
	case history.At:
		in.Position = max(number, 1)
	case history.Head, history.Find, history.Report:
	}
	if number == 0 {
		number = 1 // nobody has sent it yet
	}
	if in.Op == history.Append || in.Op == history.Find {
		in.ID = fmt.Sprint("e-", number)
	}
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	answer := a.history.Call(who, in)
	out, err := reply(ctx, c, in, number)
	out.Known = err == nil
	answer(out)
}

// reply gets the answer to a question.
func reply(ctx context.Context, c *client.Client, in history.Input, number uint64) (out history.Output, err error) {
	source := events.OfficeSource(desk)
	switch in.Op {
	case history.Append:
		return append_(ctx, c, in.ID, number)
	case history.Head:
		h, err := c.Head(ctx)
		return history.Output{Position: h.Position}, err
	case history.Find:
		found, err := c.Events(ctx, ledger.EventQuery{Source: source, ID: in.ID, Limit: 1})
		if len(found) == 1 {
			out.Position = found[0].Position
		}
		return out, err
	case history.At:
		found, err := c.Events(ctx, ledger.EventQuery{After: in.Position - 1, Limit: 1})
		if len(found) == 1 && found[0].Position == in.Position {
			out.ID = found[0].ID
		}
		return out, err
	case history.Report:
		var b bytes.Buffer
		if err := c.Export(ctx, &b, "stops", url.Values{"from": {"2026-10-01"}, "to": {"2026-10-01"}, "tz": {demo.ZoneName}}); err != nil {
			return out, err
		}
		var document struct {
			Provenance struct {
				Position uint64 `json:"position"`
			} `json:"provenance"`
		}
		err := json.Unmarshal(b.Bytes(), &document)
		return history.Output{Position: document.Provenance.Position}, err
	}
	return out, fmt.Errorf("no such question: %d", in.Op)
}

// append_ has an event recorded.
func append_(ctx context.Context, c *client.Client, id string, number uint64) (out history.Output, err error) {
	msgs, err := ledger.MessagesOf([]events.Event{{ID: id, Source: events.OfficeSource(desk), Seq: number, Occurred: demo.From(), Origin: events.FromOffice,
		Body: events.EntryVoided{Refers: events.Ref{Source: events.TruckSource("TM-01"), ID: id}, Reason: "entered twice", Author: "Yard office"}}})
	if err != nil {
		return out, err
	}
	ticket, err := c.Submit(ctx, msgs)
	if err != nil {
		return out, err
	}
	fates, err := c.Await(ctx, ticket)
	if err == nil && fates.Recorded+fates.Duplicates != 1 {
		err = fmt.Errorf("%w: %+v of one event", fleet.ErrRefused, fates)
	}
	return history.Output{Fresh: fates.Recorded == 1}, err
}
