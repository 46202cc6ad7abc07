package register

import (
	"errors"
	"fmt"
	"strings"

	"spoilbook/events"
)

// Problem is one thing that is wrong in a register file: where it stands, what
// was found there and what is allowed. Line counts from 1; Entry is the entry's
// key or, where it has none, its number in the file.
type Problem struct {
	File    string
	Line    int
	Entry   string
	Field   string
	Found   string
	Allowed string
}

// String returns the problem as file:line: entry: field: found ...; allowed: ...
func (p Problem) String() string {
	var b strings.Builder
	if p.File != "" {
		fmt.Fprintf(&b, "%s:%d: ", p.File, p.Line)
	}
	if p.Entry != "" {
		fmt.Fprintf(&b, "entry %s: ", p.Entry)
	}
	fmt.Fprintf(&b, "%s: found %s; allowed: %s", p.Field, p.Found, p.Allowed)
	return b.String()
}

// Problems is the error of a register that cannot be taken: at most MaxProblems
// of what is wrong, in the order of the files, and how many more there are.
type Problems struct {
	List []Problem
	More int
}

// Error returns one problem a line.
func (p *Problems) Error() string {
	lines := make([]string, 0, len(p.List)+1)
	for _, one := range p.List {
		lines = append(lines, one.String())
	}
	if p.More > 0 {
		lines = append(lines, fmt.Sprintf("and %d more", p.More))
	}
	return strings.Join(lines, "\n")
}

func (p *Problems) add(one Problem) {
	if len(p.List) < MaxProblems {
		p.List = append(p.List, one)
		return
	}
	p.More++
}

// addErr adds the field errors that err holds, each at the place that at gives
// for its field.
func (p *Problems) addErr(err error, at func(field string) Problem) {
	var invalid *events.ValidationError
	if !errors.As(err, &invalid) {
		one := at("document")
		one.Field, one.Found, one.Allowed = "document", err.Error(), "an entry of the register"
		p.add(one)
		return
	}
	for _, f := range invalid.Fields {
		one := at(f.Field)
		one.Field, one.Found, one.Allowed = f.Field, f.Found, f.Allowed
		p.add(one)
	}
}

// err returns p when it holds a problem, otherwise nil.
func (p *Problems) err() error {
	if len(p.List) == 0 {
		return nil
	}
	return p
}
