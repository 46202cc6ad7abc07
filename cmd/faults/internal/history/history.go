// Package history records what clients of a ledger saw, each with when they asked
// and when they were answered, and asks whether one ledger could have said it all: a
// log to which each event is appended once, at one moment between the asking and
// the answer, and from which every read tells a prefix. An append whose answer never
// came may have happened at any time since, or not at all.
//
// For example, this could not have been said, because e-1 was recorded when the
// second client looked:
//
//	var h history.History
//	done := h.Call(0, history.Input{Op: history.Append, ID: "e-1"})
//	done(history.Output{Known: true, Fresh: true})
//	done = h.Call(1, history.Input{Op: history.Head})
//	done(history.Output{Known: true, Position: 0})
//	h.Check([]string{"e-1"}, time.Minute) // history.Broken
package history

import (
	"fmt"
	"math"
	"sync"
	"time"

	"github.com/anishathalye/porcupine"
)

// Op is what a client asks for.
type Op int

// The operations.
const (
	Append Op = iota // have ID recorded; the answer says whether it is fresh
	Head             // the last position
	Find             // the position of ID, 0 when it is not there
	At               // the ID at Position, empty when nothing stands there
	Report           // the position that a report of the head covers
)

// Input is a question.
type Input struct {
	Op       Op
	ID       string
	Position uint64
}

// Output is an answer. It is not Known when none came.
type Output struct {
	Known    bool
	Fresh    bool // Append: recorded now, and not before
	Position uint64
	ID       string
}

// Verdict is what a history shows.
type Verdict string

// The verdicts.
const (
	Sound     Verdict = "sound"     // one ledger could have said all of it
	Broken    Verdict = "broken"    // no ledger could
	Undecided Verdict = "undecided" // it takes too long to tell
)

// History is questions and answers of several clients. The zero value is empty. It
// is safe for use by several goroutines.
type History struct {
	mu   sync.Mutex
	ops  []porcupine.Operation
	tick int64
}

// now orders what happens; a clock could give one time twice.
func (h *History) now() int64 {
	h.tick++
	return h.tick
}

// Call notes a question; the function that it returns notes the answer, or that
// none came. A read without an answer says nothing and is left out.
func (h *History) Call(client int, in Input) (answer func(Output)) {
	h.mu.Lock()
	defer h.mu.Unlock()
	call := h.now()
	return func(out Output) {
		h.mu.Lock()
		defer h.mu.Unlock()
		returned := h.now()
		if !out.Known {
			if in.Op != Append {
				return
			}
			returned = math.MaxInt64 // it may still happen
		}
		h.ops = append(h.ops, porcupine.Operation{ClientId: client, Input: in, Call: call, Output: out, Return: returned})
	}
}

// Len counts the operations, and of them the appends whose answer never came.
func (h *History) Len() (all, unknown int) {
	h.mu.Lock()
	defer h.mu.Unlock()
	for _, op := range h.ops {
		if out, ok := op.Output.(Output); ok && !out.Known {
			unknown++
		}
	}
	return len(h.ops), unknown
}

// Check decides, within about the time given. final is the log by id as it was read
// when all was quiet, from position 1 on.
func (h *History) Check(final []string, within time.Duration) Verdict {
	h.mu.Lock()
	defer h.mu.Unlock()
	l := log{final, map[string]uint64{}}
	for i, id := range final {
		if l.position[id] > 0 {
			return Broken // there twice
		}
		l.position[id] = uint64(i + 1)
	}
	var ops []porcupine.Operation
	for _, op := range h.ops {
		in, _ := op.Input.(Input)
		out, _ := op.Output.(Output)
		if in.Op == Append && !out.Known && l.position[in.ID] == 0 {
			continue // it never happened
		}
		ops = append(ops, op)
	}
	switch porcupine.CheckOperationsTimeout(l.model(), ops, within) {
	case porcupine.Ok:
		return Sound
	case porcupine.Illegal:
		return Broken
	}
	return Undecided
}

// log is the ids by position, and the positions by id. How many of them are there
// already is the state of the ledger.
type log struct {
	ids      []string
	position map[string]uint64
}

// find returns the position of an id when the log holds n events.
func (l *log) find(id string, n uint64) uint64 {
	if at := l.position[id]; at <= n {
		return at
	}
	return 0
}

// at returns the id at a position when the log holds n events.
func (l *log) at(position, n uint64) string {
	if position == 0 || position > n {
		return ""
	}
	return l.ids[position-1]
}

// model says which answers the log may give, and what it holds afterwards.
func (l *log) model() porcupine.Model {
	return porcupine.Model{
		Init: func() any { return uint64(0) },
		Step: func(state, in, out any) (bool, any) {
			n, _ := state.(uint64)
			i, _ := in.(Input)
			o, _ := out.(Output)
			return l.step(n, i, o)
		},
		DescribeOperation: func(in, out any) string { return fmt.Sprintf("%+v -> %+v", in, out) },
	}
}

// step reports whether a log of n events may give an answer, and how many it holds
// then. An append without an answer either happens here or is put off: one that
// never happens can be put off until its event is there, by whomever.
func (l *log) step(n uint64, in Input, out Output) (bool, any) {
	switch in.Op {
	case Append:
		switch at := l.position[in.ID]; {
		case at == 0 || at > n+1:
			return false, n
		case at == n+1:
			// The answer may be "known already" all the same: a hub that is not sure
			// whether the broker took a message hands it over twice, and the answer
			// is about the second.
			return true, n + 1
		}
		return !out.Fresh, n
	case Head, Report:
		return out.Position == n, n
	case Find:
		return out.Position == l.find(in.ID, n), n
	case At:
		return out.ID == l.at(in.Position, n), n
	}
	return false, n
}
