package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/http"
	"syscall"
	"time"

	"spoilbook/cmd/faults/internal/fleet"
	"spoilbook/cmd/faults/internal/process"
)

// blow is something that befalls a part of a site, and is over when it returns.
type blow func(ctx context.Context, rng *rand.Rand, p *part) (bool, error)

func killed(_ context.Context, rng *rand.Rand, p *part) (bool, error) {
	return p.strike(millis(rng, 600), func(now *process.Process) error { now.End(syscall.SIGKILL); return nil })
}

func stopped(_ context.Context, rng *rand.Rand, p *part) (bool, error) {
	return p.strike(millis(rng, 600), func(now *process.Process) error {
		if status := now.End(syscall.SIGTERM); status < 0 {
			return fmt.Errorf("%s did not stop when it was told to, and had to be killed", p.name)
		}
		return nil
	})
}

// halted stands still for up to three seconds, and one time in six for longer than
// the lease of an intake lasts.
func halted(ctx context.Context, rng *rand.Rand, p *part) (bool, error) {
	for_ := millis(rng, 3000)
	if rng.IntN(6) == 0 {
		for_ += 11 * time.Second
	}
	hit, err := p.strike(0, (*process.Process).Halt)
	if !hit || err != nil {
		return hit, err
	}
	return true, errors.Join(rested(ctx, for_), p.resume())
}

func (p *part) resume() error {
	_, err := p.strike(0, (*process.Process).Resume)
	return err
}

func millis(rng *rand.Rand, most int) time.Duration {
	return time.Duration(rng.IntN(most)) * time.Millisecond
}

// rested lets a fault last.
func rested(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// blows has n blows fall on the parts named, one after another, at moments that
// spread over the load: when so many events are recorded, and a little later. Most
// fall on a part that is at work, some on one that is only starting.
func blows(rng *rand.Rand, n int, names []string, kinds ...blow) strikes {
	return func(ctx context.Context, s *site, f *fleet.Fleet) (times int, err error) {
		for i := range n {
			at := (float64(i) + rng.Float64()) / float64(n) * 0.9 * float64(f.Total())
			if err := errors.Join(f.Await(ctx, int(at)), rested(ctx, millis(rng, 40))); err != nil {
				return times, err
			}
			p := s.part(names[rng.IntN(len(names))])
			if rng.IntN(4) > 0 {
				if err := p.await(ctx); err != nil {
					return times, err
				}
			}
			hit, err := kinds[rng.IntN(len(kinds))](ctx, rng, p)
			if err != nil {
				return times, err
			}
			if hit {
				times++
			}
		}
		return times, nil
	}
}

// allAtOnce kills every process of a site, twice.
func allAtOnce(rng *rand.Rand) strikes {
	return func(ctx context.Context, s *site, f *fleet.Fleet) (times int, err error) {
		for i := range 2 {
			at := (float64(i) + rng.Float64()) / 2 * 0.9 * float64(f.Total())
			if err := f.Await(ctx, int(at)); err != nil {
				return times, err
			}
			for _, p := range s.parts {
				if err := p.await(ctx); err != nil {
					return times, err
				}
			}
			for _, p := range s.parts {
				if _, err := killed(ctx, rng, p); err != nil {
					return times, err
				}
			}
			times++
		}
		return times, nil
	}
}

// onNodes has a blow fall on the server that leads the stream of events, or on
// one that follows.
func onNodes(rng *rand.Rand, leading bool, n int, b func(ctx context.Context, rng *rand.Rand, s *site, i int) (bool, error)) strikes {
	return func(ctx context.Context, s *site, f *fleet.Fleet) (times int, err error) {
		for i := range n {
			at := (float64(i) + rng.Float64()) / float64(n) * 0.9 * float64(f.Total())
			if err := f.Await(ctx, int(at)); err != nil {
				return times, err
			}
			struck, err := s.leader(ctx)
			if err != nil {
				return times, err
			}
			if !leading {
				struck = (struck + 1 + rng.IntN(2)) % 3
			}
			hit, err := b(ctx, rng, s, struck)
			if err != nil {
				return times, err
			}
			if hit {
				times++
			}
			for i := range 3 { // two at once is more than three copies promise
				if err := s.part(node(i)).await(ctx); err != nil {
					return times, err
				}
			}
		}
		return times, nil
	}
}

// onNode makes a blow on a part one on a node.
func onNode(b blow) func(ctx context.Context, rng *rand.Rand, s *site, i int) (bool, error) {
	return func(ctx context.Context, rng *rand.Rand, s *site, i int) (bool, error) {
		return b(ctx, rng, s.part(node(i)))
	}
}

// cutOff takes a node's routes to the two others away, both ways, for a while.
func cutOff(ctx context.Context, rng *rand.Rand, s *site, i int) (bool, error) {
	each := func(do func(*link)) {
		for j := range 3 {
			if j != i {
				do(s.links[i][j])
				do(s.links[j][i])
			}
		}
	}
	each((*link).cut)
	err := rested(ctx, 2*time.Second+millis(rng, 6000))
	each((*link).mend)
	return true, err
}

// leader asks the servers which of them leads the stream of events, until one is
// known.
func (s *site) leader(ctx context.Context) (int, error) {
	for {
		for _, monitor := range s.monitors {
			name, err := leaderSays(ctx, monitor)
			for i := range s.monitors {
				if err == nil && name == node(i) {
					return i, nil
				}
			}
		}
		if err := rested(ctx, restartPause); err != nil {
			return 0, fmt.Errorf("no server leads the stream: %w", err)
		}
	}
}

func leaderSays(ctx context.Context, monitor string) (string, error) {
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, "http://"+monitor+"/jsz?accounts=1&streams=1", nil)
	if err != nil {
		return "", err
	}
	res, err := (&http.Client{Timeout: 2 * time.Second}).Do(req)
	if err != nil {
		return "", err
	}
	defer res.Body.Close()
	var v struct {
		Accounts []struct {
			Streams []struct {
				Name    string `json:"name"`
				Cluster struct {
					Leader string `json:"leader"`
				} `json:"cluster"`
			} `json:"stream_detail"`
		} `json:"account_details"`
	}
	if err := json.NewDecoder(res.Body).Decode(&v); err != nil {
		return "", err
	}
	for _, a := range v.Accounts {
		for _, st := range a.Streams {
			if st.Name == "SPOILBOOK_EVENTS" {
				return st.Cluster.Leader, nil
			}
		}
	}
	return "", errors.New("no stream")
}
