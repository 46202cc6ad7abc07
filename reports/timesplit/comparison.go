package timesplit

import (
	"cmp"
	"maps"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

func sortedKeys[K cmp.Ordered, V any](m map[K]V) []K { return slices.Sorted(maps.Keys(m)) }

func (r *Report) effortTable() reports.Table {
	perHour := reports.LitreColumn("cleared_l_per_h", "Cleared for an hour")
	perHour.Unit, perHour.Total, perHour.Of = "L/h", false, reports.SpoilMatter
	median := reports.DurationColumn("median_h", "Median")
	tenth := reports.DurationColumn("p90_h", "90th percentile")
	median.Total, tenth.Total = false, false
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), reports.TextColumn("way", "Way of emptying"),
		reports.CountColumn("count", "Count"), reports.DurationColumn("total_h", "Total"), median, tenth,
		reports.LitreColumn("cleared_l", "Cleared").OfSpoil(), perHour, reports.TextColumn("label", "Truck and way").NotPrinted(),
	}
	rows := []reports.Row{}
	for i := range r.Efforts {
		e := &r.Efforts[i]
		rows = append(rows, reports.Row{Cites: e.Positions, Cells: []reports.Cell{
			reports.T(string(e.Truck)), reports.T(e.What), reports.N(int64(e.Count)), reports.N(e.TotalMS), reports.N(e.MedianMS),
			reports.N(e.P90MS), reports.N(e.ClearedML), reports.N(e.ClearedMLPerHour()), reports.T(string(e.Truck) + " " + e.What)}})
	}
	return reports.Table{Name: "Decants and full dumps", Empty: "No water was decanted and no tank was dumped in this period.", Title: "Decants and full dumps side by side",
		Note: "Median and percentile are nearest rank: the smallest that the share does not exceed. " +
			"Litres are those decanted as stated and those tipped by the tank's account, of entries in the period. " +
			"Entries without length or outside any shift are not in it.",
		Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows), Cited: true}
}

func (r *Report) partTable() reports.Table {
	mean := reports.DurationColumn("mean_h", "Mean of a dump")
	mean.Total = false
	cols := []reports.Column{reports.TextColumn("truck", "Truck"), reports.CountColumn("dumps", "Full dumps")}
	for _, part := range Parts() {
		cols = append(cols, reports.DurationColumn(key(string(part)), title(string(part))))
	}
	cols = append(cols, reports.DurationColumn("total_h", "Total"), mean)
	rows := []reports.Row{}
	for i := range r.Parts {
		p := &r.Parts[i]
		cells := []reports.Cell{reports.T(string(p.Truck)), reports.N(int64(p.Dumps))}
		for _, part := range Parts() {
			cells = append(cells, reports.N(p.MS[part]))
		}
		cells = append(cells, reports.N(p.TotalMS()), reports.N(reports.MulDiv(p.TotalMS(), 1, int64(p.Dumps))))
		rows = append(rows, reports.Row{Cells: cells, Cites: p.Positions})
	}
	return reports.Table{Name: "Full dump parts", Empty: "No tank was dumped in this period.", Title: "What full dumps are made of",
		Note:    "Rest, standby and stops on the way are not part of the dump.",
		Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows), Cited: true}
}

func (r *Report) replayTable() reports.Table {
	cycle := reports.DurationColumn("cycle_h", "One full dump")
	cycle.Total = false
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), reports.CountColumn("loads", "Loads"),
		reports.CountColumn("plain_trips", "Trips without decanting"), reports.CountColumn("decant_trips", "Trips with the decants"),
		reports.CountColumn("saved_trips", "Trips saved"), cycle, reports.DurationColumn("decant_h", "Time spent decanting"),
		reports.DurationColumn("saved_h", "Time saved"), reports.CountColumn("recorded_trips", "Trips on record"),
		reports.CountColumn("over_loads", "Loads too large alone"), reports.TextColumn("cycle_from", "How the time of a dump is known"),
	}
	rows := []reports.Row{}
	for i := range r.Replays {
		p := &r.Replays[i]
		rows = append(rows, reports.Row{Key: string(p.Truck), Cites: p.Positions, Cells: []reports.Cell{
			reports.T(string(p.Truck)), reports.N(int64(p.Loads)), reports.N(int64(p.PlainTrips)), reports.N(int64(p.DecantTrips)),
			reports.N(int64(p.SavedTrips())), reports.N(p.CycleMS), reports.N(p.DecantMS), reports.N(p.SavedMS()),
			reports.N(int64(p.RecordedTrips)), reports.N(int64(p.OverLoads)), reports.T(p.CycleFrom)}})
	}
	return reports.Table{Name: replayTable, Title: "The same loads with and without decanting", Empty: "No load was collected in this period.",
		Note: "The loads are replayed twice under one rule, with the decants as recorded and with none: the tank is emptied whole whenever the next load would not fit or would pass " +
			"the permitted gross less tare and fresh water (by the account; a full fresh tank where it does not know), and at the end when the last load was tipped; " +
			"a decant takes the volume recorded for it. Trips saved is the difference; each saves one mean full dump, and the time spent decanting goes off. " +
			"A negative figure is what decanting cost. Trips on record are more where crews tipped with room to spare, as at the end of a day.",
		Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows), Cited: true}
}

// maxBars is how many shifts or days a picture can show and still be read.
const maxBars = 31

func (r *Report) pictures() []reports.Picture {
	series := []string{}
	for _, a := range events.Activities() {
		series = append(series, key(string(a)))
	}
	pictures := []reports.Picture{}
	if len(r.Shifts) > 0 {
		pictures = append(pictures, reports.Picture{Title: "Hours of each day by activity, all trucks", Alt: "Stacked columns: the hours of all trucks on each day, by activity.",
			Kind: reports.StackedColumns, Table: "Days", Category: "day", Series: series, Rows: min(len(r.Request.Period.EachDay()), maxBars)})
	}
	switch n := len(r.Shifts); {
	case n > maxBars:
		pictures = append(pictures, reports.Picture{Title: "Hours of each truck by activity", Alt: "Stacked bars: the hours of each truck, by activity.",
			Kind: reports.StackedBars, Table: "Trucks", Category: "truck", Series: series, Rows: min(len(r.trucks()), maxBars)})
	case n > 0:
		pictures = append(pictures, reports.Picture{Title: "Hours of each shift by activity", Alt: "Stacked bars: the hours of each shift, by activity.",
			Kind: reports.StackedBars, Table: "Shifts", Category: "shift", Series: series, Rows: n})
	}
	if n := min(len(r.Efforts), maxBars-1); n > 0 {
		pictures = append(pictures, reports.Picture{Title: "Time spent on decants and on full dumps",
			Alt:  "Two bars for each truck: the time all its decants took and the time all its full dumps took.",
			Kind: reports.Bars, Table: "Decants and full dumps", Category: "label", Series: []string{"total_h"}, Rows: n})
	}
	return pictures
}
