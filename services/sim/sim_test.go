package sim

import (
	"bufio"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"
	"time"
)

// boundedSeeds is how many new seeds a test run tries; `spoilbook simulate` tries
// as many as one likes.
const boundedSeeds = 30

func fail(t *testing.T, r Result) {
	t.Helper()
	t.Errorf("%s\nseed %d: %s (violations %d, lost %d, doubled %d, undetected %d)\n  see it again: %s",
		strings.Join(r.Tail, "\n"), r.Seed, r.First, r.Violations, r.Lost, r.Doubled, r.Undetected, r.Command())
}

func TestNoPromiseBreaks(t *testing.T) {
	total := Campaign(t.Context(), 1, boundedSeeds, Options{}, func(r Result) {
		if r.Broke() {
			fail(t, r)
		}
	})
	if total.Runs != boundedSeeds || total.Events == 0 || total.Recorded == 0 {
		t.Errorf("%+v: not all seeds ran", total)
	}
	kinds := []string{"acknowledgement-forgotten", "broker-storage-lost", "clock-jump-broker", "clock-jump-hub", "clock-jump-truck", "crash-broker",
		"crash-broker-before-sync", "crash-intake", "crash-store", "crash-store-while-writing", "crash-truck", "crash-truck-before-sync",
		"dismissal", "disk-full-broker", "disk-full-store", "disk-full-truck", "flipped-bit", "insert-late", "insert-slow", "insert-unanswered", "link-duplicate",
		"link-late-and-reordered", "link-loss", "link-offline", "link-offline-for-days", "other-body", "power-cut", "publish-unanswered", "tail-cut-off-broker",
		"redelivery", "release", "store-refuses-insert", "store-refuses-read", "torn-write-broker", "torn-write-store", "torn-write-truck",
		"unreadable-message", "wrong-subject"}
	for _, kind := range kinds {
		if total.Faults[kind] == 0 {
			t.Errorf("the fault %s never happened", kind)
		}
	}
	if len(total.Faults) != len(kinds) {
		t.Errorf("%d kinds of faults happened, %d are known", len(total.Faults), len(kinds))
	}
}

func TestASeedIsAlwaysTheSameRun(t *testing.T) {
	hashes := map[string]bool{}
	for seed := range uint64(5) {
		first, again := Run(seed, Options{Days: 2}), Run(seed, Options{Days: 2})
		if !reflect.DeepEqual(first, again) {
			t.Errorf("seed %d gave\n%+v\nand then\n%+v", seed, first, again)
		}
		hashes[first.TraceHash] = true
	}
	if len(hashes) != 5 {
		t.Errorf("5 seeds gave %d different traces", len(hashes))
	}
}

// Seeds that once broke a promise are tried for ever. Each file has a comment that
// says what broke, then "seed N days N".
func TestSeedsThatFailedOnce(t *testing.T) {
	files, err := filepath.Glob("../../testdata/seeds/*.txt")
	if err != nil || len(files) == 0 {
		t.Fatalf("no seeds were found (%v)", err)
	}
	for _, file := range files {
		t.Run(filepath.Base(file), func(t *testing.T) {
			seed, days := readSeed(t, file)
			if r := Run(seed, Options{Days: days}); r.Broke() {
				fail(t, r)
			}
		})
	}
}

func readSeed(t *testing.T, file string) (seed uint64, days int) {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	found, explained := 0, false
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if strings.HasPrefix(lines.Text(), "# ") {
			explained = true
			continue
		}
		n, err := fmt.Sscanf(lines.Text(), "seed %d days %d", &seed, &days)
		if err != nil || n != 2 {
			t.Fatalf("%q is not a seed", lines.Text())
		}
		found++
	}
	if found != 1 || !explained {
		t.Fatalf("it has %d seeds and an explanation: %v; one of each is wanted", found, explained)
	}
	return seed, days
}

// small is a day on which little goes wrong by itself, but messages of all kinds
// come: trucks the register does not know yet, unreadable ones, other bodies.
func small() *profile {
	return &profile{trucks: 1, every: 4 * time.Hour, batch: 8, poll: 20 * time.Minute, hired: 4, foreign: 6, otherBody: 0.3, loss: 0.1}
}

// The intake dies at one step after another, before it and after it, until no step
// is left that it has not died at.
func TestDeathAtEveryStep(t *testing.T) {
	const most = 5000
	for at := 1; ; at++ {
		r := Run(11, Options{Days: 1, faults: small(), crashAt: at})
		if r.Broke() {
			t.Fatalf("death at step %d: %s\n%s", at, r.First, strings.Join(r.Tail, "\n"))
		}
		if r.Faults["crash-intake"] == 0 {
			if at < 300 || r.Quarantined == 0 {
				t.Errorf("only %d steps, %d quarantined: too small a day", at, r.Quarantined)
			}
			t.Logf("died at each of %d steps", at-1)
			return
		}
		if at == most {
			t.Fatalf("there are more than %d steps", most)
		}
	}
}

func TestTotalAddsUp(t *testing.T) {
	total := Total{Faults: map[string]int{}}
	for seed := range uint64(maxFailed + 10) {
		total.add(Result{Seed: maxFailed + 10 - seed, Days: 2, Hours: 3, Events: 4, Violations: 1, Lost: 1, Faults: map[string]int{"crash-truck": 2}})
	}
	if total.Runs != 110 || total.Hours != 330 || total.Events != 440 || total.Lost != 110 || total.Faults["crash-truck"] != 220 {
		t.Errorf("%+v", total)
	}
	if len(total.Failed) != maxFailed || total.Failed[0] != 1 || total.Failed[maxFailed-1] != maxFailed {
		t.Errorf("failed seeds %v: the lowest %d are named", total.Failed, maxFailed)
	}
	if _, err := json.Marshal(total); err != nil {
		t.Error(err)
	}
}
