package sim

import (
	"os"
	"strconv"
	"sync"
	"testing"
)

func TestQuick(t *testing.T) {
	n, _ := strconv.ParseUint(os.Getenv("SEEDS"), 10, 64)
	from, _ := strconv.ParseUint(os.Getenv("FROM"), 10, 64)
	var mu sync.Mutex
	total := map[string]int{}
	ev := 0
	seeds := make(chan uint64)
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() {
			for seed := range seeds {
				r := Run(seed, Options{})
				mu.Lock()
				for k, v := range r.Faults {
					total[k] += v
				}
				ev += r.Events
				if r.Broke() {
					t.Logf("seed %d events %d msgs %d rec %d q %d blocks %d h %d viol %d lost %d dbl %d und %d: %s", seed, r.Events, r.Messages, r.Recorded, r.Quarantined, r.Blocks, r.Hours, r.Violations, r.Lost, r.Doubled, r.Undetected, r.First)
				}
				mu.Unlock()
			}
		})
	}
	for s := range n {
		seeds <- from + s
	}
	close(seeds)
	wg.Wait()
	t.Log(ev, total)
}
