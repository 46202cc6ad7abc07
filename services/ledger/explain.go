package ledger

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// LineKey names a line of a report that can be explained, with what it shows first.
type LineKey struct {
	Table string `json:"table"`
	Key   string `json:"key"`
	Shows string `json:"shows"` // its first texts and times, for people to choose by
}

// Lines lists the lines of a report that can be explained, in the order of its tables.
func (l *Ledger) Lines(ctx context.Context, q ReportQuery) ([]LineKey, error) {
	r, explainer, err := l.explainer(ctx, q)
	if err != nil {
		return nil, err
	}
	lines := []LineKey{}
	for _, t := range r.Document.Tables {
		for row := range t.Rows {
			if row.Key == "" {
				continue
			}
			if _, ok := explainer.Explain(t.Name, row.Key); ok {
				lines = append(lines, LineKey{t.Name, row.Key, shows(t.Columns, row, q.Period)})
			}
		}
	}
	return lines, nil
}

// maxShown is how many texts and times of a line say which one it is.
const maxShown = 6

func shows(columns []reports.Column, row reports.Row, period reports.Period) string {
	texts := []string{}
	for i, c := range row.Cells {
		switch kind := columns[i].Kind; {
		case c.Empty || len(texts) == maxShown || columns[i].Aside:
		case kind == reports.Instant:
			texts = append(texts, period.Local(events.Time{UnixMS: c.Int}).Format("2006-01-02 15:04"))
		case (kind == reports.Text || kind == reports.Date) && c.Text != row.Key:
			texts = append(texts, c.Text)
		}
	}
	return strings.Join(texts, ", ")
}

// Explain says how one line of a report came about. Without a table it is the first
// of the report's tables that has such a line.
func (l *Ledger) Explain(ctx context.Context, q ReportQuery, table, key string) (reports.Explanation, error) {
	r, explainer, err := l.explainer(ctx, q)
	if err != nil {
		return reports.Explanation{}, err
	}
	names := []string{}
	for _, t := range r.Document.Tables {
		names = append(names, t.Name)
		if table != "" && t.Name != table {
			continue
		}
		if e, ok := explainer.Explain(t.Name, key); ok {
			return e, nil
		}
	}
	if table != "" && !slices.Contains(names, table) {
		return reports.Explanation{}, Fail(NotFound, "report %s has no table %q; it has %q", q.Name, table, names)
	}
	return reports.Explanation{}, Fail(NotFound, "report %s has no line %q that can be explained; list them first (explain %[1]s --list, /v1/reports/%[1]s/lines)", q.Name, key)
}

func (l *Ledger) explainer(ctx context.Context, q ReportQuery) (*Report, reports.Explainer, error) {
	r, err := l.Report(ctx, q)
	if err != nil {
		return nil, nil, err
	}
	explainer := r.Explainer()
	if explainer == nil {
		return nil, nil, Fail(NotFound, "report %s does not explain its lines; the events that each rests on are cited beside it", q.Name)
	}
	return r, explainer, nil
}

// ExplanationView is an explanation as programs read it.
type ExplanationView struct {
	Report   string         `json:"report"`
	Table    string         `json:"table"`
	Line     string         `json:"line"`
	Says     string         `json:"says"`
	Register []RegisterView `json:"register"`
	Rules    []RuleView     `json:"rules"`
	Steps    []StepView     `json:"steps"`
	Events   []uint64       `json:"events" doc:"ledger positions of all events it rests on"`
}

// RegisterView is a register entry as it read when it was applied.
type RegisterView struct {
	Register string `json:"register"`
	Key      string `json:"key"`
	From     string `json:"from" format:"date-time" doc:"since when it read so"`
	Position uint64 `json:"position" doc:"ledger position of the revision"`
	Reads    string `json:"reads"`
}

// RuleView is a rule that was applied and where it comes from.
type RuleView struct {
	Rule   string `json:"rule"`
	Source string `json:"source"`
}

// StepView is one step of arithmetic.
type StepView struct {
	What       string   `json:"what"`
	Arithmetic string   `json:"arithmetic,omitempty"`
	Result     string   `json:"result,omitempty"`
	Events     []uint64 `json:"events,omitempty" doc:"ledger positions of the events behind it"`
}

// ViewOf returns an explanation as programs read it.
func ViewOf(e reports.Explanation) ExplanationView {
	v := ExplanationView{Report: e.Report, Table: e.Table, Line: e.Key, Says: e.Says, Register: []RegisterView{}, Rules: []RuleView{}, Steps: []StepView{},
		Events: append([]uint64{}, e.Cites...)}
	for _, u := range e.Register {
		v.Register = append(v.Register, RegisterView{string(u.Register), u.Key, u.From.String(), u.Position, u.Reads})
	}
	for _, r := range e.Rules {
		v.Rules = append(v.Rules, RuleView(r))
	}
	for _, s := range e.Steps {
		v.Steps = append(v.Steps, StepView{s.What, s.Arithmetic, s.Result, s.Cites})
	}
	return v
}

// Explanation returns the view as the explanation that it was made of.
func (v *ExplanationView) Explanation() (reports.Explanation, error) {
	e := reports.Explanation{Report: v.Report, Table: v.Table, Key: v.Line, Says: v.Says, Cites: v.Events}
	for _, u := range v.Register {
		from, err := events.ParseTime(u.From)
		if err != nil {
			return e, fmt.Errorf("explanation of line %q: %w", v.Line, err)
		}
		e.Register = append(e.Register, reports.RegisterUse{Register: events.Register(u.Register), Key: u.Key, From: from, Position: u.Position, Reads: u.Reads})
	}
	for _, r := range v.Rules {
		e.Rules = append(e.Rules, reports.Rulebook(r))
	}
	for _, s := range v.Steps {
		e.Steps = append(e.Steps, reports.Step{What: s.What, Arithmetic: s.Arithmetic, Result: s.Result, Cites: s.Events})
	}
	return e, nil
}
