package sim

import (
	"context"
	"runtime"
	"slices"
	"sync"
)

// maxFailed is how many failed seeds a Total names.
const maxFailed = 100

// Total adds up the results of many seeds.
type Total struct {
	Seed        uint64         `json:"seed"` // the first
	Runs        int            `json:"runs"`
	Days        int            `json:"days"`  // of faults, each run
	Hours       int            `json:"hours"` // simulated, all runs
	Events      int            `json:"events"`
	Messages    int            `json:"messages"`
	Recorded    int            `json:"recorded"`
	Quarantined int            `json:"quarantined"`
	Blocks      int            `json:"blocks"`
	Faults      map[string]int `json:"faults"`
	Lost        int            `json:"lost"`
	Doubled     int            `json:"doubled"`
	Undetected  int            `json:"undetected"`
	Violations  int            `json:"violations"`
	Failed      []uint64       `json:"failed"` // seeds, the lowest 100
}

// add adds one result.
func (t *Total) add(r Result) {
	t.Runs++
	t.Days = r.Days
	t.Hours += r.Hours
	t.Events += r.Events
	t.Messages += r.Messages
	t.Recorded += r.Recorded
	t.Quarantined += r.Quarantined
	t.Blocks += r.Blocks
	t.Lost += r.Lost
	t.Doubled += r.Doubled
	t.Undetected += r.Undetected
	t.Violations += r.Violations
	for kind, n := range r.Faults {
		t.Faults[kind] += n
	}
	if r.Broke() {
		at, _ := slices.BinarySearch(t.Failed, r.Seed)
		t.Failed = slices.Insert(t.Failed, at, r.Seed)
		t.Failed = t.Failed[:min(len(t.Failed), maxFailed)]
	}
}

// Campaign runs the seeds from first on, as many at once as there are processors,
// until runs are done or ctx ends; runs that were begun are finished. It calls
// each, one at a time, in no particular order.
func Campaign(ctx context.Context, first uint64, runs int, o Options, each func(Result)) Total {
	total := Total{Seed: first, Faults: map[string]int{}, Failed: []uint64{}}
	seeds := make(chan uint64)
	var mu sync.Mutex
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for seed := range seeds {
				r := Run(seed, o)
				mu.Lock()
				total.add(r)
				each(r)
				mu.Unlock()
			}
		})
	}
	for i := range runs {
		select {
		case seeds <- first + uint64(i):
			continue
		case <-ctx.Done():
		}
		break
	}
	close(seeds)
	wg.Wait()
	return total
}
