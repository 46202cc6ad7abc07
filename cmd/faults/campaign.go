package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"sync"
	"time"

	"spoilbook/services/sim"
)

// plan says which rounds to run.
type plan struct {
	seed     uint64
	rounds   int           // of each kind
	longest  time.Duration // after which no round is begun; 0 for no end
	only     string        // a kind's name; empty for all
	parallel int           // rounds at once
	events   int           // of each round, besides the register
	harms    int           // rounds of each kind of harm to files, for one of the others
	sims     int           // simulated seeds
}

// row is a row of the table: all rounds of one kind.
type row struct {
	Fault      string `json:"fault"`
	Rounds     int    `json:"rounds"`
	Times      int    `json:"times"`
	Events     int    `json:"events"` // at stake
	Lost       int    `json:"lost"`
	Doubled    int    `json:"doubled"`
	Undetected int    `json:"undetected"`
	Named      int    `json:"named"`
	Harmless   int    `json:"harmless"`
}

// finding is a promise that broke, and how to see it again.
type finding struct {
	Fault string `json:"fault"`
	Seed  uint64 `json:"seed"`
	What  string `json:"what"`
	Again string `json:"again"`
}

// result is what a campaign found.
type result struct {
	Seed       uint64         `json:"seed"`
	Seconds    int            `json:"seconds"`
	Rows       []row          `json:"rows"`
	Files      map[string]int `json:"files"` // harmed, by kind
	Check      string         `json:"check"` // the command that looked for damage afterwards
	Simulation sim.Total      `json:"simulation"`
	Broken     []finding      `json:"broken"`
}

// simulated names the row of the simulation.
const simulated = "simulated days, with every kind of fault at once"

// again is the command that runs a round again.
func (p plan) again(seed uint64, fault string) string {
	if fault == simulated {
		return fmt.Sprintf("go run ./cmd/spoilbook simulate --seed %d --runs 1 --days 3", seed)
	}
	few := ""
	if p.events != wholeMonth {
		few = fmt.Sprintf(" --events %d", p.events)
	}
	return fmt.Sprintf("go run ./cmd/faults --seed %d --rounds 1 --harms 1%s --only '%s'", seed, few, fault)
}

// run runs a plan. Progress goes to log. Its error is one of the machinery, not of
// a ledger.
func (p plan) run(ctx context.Context, st *stage, log io.Writer) (*result, error) {
	began := time.Now()
	r := &result{Seed: p.seed, Files: map[string]int{}, Check: st.programs.check, Broken: []finding{}}
	if p.sims > 0 {
		fmt.Fprintf(log, "simulating %d seeds\n", p.sims)
		r.simulate(ctx, p)
	}
	jobs := p.jobs(r)
	var mu sync.Mutex
	var failure error
	queue := make(chan job)
	var wg sync.WaitGroup
	for range p.parallel {
		wg.Go(func() {
			for j := range queue {
				o, err := j.run(ctx, st, j.seed)
				mu.Lock()
				if failure == nil && err != nil {
					failure = fmt.Errorf("%s: %w", p.again(j.seed, j.Name), err)
				}
				if err == nil {
					r.add(j.row, &o, j.seed, p.again(j.seed, j.Name), log)
				}
				mu.Unlock()
			}
		})
	}
	for _, j := range jobs {
		mu.Lock()
		over := failure != nil || ctx.Err() != nil || p.longest > 0 && time.Since(began) > p.longest
		mu.Unlock()
		if over {
			break
		}
		queue <- j
	}
	close(queue)
	wg.Wait()
	r.Seconds = int(time.Since(began).Seconds())
	return r, failure
}

// job is one round to run, and the row that it belongs to.
type job struct {
	kind
	row  int
	seed uint64
}

// many is how often a kind has its turn for one of the others. A harm is one of
// many in a file of many, and quickly done.
func (k kind) many(p plan) int {
	if k.harms {
		return p.harms
	}
	return 1
}

// jobs lists the rounds, one of each kind and then the next, and makes their rows.
func (p plan) jobs(r *result) (all []job) {
	var chosen []kind
	for _, k := range kinds() {
		if p.only == "" || p.only == k.Name {
			chosen = append(chosen, k)
			r.Rows = append(r.Rows, row{Fault: k.Name})
		}
	}
	first := len(r.Rows) - len(chosen)
	for i := range p.rounds {
		for j, k := range chosen {
			for n := range k.many(p) {
				all = append(all, job{k, first + j, p.seed + uint64(i*k.many(p)+n)})
			}
		}
	}
	return all
}

// add adds one round to its row.
func (r *result) add(at int, o *outcome, seed uint64, again string, log io.Writer) {
	w := &r.Rows[at]
	w.Rounds++
	w.Times += o.Times
	w.Events += o.Events
	w.Lost += o.Lost
	w.Doubled += o.Doubled
	w.Undetected += o.Undetected
	w.Named += o.Named
	w.Harmless += o.Harmless
	for kind, n := range o.files {
		r.Files[kind] += n
	}
	for _, what := range o.Wrong {
		r.Broken = append(r.Broken, finding{w.Fault, seed, what, again})
		fmt.Fprintf(log, "BROKEN %s\n  see it again: %s\n", what, again)
	}
	fmt.Fprintf(log, "%s, seed %d: %d times, %d named as damage, %d without effect\n", w.Fault, seed, o.Times, o.Named, o.Harmless)
}

// simulate runs the simulation and makes its row.
func (r *result) simulate(ctx context.Context, p plan) {
	r.Simulation = sim.Campaign(ctx, p.seed, p.sims, sim.Options{}, func(s sim.Result) {
		if s.Broke() {
			r.Broken = append(r.Broken, finding{simulated, s.Seed, s.First, p.again(s.Seed, simulated)})
		}
	})
	t := r.Simulation
	times := 0
	for n := range maps.Values(t.Faults) {
		times += n
	}
	named := t.Faults["flipped-bit"] - t.Undetected
	r.Rows = append(r.Rows, row{Fault: simulated, Rounds: t.Runs, Times: times, Events: t.Events, Lost: t.Lost, Doubled: t.Doubled,
		Undetected: t.Undetected, Named: named, Harmless: times - named - t.Undetected})
}
