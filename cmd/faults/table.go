package main

import (
	"fmt"
	"io"
	"strings"
)

// header names the columns of the table.
const header = `| fault | times | events at stake | lost | doubled | undetected | named as damage | without effect |
|---|--:|--:|--:|--:|--:|--:|--:|
`

// table writes the rows as Markdown, and what broke below them.
func (r *result) table(w io.Writer) error {
	var b strings.Builder
	b.WriteString(header)
	for _, row := range r.Rows {
		fmt.Fprintf(&b, "| %s | %s | %s | %d | %d | %d | %s | %s |\n", row.Fault, grouped(row.Times), grouped(row.Events),
			row.Lost, row.Doubled, row.Undetected, grouped(row.Named), grouped(row.Harmless))
	}
	fmt.Fprintf(&b, "\nSeed %d, %d rounds in %d minutes; %s simulated hours.\n", r.Seed, r.rounds(), (r.Seconds+59)/60, grouped(r.Simulation.Hours))
	for _, f := range r.Broken {
		fmt.Fprintf(&b, "\n- **Broken**: %s: %s. See it again: `%s`\n", f.Fault, strings.ReplaceAll(f.What, "\n", " "), f.Again)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

// rounds counts those on real processes.
func (r *result) rounds() (n int) {
	for _, row := range r.Rows {
		if row.Fault != simulated {
			n += row.Rounds
		}
	}
	return n
}

// grouped writes a count with a comma before every three digits.
func grouped(n int) string {
	digits := fmt.Sprint(n)
	for at := len(digits) - 3; at > 0; at -= 3 {
		digits = digits[:at] + "," + digits[at:]
	}
	return digits
}
