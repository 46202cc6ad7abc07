package reports

import (
	"slices"

	"spoilbook/events"
)

// Explanation says how one line of a report came about, so that a reader with a
// calculator can redo it: the events, what the register said, the rules with their
// sources, and the arithmetic step by step. For example a consignment's explanation
// lists each load with the relation that gave its solids and water, each decant,
// and the share that the tip took.
type Explanation struct {
	Report, Table, Key string
	Says               string // what the line states, in a sentence
	Rules              []Rulebook
	Register           []RegisterUse
	Steps              []Step
	Cites              []uint64 // every event it rests on
}

// Rulebook is a rule that was applied and where it comes from. Source is a public
// text, "common practice", or the part of the register that sets it.
type Rulebook struct{ Rule, Source string }

// RegisterUse is a register entry as it read when it was applied.
type RegisterUse struct {
	Register events.Register
	Key      string
	From     events.Time // since when it read so
	Position uint64      // the revision's event
	Reads    string      // the values used: "clay, particle density 2690 kg/m³"
}

// Step is one step of arithmetic: "solids", "(3600 − 2.500 × 1000) ÷ (1 − 1000/2650)",
// "1766.667 kg".
type Step struct {
	What       string
	Arithmetic string
	Result     string
	Cites      []uint64
}

// Explainer is a computed report whose lines can be explained. Keys are those of
// its rows (Row.Key).
type Explainer interface {
	// Explain returns how the line with that key in that table came about; ok is
	// false when there is no such line.
	Explain(table, key string) (e Explanation, ok bool)
}

// Use records the revision of a register entry that was in force at a time; ok is
// false when there was none.
func (j *Journal) Use(r events.Register, key string, at events.Time, reads string) (RegisterUse, bool) {
	rev, ok := j.Book.At(r, key, at)
	if !ok {
		return RegisterUse{}, false
	}
	return RegisterUse{Register: r, Key: key, From: rev.From, Position: rev.Position, Reads: reads}, true
}

// Reckon adds a step of arithmetic with the events behind it.
func (e *Explanation) Reckon(what, arithmetic, result string, cites ...uint64) {
	e.Steps = append(e.Steps, Step{What: what, Arithmetic: arithmetic, Result: result, Cites: Union(cites)})
}

// Follow adds a rule with its source, each once.
func (e *Explanation) Follow(source, rule string) {
	if r := (Rulebook{Rule: rule, Source: source}); !slices.Contains(e.Rules, r) {
		e.Rules = append(e.Rules, r)
	}
}

// Read adds a register entry as it read at a time, each once; where the register had
// none it adds nothing.
func (e *Explanation) Read(j *Journal, r events.Register, key string, at events.Time, reads string) {
	if u, ok := j.Use(r, key, at, reads); ok && !slices.Contains(e.Register, u) {
		e.Register = append(e.Register, u)
	}
}

// Gather adds to Cites, in order and each once, the events of the steps and of the
// register and those given.
func (e *Explanation) Gather(cites ...uint64) {
	all := slices.Concat(e.Cites, cites)
	for _, s := range e.Steps {
		all = append(all, s.Cites...)
	}
	for _, u := range e.Register {
		all = append(all, u.Position)
	}
	e.Cites = Union(all)
}

// ExplainKeyed calls with for the first of a list that has a key, and reports whether
// there was one.
func ExplainKeyed[T any](list []T, key string, of func(*T) string, with func(*T)) bool {
	for i := range list {
		if of(&list[i]) == key {
			with(&list[i])
			return true
		}
	}
	return false
}
