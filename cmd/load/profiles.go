package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"spoilbook/services/broker"
	"spoilbook/services/ledger"
)

// profile is one way to drive a spoilbook. It returns once all is sent, with what
// there is to say besides the figures.
type profile func(ctx context.Context, d *driver) (note string, err error)

func profiles() map[string]profile {
	return map[string]profile{"steady": steady, "burst": burst, "largest": largest, "catch-up": catchUp, "catch-up-direct": catchUpDirect,
		"slow-clients": slowClients, "cancelled-reports": cancelledReports}
}

// order is that in which the profiles run; the later ones find a large ledger.
func order(name string) int {
	return slices.Index([]string{"steady", "burst", "largest", "catch-up", "catch-up-direct", "slow-clients", "cancelled-reports"}, name)
}

const (
	tick       = 100 * time.Millisecond // in which a truck sends once
	freshEvery = 50 * time.Millisecond  // a fresh event of one truck after another
	freshers   = 4                      // trucks with fresh events beside a profile's own load

	windowEvents = 1000 // a backlog goes in windows of so many
	windowsAhead = 8    // of which so many are not recorded yet
)

// steady has all trucks send a little all the time.
func steady(ctx context.Context, d *driver) (string, error) { return "", d.regular(ctx, d.opts.rate) }

// burst is ten times that.
func burst(ctx context.Context, d *driver) (string, error) {
	return "", d.regular(ctx, 10*d.opts.rate)
}

// regular has every truck send its part of a rate each tick, and fresh trucks timed
// events beside them.
func (d *driver) regular(ctx context.Context, rate int) error {
	each := max(1, rate*int(tick/time.Millisecond)/1000/max(1, d.opts.trucks-freshers))
	return d.beside(ctx, func(ctx context.Context) error {
		return d.together(d.opts.trucks-freshers, func(i int) error {
			truck := freshers + i
			for end := time.Now().Add(d.opts.length); time.Now().Before(end) && ctx.Err() == nil; {
				next := time.Now().Add(tick)
				if _, err := d.hand(ctx, truck, d.next(truck, each, water)); err != nil {
					return err
				}
				if err := pause(ctx, time.Until(next)); err != nil {
					return err
				}
			}
			return ctx.Err()
		})
	})
}

// together runs f for 0 to n-1 at the same time.
func (d *driver) together(n int, f func(i int) error) error {
	errs := make([]error, n)
	var wg sync.WaitGroup
	for i := range n {
		wg.Go(func() { errs[i] = f(i) })
	}
	wg.Wait()
	return errors.Join(errs...)
}

// beside runs a load while fresh trucks send timed events.
func (d *driver) beside(ctx context.Context, load func(context.Context) error) error {
	var over atomic.Bool
	var fresh error
	var wg sync.WaitGroup
	wg.Go(func() {
		fresh = d.together(freshers, func(i int) error {
			for !over.Load() {
				if err := d.timed(ctx, i); err != nil {
					return err
				}
				if err := pause(ctx, freshEvery*freshers); err != nil {
					return err
				}
			}
			return nil
		})
	})
	err := load(ctx)
	over.Store(true)
	wg.Wait()
	return errors.Join(err, fresh)
}

// largest has four trucks send events as long as an event may be.
func largest(ctx context.Context, d *driver) (string, error) {
	const at, each = 4, 8 // trucks, and events a request
	return "", d.beside(ctx, func(ctx context.Context) error {
		return d.together(at, func(i int) error {
			truck := d.opts.trucks + i
			for sent := 0; sent < d.opts.largest/at; sent += each {
				if _, err := d.hand(ctx, truck, padded(d.next(truck, each, check))); err != nil {
					return err
				}
			}
			return nil
		})
	})
}

// catchUp has one truck hand over a backlog as the program's own client does: in
// windows, of which a few are on their way.
func catchUp(ctx context.Context, d *driver) (string, error) {
	truck := d.opts.trucks + 4
	return "", d.beside(ctx, func(ctx context.Context) error {
		var ahead []ledger.Ticket
		for sent := 0; sent < d.opts.catchUp; sent += windowEvents {
			if len(ahead) == windowsAhead {
				if _, err := d.client.Await(ctx, ahead[0]); err != nil {
					return err
				}
				ahead = ahead[1:]
			}
			t, err := d.hand(ctx, truck, d.next(truck, min(windowEvents, d.opts.catchUp-sent), water))
			if err != nil {
				return err
			}
			ahead = append(ahead, t)
			d.progress(sent, d.opts.catchUp)
		}
		return nil
	})
}

