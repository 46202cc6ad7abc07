package sheets

import (
	"encoding/hex"
	"iter"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/tongue"
)

// Names of the sheets that are not tables of the document. A table of the same name gets another sheet name.
const (
	coverSheet    = "Cover"
	chartsSheet   = "Charts"
	findingsSheet = "Findings"
	eventsSheet   = "Events"
	guideSheet    = "How to read this"
)

// citesKey and citesTitle head the column of ledger positions that a cited table gets.
const (
	citesKey   = "event_positions"
	citesTitle = "Events"
)

// findingsTable shows the findings as one more table, so that all formats write them as they write any other.
func findingsTable(d *reports.Document, t tongue.Tongue) reports.Table {
	return t.Table(reports.Table{
		Name: findingsSheet, Title: "Findings",
		Note: "What the record contradicts or leaves open. Serious: somebody must decide before the figures are used. " +
			"Warning: a figure is weaker than it looks. Note: worth knowing.",
		Empty: "Nothing in the record contradicts itself as far as it was checked.",
		Columns: []reports.Column{
			reports.TextColumn("severity", "Severity"),
			reports.TextColumn("code", "Code"),
			reports.TextColumn("truck", "Truck"),
			reports.TextColumn("job", "Job"),
			reports.InstantColumn("when", "When"),
			reports.TextColumn("what", "What"),
			reports.TextColumn("settle", "What would settle it"),
			reports.TextColumn("answer", "Answer"),
		},
		Rows: func(yield func(reports.Row) bool) {
			sorted := reports.BySeverity(d.Findings)
			for i := range sorted {
				f := &sorted[i]
				cells := []reports.Cell{reports.T(severityWord(f.Severity, t)), reports.T(string(f.Code)), reports.T(string(f.Truck)),
					reports.T(string(f.Job)), reports.At(f.At), reports.T(f.What), reports.T(f.Settle), reports.T(f.AnswerText())}
				if !yield(reports.Row{Cells: cells, Cites: f.Cites, Key: string(f.Severity)}) {
					return
				}
			}
		},
		Cited: true,
	})
}

// severityWord returns the word shown for a severity; an unknown one is shown as it is.
func severityWord(s reports.Severity, t tongue.Tongue) string {
	switch s {
	case reports.Serious:
		return t.Write("Serious")
	case reports.Warning:
		return t.Write("Warning")
	case reports.Note:
		return t.Write("Note")
	}
	return string(s)
}

// eventsTable shows the events behind the lines. Its rows can be walked as often as cited can.
func eventsTable(cited iter.Seq[*events.Recorded]) reports.Table {
	return reports.Table{
		Name: eventsSheet, Title: "Events behind the lines",
		Note: "In the order of the ledger. The hash, which is not printed, is that of the event's canonical bytes: whoever holds the event can check it.",
		Columns: []reports.Column{
			{Key: "position", Title: "Position", Kind: reports.Number},
			reports.InstantColumn("recorded", "Recorded"),
			reports.InstantColumn("occurred", "Occurred"),
			reports.TextColumn("source", "Source"),
			{Key: "seq", Title: "Seq", Kind: reports.Number},
			reports.TextColumn("kind", "Kind"),
			reports.TextColumn("truck", "Truck"),
			reports.TextColumn("job", "Job"),
			reports.TextColumn("operator", "Operator"),
			reports.TextColumn("origin", "Origin"),
			reports.TextColumn("id", "Id").NotPrinted(),
			reports.TextColumn("hash", "Hash (hexadecimal)").NotPrinted(),
		},
		Backing: true,
		Rows: func(yield func(reports.Row) bool) {
			if cited == nil {
				return
			}
			for r := range cited {
				if !yield(reports.Row{Cells: eventCells(r)}) {
					return
				}
			}
		},
	}
}

func eventCells(r *events.Recorded) []reports.Cell {
	return []reports.Cell{
		reports.N(int64(r.Position)), reports.At(r.At), reports.At(r.Occurred), reports.T(string(r.Source)), reports.N(int64(r.Seq)),
		reports.T(string(r.Kind())), reports.T(string(r.Truck)), reports.T(string(r.Job)), reports.T(string(r.Operator)),
		reports.T(string(r.Origin)), reports.T(r.ID), reports.T(hex.EncodeToString(r.Hash[:])),
	}
}
