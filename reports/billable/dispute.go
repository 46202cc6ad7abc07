package billable

import (
	"fmt"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// DisputeSheet lays out how invoice lines came about, row by row: what the line says,
// what the register said, the rules with their sources, and each step of arithmetic
// with the events it rests on. Without keys it is of all lines.
func (r *Report) DisputeSheet(keys ...string) reports.Table {
	rows := []reports.Row{}
	for i := range r.Lines {
		l := &r.Lines[i]
		if len(keys) == 0 || slices.Contains(keys, l.Key) {
			rows = append(rows, sheetRows(r.explainLine(l))...)
		}
	}
	return sheet("Nothing was billed under such a key.", rows)
}

// DisputeSheetOf lays out all lines of one client's invoice, and its totals.
func (r *Report) DisputeSheetOf(client events.ClientID) reports.Table {
	rows := []reports.Row{}
	for i := range r.Lines {
		if r.Lines[i].Client == client {
			rows = append(rows, sheetRows(r.explainLine(&r.Lines[i]))...)
		}
	}
	for i := range r.Invoices {
		if r.Invoices[i].Client == client {
			rows = append(rows, sheetRows(r.explainInvoice(&r.Invoices[i]))...)
		}
	}
	return sheet("Nothing was billed to the client.", rows)
}

func sheet(empty string, rows []reports.Row) reports.Table {
	return reports.Table{Name: "Dispute sheet", Title: "How each line came about", Empty: empty, Cited: true, Backing: true,
		Note: "For each line: what it says, what the register said, the rules and where they come from, and every step of the arithmetic. " +
			"The ledger positions name the events; any step can be redone with a calculator.",
		Columns: []reports.Column{reports.TextColumn("line_key", "Line key"), reports.TextColumn("section", "Section"), reports.TextColumn("what", "What"),
			reports.TextColumn("arithmetic", "Arithmetic"), reports.TextColumn("result", "Result"), reports.TextColumn("source", "Source")},
		Rows: reports.RowsOf(rows)}
}

func sheetRows(e reports.Explanation) []reports.Row {
	rows := []reports.Row{}
	add := func(section, what, sum, result, source string, cites []uint64) {
		rows = append(rows, reports.Row{Key: e.Key, Cites: cites, Cells: []reports.Cell{reports.T(e.Key), reports.T(section), reports.T(what),
			reports.T(sum), reports.T(result), reports.T(source)}})
	}
	add("line", e.Says, "", "", "", e.Cites)
	for _, u := range e.Register {
		add("register", fmt.Sprintf("%s %s since %s", u.Register, u.Key, u.From), "", u.Reads, "the register", []uint64{u.Position})
	}
	for _, rule := range e.Rules {
		add("rule", rule.Rule, "", "", rule.Source, nil)
	}
	for _, s := range e.Steps {
		add("step", s.What, s.Arithmetic, s.Result, "", s.Cites)
	}
	return rows
}