// catchUpDirect has one truck publish a backlog to the broker as fast as it is taken,
// without waiting for what is recorded: what windows spare the others.
func catchUpDirect(ctx context.Context, d *driver) (note string, err error) {
	if d.target.nats == "" {
		return "not run: no broker is known, see --nats", nil
	}
	b, err := broker.Open(ctx, broker.Options{URL: d.target.nats, Join: true})
	if err != nil {
		return "", err
	}
	defer func() { err = errors.Join(err, b.Close(context.WithoutCancel(ctx))) }()
	truck := d.opts.trucks + 5
	return "", d.beside(ctx, func(ctx context.Context) error {
		for sent := 0; sent < d.opts.direct; {
			msgs := d.next(truck, min(windowEvents, d.opts.direct-sent), water)
			out := make([]broker.Message, len(msgs))
			for i, m := range msgs {
				out[i] = broker.Message(m)
			}
			acks, err := b.Publish(ctx, out)
			d.took(truck, len(acks))
			sent += len(acks)
			if err != nil {
				d.refused("broker")
				if err := pause(ctx, time.Second); err != nil {
					return err
				}
			}
			d.progress(sent, d.opts.direct)
		}
		return nil
	})
}

func (d *driver) progress(done, all int) {
	if done%(100*windowEvents) == 0 {
		fmt.Fprintf(d.stderr, "  %d of %d\n", done, all)
	}
}

// slowClients has many clients that send half a header, half a body, or read nothing
// of a long answer, while trucks go on.
func slowClients(ctx context.Context, d *driver) (string, error) {
	const each = 40
	u, err := url.Parse(d.target.server)
	if err != nil {
		return "", err
	}
	begin := []string{
		"POST /v1/events HTTP/1.1\r\nHost: loc",
		"POST /v1/events HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/x-ndjson\r\nContent-Length: 67000000\r\n\r\n{",
		"GET /v1/events?limit=10000 HTTP/1.1\r\nHost: localhost\r\n\r\n",
	}
	var conns []net.Conn
	defer func() {
		for _, c := range conns {
			_ = c.Close() // the server may have closed it
		}
	}()
	for range each {
		for _, text := range begin {
			c, err := (&net.Dialer{}).DialContext(ctx, "tcp", u.Host)
			if err != nil {
				return "", err
			}
			conns = append(conns, c)
			if _, err := io.WriteString(c, text); err != nil {
				return "", err
			}
		}
	}
	err = d.beside(ctx, func(ctx context.Context) error { return pause(ctx, d.opts.length) })
	return fmt.Sprintf("%d connections that send or read nothing more", len(conns)), err
}

// cancelledReports asks for reports and goes away, while trucks go on. Afterwards no
// statement may run in the engine.
func cancelledReports(ctx context.Context, d *driver) (string, error) {
	asked, whole := 0, 0
	err := d.beside(ctx, func(ctx context.Context) error {
		for end := time.Now().Add(d.opts.length); time.Now().Before(end); asked++ {
			going, cancel := context.WithTimeout(ctx, time.Duration(20+asked*37%400)*time.Millisecond)
			q := url.Values{"from": {"2026-10-01"}, "to": {"2026-10-31"}, "tz": {"Europe/Dublin"}, "format": {"xlsx"}}
			err := d.client.Export(going, io.Discard, "water", q)
			cancel()
			if err == nil {
				whole++
			}
			if ctx.Err() != nil {
				return ctx.Err()
			}
		}
		return nil
	})
	if err != nil || d.target.engine == "" {
		return fmt.Sprintf("%d asked, %d in time", asked, whole), err
	}
	begun := time.Now()
	for {
		running, err := d.statements(ctx)
		if err != nil {
			return "", err
		}
		if running == "0" {
			return fmt.Sprintf("%d asked and left, %d answered in time; no statement runs in the engine %d ms afterwards", asked, whole, time.Since(begun).Milliseconds()), nil
		}
		if time.Since(begun) > 10*time.Second {
			return "", fmt.Errorf("%s statements still run in the engine 10 s after their clients left", running)
		}
		if err := pause(ctx, 20*time.Millisecond); err != nil {
			return "", err
		}
	}
}

// statements counts what reads events in the engine.
func (d *driver) statements(ctx context.Context) (string, error) {
	q := url.Values{"query": {"SELECT count() FROM system.processes WHERE query LIKE 'SELECT position, recorded, body%'"}}
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, d.target.engine+"/?"+q.Encode(), nil)
	if err != nil {
		return "", err
	}
	res, err := d.http.Do(req)
	if err != nil {
		return "", err
	}
	defer res.Body.Close()
	text, err := io.ReadAll(io.LimitReader(res.Body, 1<<16))
	if err == nil && res.StatusCode != http.StatusOK {
		err = fmt.Errorf("the engine answers %s: %s", res.Status, text)
	}
	return strings.TrimSpace(string(text)), err
}
