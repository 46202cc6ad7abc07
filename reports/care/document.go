package care

import (
	"fmt"

	"spoilbook/reports"
)

// maxBars is how many bars a picture can show and still be read.
const maxBars = 30

// Document returns the report as tables and a picture.
func (r *Report) Document() reports.Document {
	all := count{}
	for i := range r.Rows {
		all.add(&r.Rows[i])
	}
	sums := r.sums()
	d := reports.Document{
		Report: "care", Title: "Care and pre-start checks",
		Glance: []reports.Field{
			{Label: "Tasks due", Text: reports.Counted(all.due(), "task")},
			{Label: "Done in time", Text: reports.Percent(all.done, all.due())},
			{Label: "Late", Text: fmt.Sprint(all.late)},
			{Label: "Missed", Text: fmt.Sprint(all.missed)},
			{Label: "Caution", Text: "a record, not a safety function; the manufacturer and local rules come first"},
		},
		Notes:    r.notes(),
		Tables:   []reports.Table{sumTable(sums), r.dayTable(), r.rowTable(), r.itemTable(), r.recordTable(), r.ruleTable()},
		Findings: r.Findings,
	}
	if n := min(len(sums), maxBars); n > 0 {
		d.Pictures = []reports.Picture{{Title: "Care by truck and task", Alt: "A bar for each truck and task: how often it was done in time, done late, missed, or is due.",
			Kind: reports.StackedBars, Table: sumTableName, Category: "label", Series: []string{"done", "late", "missed", "open"}, Rows: n}}
	}
	return d
}

func (r *Report) notes() []string {
	o := &r.Options
	notes := []string{
		"This is a record, not a safety function. Defer to the manufacturer, local rules and licensed people; that a record is complete does not say that the plant is safe.",
		"Before any valve or door is opened, bring the tank to atmospheric pressure. Raise the body on level ground only. Nobody goes under a raised body. Know the emergency stops: one on each side and one at the rear.",
		"A damaged final filter is not refitted. Oil that shut the plant down is looked into by somebody competent before the plant runs again.",
		"What is due is common practice of the trade, as the rules at the end list it: no published source fixes it.",
		fmt.Sprintf("Gauges before and after the final filter disagree when they are more than %d kPa apart and by more than %d %% of the deeper reading (common practice): the filter is blocking, or a gauge is wrong. Readings that disagree one after the other are one finding.",
			o.GaugeKPa, o.GaugePercent),
		fmt.Sprintf("Hydraulic oil is found at %d °C, where the plant shuts itself down, and noted from %d °C. A flush of the vacuum pump is a short dose of about two seconds.", o.OilStopDegC, o.OilNoteDegC),
		"What is recorded up to " + hoursMinutes(o.LeadMS) + " before a shift belongs to it. Shifts that began on one local date are one day. A task without a record is due, not missed, while the truck's last shift has no end on record.",
	}
	if r.Narrowed {
		notes = append(notes, "Care belongs to trucks and not to jobs: only days with work for the jobs asked for are listed, with all that was due on them.")
	}
	return notes
}

func (r *Report) rowTable() reports.Table {
	late := reports.DurationColumn("late_h", "Late by").NotPrinted()
	late.Total = false
	cols := []reports.Column{
		reports.DateColumn("day", "Day"), reports.TextColumn("truck", "Truck"), reports.TextColumn("task", "Task"), reports.TextColumn("state", "State"),
		reports.InstantColumn("from", "Due from"), reports.InstantColumn("due_by", "Due by"), reports.TextColumn("why", "Why"),
		reports.InstantColumn("done", "Done"), reports.TextColumn("by", "By"), reports.TextColumn("detail", "Remarks"),
		late,
	}
	rows := []reports.Row{}
	for i := range r.Rows {
		w := &r.Rows[i]
		done, by, lateBy := reports.Blank(), reports.Blank(), reports.Blank()
		if ms, ok := w.LateMS(); ok {
			lateBy = reports.N(ms)
		}
		if w.Done != nil {
			done, by = reports.At(w.Done.Occurred), reports.T(string(w.Done.Operator))
		}
		rows = append(rows, reports.Row{Key: w.key, Cites: w.Cites, Cells: []reports.Cell{reports.T(w.Day), reports.T(string(w.Truck)), reports.T(string(w.Rule.Task)),
			reports.T(string(w.State)), reports.At(w.From), reports.At(w.DueBy), reports.T(w.Why), done, by, reports.T(w.Detail), lateBy}})
	}
	return reports.Table{Name: rowTableName, Title: "What was due, and what became of it",
		Note: "By common practice: no published source fixes it. The manufacturer and local rules come first.", Empty: "No truck worked in the period.",
		Columns: cols, Rows: reports.RowsOf(rows), Cited: true}
}

func (r *Report) itemTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), reports.InstantColumn("checked", "Checked"), reports.TextColumn("item", "Item not in order"),
		reports.TextColumn("note", "Note"), reports.TextColumn("by", "By"), reports.InstantColumn("worked", "Worked on from"), reports.InstantColumn("right", "Found in order"),
	}
	rows := []reports.Row{}
	for i := range r.Items {
		it := &r.Items[i]
		row := reports.Row{Key: it.key(), Cites: it.Check.Positions, Cells: []reports.Cell{reports.T(string(it.Check.Truck)), reports.At(it.Check.Occurred), reports.T(it.Name),
			reports.T(it.Note), reports.T(string(it.Check.Operator)), reports.Blank(), reports.Blank()}}
		if it.Worked != nil {
			at, _ := it.Worked.Interval()
			row.Cells[5], row.Cites = reports.At(at), reports.Union(row.Cites, it.Worked.Positions)
		}
		if it.Right != nil {
			row.Cells[6], row.Cites = reports.At(it.Right.Occurred), reports.Union(row.Cites, it.Right.Positions)
		}
		rows = append(rows, row)
	}
	return reports.Table{Name: itemTableName, Title: "Pre-start items that were not in order",
		Note: "What a check finds is put right by somebody competent before work; this is a record, not a safety function.", Empty: "Every item of every check was in order.",
		Columns: cols, Rows: reports.RowsOf(rows), Cited: true}
}

// meaning says in words what an occasion is, and until when a task done after it counts
// as late.
func (w When) meaning() string {
	switch w {
	case BeforeWork:
		return "in each shift, before the first work: a pump, a load, a decant, a tip, a refill, water used, or an arrival; late until the shift ends"
	case AfterUnload:
		return "after each tip, before the next load or the end of the shift; late until the next tip"
	case EachDay:
		return "on each day with work, before its last shift ends; late until the next shift's window"
	case EndOfDay:
		return "after the day's last use of the vacuum pump, before its last shift ends; late until the pump is used again"
	}
	return string(w)
}

func (r *Report) ruleTable() reports.Table {
	cols := []reports.Column{reports.TextColumn("task", "Task"), reports.TextColumn("when", "When"), reports.TextColumn("meaning", "What that means"), reports.TextColumn("basis", "Who says so")}
	rows := []reports.Row{}
	for _, rule := range r.Options.Rules {
		rows = append(rows, reports.Row{Key: rule.key(), Cells: []reports.Cell{reports.T(string(rule.Task)), reports.T(string(rule.When)), reports.T(rule.When.meaning()), reports.T(rule.Basis)}})
	}
	return reports.Table{Name: ruleTableName, Title: "What makes a task due", Columns: cols, Rows: reports.RowsOf(rows)}
}
