package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"spoilbook/reports"
	"spoilbook/services/ledger"
)

// summarise prints what a report comes to, in a few lines: the totals of its first
// tables and its findings by code.
func summarise(w io.Writer, r *ledger.Report) {
	fmt.Fprintf(w, "\n%s\n", r.Document.Title)
	for _, t := range r.Document.Tables {
		if line := totalsLine(&t); line != "" {
			fmt.Fprintf(w, "  %-24s %s\n", t.Title, line)
		}
	}
	if len(r.Document.Findings) == 0 {
		fmt.Fprintln(w, "  no findings")
		return
	}
	count := map[string]int{}
	for _, f := range r.Document.Findings {
		count[fmt.Sprintf("%s (%s)", f.Code, f.Severity)]++
	}
	words := make([]string, 0, len(count))
	for what, n := range count {
		words = append(words, fmt.Sprintf("%d %s", n, what))
	}
	slices.Sort(words)
	fmt.Fprintf(w, "  findings: %s\n", strings.Join(words, ", "))
}

// totalsLine returns a table's own totals, at most four of them.
func totalsLine(t *reports.Table) string {
	parts := []string{}
	for i, c := range t.Columns {
		if i >= len(t.Totals) || t.Totals[i].Empty || !c.Total || len(parts) == 4 {
			continue
		}
		v := t.Totals[i].Int
		switch c.Kind {
		case reports.Number:
			parts = append(parts, fmt.Sprintf("%s %.*f %s", c.Title, c.Decimals, float64(v)/math.Pow10(c.Scale), c.Unit))
		case reports.Duration:
			parts = append(parts, fmt.Sprintf("%s %d:%02d h", c.Title, v/3_600_000, v/60_000%60))
		}
	}
	return strings.Join(parts, ", ")
}
