package history

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// said makes a history of questions that were answered one after another.
func said(pairs ...any) *History {
	h := &History{}
	for i := 0; i < len(pairs); i += 2 {
		h.Call(i, pairs[i].(Input))(pairs[i+1].(Output))
	}
	return h
}

func fresh(p ...bool) Output { return Output{Known: true, Fresh: len(p) == 0} }

func TestWhatNoLedgerCouldSay(t *testing.T) {
	a, b := Input{Op: Append, ID: "a"}, Input{Op: Append, ID: "b"}
	is := func(n uint64) Output { return Output{Known: true, Position: n} }
	for _, c := range []struct {
		name string
		h    *History
		log  string
		want Verdict
	}{
		{"an event is appended and seen", said(a, fresh(), Input{Op: Head}, is(1), Input{Op: Find, ID: "a"}, is(1), Input{Op: At, Position: 1}, Output{Known: true, ID: "a"}), "a", Sound},
		{"sent again it is known", said(a, fresh(), a, fresh(false), Input{Op: Head}, is(1)), "a", Sound},
		{"what was recorded is not there", said(a, fresh(), Input{Op: Head}, is(0)), "a", Broken},
		{"an event counts twice", said(a, fresh(), a, fresh()), "a", Broken},
		{"its own first copy is known", said(a, fresh(false)), "a", Sound},
		{"what nobody sent is known", said(a, fresh(false)), "", Broken},
		{"the head goes back", said(a, fresh(), b, fresh(), Input{Op: Head}, is(2), Input{Op: Head}, is(1)), "a b", Broken},
		{"a report goes back behind the head", said(a, fresh(), b, fresh(), Input{Op: Head}, is(2), Input{Op: Report}, is(1)), "a b", Broken},
		{"two events stand at one position", said(a, fresh(), b, fresh(), Input{Op: Find, ID: "a"}, is(1), Input{Op: Find, ID: "b"}, is(1)), "a b", Broken},
		{"an unanswered append happens later", said(a, Output{}, Input{Op: Head}, is(0), Input{Op: Head}, is(1)), "a", Sound},
		{"an unanswered append never happens", said(a, Output{}, Input{Op: Head}, is(0)), "", Sound},
		{"an unanswered append happens and is undone", said(a, Output{}, Input{Op: Head}, is(1), Input{Op: Head}, is(0)), "a", Broken},
		{"an unanswered append happens and is not there at the end", said(a, Output{}, Input{Op: Head}, is(1)), "", Broken},
		{"what was recorded is not there at the end", said(a, fresh()), "", Broken},
		{"an event is there twice at the end", said(a, fresh()), "a a", Broken},
		{"two were asked to append and neither was answered", said(a, Output{}, a, Output{}, Input{Op: Head}, is(0), Input{Op: Find, ID: "a"}, is(1)), "a", Sound},
		{"an unanswered read says nothing", said(a, fresh(), Input{Op: Head}, Output{}), "a", Sound},
	} {
		if got := c.h.Check(strings.Fields(c.log), time.Minute); got != c.want {
			t.Errorf("%s: the history is %s, want %s", c.name, got, c.want)
		}
	}
}

// A real log that answers in the middle of each question is sound, and one whose
// last read tells less than it knows is not.
func TestHistoriesOfARealLog(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		h, ids := &History{}, []string(nil)
		var open []func()
		for i := range 60 {
			in := Input{Op: Op(rng.IntN(5)), ID: fmt.Sprint("e-", rng.IntN(20)), Position: uint64(rng.IntN(15))}
			answer := h.Call(i, in)
			at := slices.Index(ids, in.ID) + 1
			out := Output{Known: true, Fresh: at == 0, Position: uint64(len(ids))}
			if in.Op == Find {
				out.Position = uint64(at)
			}
			if p := int(in.Position); p >= 1 && p <= len(ids) {
				out.ID = ids[p-1]
			}
			if in.Op == Append && out.Fresh {
				ids = append(ids, in.ID)
			}
			if in.Op == Append && rng.IntN(8) == 0 {
				out = Output{}
			}
			open = append(open, func() { answer(out) })
			for len(open) > rng.IntN(5) {
				at := rng.IntN(len(open))
				open[at]()
				open = append(open[:at], open[at+1:]...)
			}
		}
		for _, answer := range open {
			answer()
		}
		if got := h.Check(ids, time.Minute); got != Sound {
			t.Fatalf("a real log is %s", got)
		}
		if len(ids) == 0 {
			return
		}
		h.Call(60, Input{Op: Head})(Output{Known: true, Position: uint64(len(ids))})
		h.Call(61, Input{Op: Head})(Output{Known: true, Position: uint64(len(ids) - 1)})
		if got := h.Check(ids, time.Minute); got != Broken {
			t.Fatalf("a log that goes back is %s", got)
		}
	})
}
