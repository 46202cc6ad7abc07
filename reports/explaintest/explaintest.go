// Package explaintest holds explanations to what every reader needs of them: each line
// of each table is explained under a key of its own, names its rules, has arithmetic
// that is true, and cites whatever the line cites. It is for tests; for example
//
//	explaintest.EveryLine(t, report) // of each table of its document
package explaintest

import (
	"slices"

	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
)

// Report is a computed report whose lines can be explained.
type Report interface {
	reports.Explainer
	Document() reports.Document
}

// EveryLine checks that every line is explained under a key of its own, with arithmetic
// that is true and with all events that the line cites.
func EveryLine(t interface{ Fatalf(string, ...any) }, r Report) {
	for _, table := range r.Document().Tables {
		seen := map[string]bool{}
		for row := range table.Rows {
			e, ok := r.Explain(table.Name, row.Key)
			if !ok || seen[row.Key] || e.Key != row.Key || e.Table != table.Name || e.Says == "" || len(e.Rules) < 2 {
				t.Fatalf("%s: line %q is not explained or not the only one", table.Name, row.Key)
			}
			seen[row.Key] = true
			for _, s := range e.Steps {
				if err := arithmetic.Check(s.Arithmetic, s.Result); err != nil {
					t.Fatalf("%s of %s: %s: %v", table.Name, row.Key, s.What, err)
				}
			}
			for _, p := range row.Cites {
				if !slices.Contains(e.Cites, p) {
					t.Fatalf("%s: line %q rests on %d, its explanation does not", table.Name, row.Key, p)
				}
			}
		}
	}
}
