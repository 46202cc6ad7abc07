package care

import (
	"cmp"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// count is how many tasks there are in each state.
type count struct{ done, late, missed, open, notDue int64 }

func (n *count) add(r *Row) {
	switch r.State {
	case Done:
		n.done++
	case Late:
		n.late++
	case Missed:
		n.missed++
	case Due:
		n.open++
	case NotDue:
		n.notDue++
	}
}

// due returns how many tasks were due.
func (n *count) due() int64 { return n.done + n.late + n.missed + n.open }

func countColumns() []reports.Column {
	return []reports.Column{reports.CountColumn("due", "Due"), reports.CountColumn("done", "Done in time"), reports.CountColumn("late", "Late"),
		reports.CountColumn("missed", "Missed"), reports.CountColumn("open", "Still due"), reports.CountColumn("not_due", "Not due")}
}

func (n *count) cells() []reports.Cell {
	return []reports.Cell{reports.N(n.due()), reports.N(n.done), reports.N(n.late), reports.N(n.missed), reports.N(n.open), reports.N(n.notDue)}
}

// sum is the count of one truck and task, or truck and day.
type sum struct {
	truck events.TruckID
	what  string
	count count
}

// taskKey and dayKey name a sum of a truck and a task, and of a day and a truck.
func (s *sum) taskKey() string { return string(s.truck) + "/" + s.what }

func (s *sum) dayKey() string { return s.what + "/" + string(s.truck) }

// sumsBy counts rows by truck and what of says, in the order of trucks and of first
// appearance.
func (r *Report) sumsBy(of func(*Row) string) []sum {
	list, at := []sum{}, map[[2]string]int{}
	for i := range r.Rows {
		row := &r.Rows[i]
		k := [2]string{string(row.Truck), of(row)}
		if _, ok := at[k]; !ok {
			at[k] = len(list)
			list = append(list, sum{truck: row.Truck, what: k[1]})
		}
		list[at[k]].count.add(row)
	}
	return list
}

func dayOf(row *Row) string { return row.Day }

func taskName(row *Row) string { return string(row.Rule.Task) }

// sums counts by truck and task, tasks in the order of the rules.
func (r *Report) sums() []sum {
	list := r.sumsBy(taskName)
	order := func(task string) int {
		return slices.IndexFunc(r.Options.Rules, func(rule Rule) bool { return string(rule.Task) == task })
	}
	slices.SortStableFunc(list, func(a, b sum) int {
		return cmp.Or(cmp.Compare(a.truck, b.truck), cmp.Compare(order(a.what), order(b.what)))
	})
	return list
}

func sumTable(sums []sum) reports.Table {
	cols := append([]reports.Column{reports.TextColumn("label", "Truck and task"), reports.TextColumn("truck", "Truck"), reports.TextColumn("task", "Task")}, countColumns()...)
	rows := []reports.Row{}
	for i := range sums {
		s := &sums[i]
		name := []reports.Cell{reports.T(string(s.truck) + " " + s.what), reports.T(string(s.truck)), reports.T(s.what)}
		rows = append(rows, reports.Row{Key: s.taskKey(), Cells: append(name, s.count.cells()...)})
	}
	return reports.Table{Name: sumTableName, Title: "Care by truck and task", Note: "What was due is done in time, late, missed, or still due.",
		Empty: "No truck worked in the period.", Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows)}
}

func (r *Report) dayTable() reports.Table {
	cols := append([]reports.Column{reports.DateColumn("day", "Day"), reports.TextColumn("truck", "Truck")}, countColumns()...)
	cols = append(cols, reports.TextColumn("open_points", "Late or missed"))
	points := map[[2]string][]string{}
	for i := range r.Rows {
		if row := &r.Rows[i]; row.State == Late || row.State == Missed {
			k := [2]string{string(row.Truck), row.Day}
			points[k] = append(points[k], string(row.Rule.Task)+" "+string(row.State))
		}
	}
	rows := []reports.Row{}
	for _, s := range r.sumsBy(dayOf) {
		cells := append([]reports.Cell{reports.T(s.what), reports.T(string(s.truck))}, s.count.cells()...)
		rows = append(rows, reports.Row{Key: s.dayKey(), Cells: append(cells, reports.T(strings.Join(points[[2]string{string(s.truck), s.what}], ", ")))})
	}
	return reports.Table{Name: dayTableName, Title: "Care by day and truck", Empty: "No truck worked in the period.", Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows)}
}

// recordTable lists every check and care entry of the period: nothing on record is
// left out, whatever it was due for.
func (r *Report) recordTable() reports.Table {
	cols := []reports.Column{
		reports.InstantColumn("at", "At"), reports.TextColumn("truck", "Truck"), reports.TextColumn("task", "Task"), reports.TextColumn("by", "By"),
		reports.RatioColumn("before_kpa", "Before the filter", "kPa", 0, 0), reports.RatioColumn("after_kpa", "After the filter", "kPa", 0, 0),
		reports.RatioColumn("difference_kpa", "Difference", "kPa", 0, 0), reports.RatioColumn("oil_degc", "Oil", "°C", 0, 0),
		reports.RatioColumn("duration_s", "Duration", "s", 3, 1), reports.YesNoColumn("damaged", "Filter damaged"),
		reports.RatioColumn("items", "Items checked", "", 0, 0), reports.RatioColumn("failed", "Not in order", "", 0, 0),
		reports.TextColumn("judgement", "What is odd"), reports.TextColumn("note", "Note"),
	}
	rows := []reports.Row{}
	for i := range r.Records {
		rec := &r.Records[i]
		e := rec.Entry
		cells := []reports.Cell{reports.At(e.Occurred), reports.T(string(e.Truck)), reports.T(string(rec.Task)), reports.T(string(e.Operator))}
		rows = append(rows, reports.Row{Cells: append(cells, rec.readings()...), Cites: e.Positions, Key: rec.key})
	}
	return reports.Table{Name: recordTableName, Title: "Every check and care entry, with what was read", Empty: "No check and no care is on record.",
		Columns: cols, Rows: reports.RowsOf(rows), Cited: true, Backing: true}
}

// readings returns the cells of a record from the gauges on.
func (rec *Record) readings() []reports.Cell {
	cells := make([]reports.Cell, 10)
	for i := range cells {
		cells[i] = reports.Blank()
	}
	switch b := rec.Entry.Body.(type) {
	case events.CareRecorded:
		cells[0], cells[1], cells[2], cells[3] = reports.Opt(b.BeforeFilterKPa), reports.Opt(b.AfterFilterKPa), reports.Opt(rec.DifferenceKPa), reports.Opt(b.OilDegC)
		if b.DurationMS != 0 {
			cells[4] = reports.N(b.DurationMS)
		}
		if b.FilterDamaged || rec.Task == Task(events.FinalFilterCheck) {
			cells[5] = reports.Yes(b.FilterDamaged)
		}
		cells[9] = reports.T(b.Note)
	case events.PrestartChecked:
		failed := int64(0)
		for _, it := range b.Items {
			if !it.OK {
				failed++
			}
		}
		cells[6], cells[7] = reports.N(int64(len(b.Items))), reports.N(failed)
	}
	cells[8] = reports.T(rec.Judgement)
	return cells
}
