package sim

import (
	"container/heap"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"hash"
	"math/rand/v2"
	"time"
)

// epoch is when every simulation begins, by a perfect clock.
func epoch() time.Time { return time.Date(2026, 10, 5, 0, 0, 0, 0, time.UTC) }

// world is the clock, the dice and what is going to happen. Everything happens on
// one goroutine, in the order of virtual time.
type world struct {
	now    time.Duration // since epoch
	queue  happenings
	order  uint64
	rng    *rand.Rand
	calm   bool // no more faults
	over   bool // nothing more happens
	faults map[string]int
	trace  *trace
	steps  int
}

// maxSteps bounds a run that went out of hand.
const maxSteps = 3_000_000

func newWorld(seed uint64) *world {
	return &world{rng: rand.New(rand.NewPCG(seed, 0x5b0_11b00c)), faults: map[string]int{}, trace: newTrace()}
}

// happening is something due at a time; order breaks ties.
type happening struct {
	at    time.Duration
	order uint64
	do    func()
}

// happenings is a heap, the next first.
type happenings []happening

func (h happenings) Len() int { return len(h) }
func (h happenings) Less(i, j int) bool {
	return h[i].at < h[j].at || h[i].at == h[j].at && h[i].order < h[j].order
}
func (h happenings) Swap(i, j int) { h[i], h[j] = h[j], h[i] }
func (h *happenings) Push(x any)   { *h = append(*h, x.(happening)) }
func (h *happenings) Pop() any {
	old := *h
	last := old[len(old)-1]
	old[len(old)-1] = happening{}
	*h = old[:len(old)-1]
	return last
}

// after has do happen in d.
func (w *world) after(d time.Duration, do func()) {
	w.order++
	heap.Push(&w.queue, happening{w.now + max(d, 0), w.order, do})
}

// runFor lets d go by, with all that happens in it, while going holds. It may be
// called from within a happening: then that one takes as long as d.
func (w *world) runFor(d time.Duration, going func() bool) {
	until := w.now + d
	for going() && len(w.queue) > 0 && w.queue[0].at <= until && w.steps < maxSteps && !w.over {
		next := heap.Pop(&w.queue).(happening)
		w.now = max(w.now, next.at)
		w.steps++
		next.do()
	}
	if going() {
		w.now = max(w.now, until)
	}
}

func always() bool { return true }

// fault rolls the dice for a fault of a kind and counts it.
func (w *world) fault(kind string, p float64) bool {
	if w.calm || p <= 0 || w.rng.Float64() >= p {
		return false
	}
	w.count(kind)
	return true
}

// count counts a fault that happens.
func (w *world) count(kind string) { w.faults[kind]++ }

// chance rolls the dice for what is no fault.
func (w *world) chance(p float64) bool { return w.rng.Float64() < p }

// between returns a duration from a to b.
func (w *world) between(a, b time.Duration) time.Duration {
	return a + time.Duration(w.rng.Int64N(int64(b-a)+1))
}

// about returns a duration whose mean is d, at most ten times d.
func (w *world) about(d time.Duration) time.Duration {
	return min(time.Duration(w.rng.ExpFloat64()*float64(d)), 10*d) + time.Millisecond
}

// log adds a line to the trace.
func (w *world) log(who, format string, args ...any) {
	w.trace.add(fmt.Sprintf("%s %-8s %s", stamp(w.now), who, fmt.Sprintf(format, args...)))
}

// stamp shows virtual time as day and time of day.
func stamp(d time.Duration) string {
	day := d / (24 * time.Hour)
	d -= day * 24 * time.Hour
	return fmt.Sprintf("%d+%02d:%02d:%02d.%03d", day, d/time.Hour, d/time.Minute%60, d/time.Second%60, d/time.Millisecond%1000)
}

// traceTail is how many lines of the trace are kept for people.
const traceTail = 60

// trace hashes all lines and keeps the last ones.
type trace struct {
	sum   hash.Hash
	lines []string
	count int
}

func newTrace() *trace { return &trace{sum: sha256.New()} }

func (t *trace) add(line string) {
	t.sum.Write([]byte(line))
	t.sum.Write([]byte{'\n'})
	t.count++
	if len(t.lines) == 2*traceTail {
		t.lines = append(t.lines[:0], t.lines[traceTail:]...)
	}
	t.lines = append(t.lines, line)
}

func (t *trace) hash() string { return hex.EncodeToString(t.sum.Sum(nil)) }

// tail returns the last lines.
func (t *trace) tail() []string {
	return append([]string(nil), t.lines[max(0, len(t.lines)-traceTail):]...)
}
