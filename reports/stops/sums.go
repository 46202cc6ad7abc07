package stops

import (
	"maps"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// sum is what is counted of some stops.
type sum struct {
	stops, presses, noCause, noReset, noRestart, downMS int64
	cites                                               []uint64
}

func (t *sum) add(s *Stop) {
	t.stops++
	t.presses += int64(len(s.Presses))
	ms, ok := s.DowntimeMS()
	t.downMS += ms
	if !ok {
		t.noRestart++
	}
	if s.Cause == "" {
		t.noCause++
	}
	if s.Reset == nil {
		t.noReset++
	}
	t.cites = append(t.cites, s.Cites...)
}

func sumColumns() []reports.Column {
	return []reports.Column{reports.CountColumn("stops", "Stops"), reports.CountColumn("presses", "Presses"),
		reports.DurationColumn("downtime_h", "Downtime"), reports.CountColumn("no_cause", "Without a cause"),
		reports.CountColumn("no_reset", "Without a reset"), reports.CountColumn("no_restart", "Without a restart")}
}

func (t *sum) cells() []reports.Cell {
	return []reports.Cell{reports.N(t.stops), reports.N(t.presses), reports.N(t.downMS), reports.N(t.noCause), reports.N(t.noReset), reports.N(t.noRestart)}
}

// sumsBy counts stops by what of names, in alphabetical order.
func (r *Report) sumsBy(of func(*Stop) string) []reports.Row {
	sums := map[string]*sum{}
	for i := range r.Stops {
		k := of(&r.Stops[i])
		if sums[k] == nil {
			sums[k] = &sum{}
		}
		sums[k].add(&r.Stops[i])
	}
	rows := []reports.Row{}
	for _, k := range slices.Sorted(maps.Keys(sums)) {
		rows = append(rows, reports.Row{Key: k, Cells: append([]reports.Cell{reports.T(k)}, sums[k].cells()...), Cites: reports.Union(sums[k].cites)})
	}
	return rows
}

func truckOf(s *Stop) string { return string(s.Truck) }

func sideOf(s *Stop) string { return string(s.Side) }

func (r *Report) truckTable() reports.Table {
	cols := append([]reports.Column{reports.TextColumn("truck", "Truck")}, sumColumns()...)
	rows := r.sumsBy(truckOf)
	return reports.Table{Name: truckTableName, Title: "Stops by truck", Columns: cols, Rows: reports.RowsOf(rows),
		Totals: reports.AddUp(cols, rows), Cited: true}
}

func (r *Report) sideTable() reports.Table {
	cols := append([]reports.Column{reports.TextColumn("side", "Side")}, sumColumns()...)
	rows := r.sumsBy(sideOf)
	return reports.Table{Name: sideTableName, Title: "Stops by the side that the cause lies on", Columns: cols, Rows: reports.RowsOf(rows),
		Totals: reports.AddUp(cols, rows), Cited: true}
}

// stationTable counts presses, of which a stop can have several.
func (r *Report) stationTable() reports.Table {
	cols := []reports.Column{reports.TextColumn("station", "Station"), reports.CountColumn("presses", "Presses")}
	count, cites := map[string]int64{}, map[string][]uint64{}
	for i := range r.Stops {
		for _, e := range r.Stops[i].Presses {
			if b, ok := e.Body.(events.EmergencyStopPressed); ok {
				count[string(b.Station)]++
				cites[string(b.Station)] = append(cites[string(b.Station)], e.Positions...)
			}
		}
	}
	rows := []reports.Row{}
	for _, k := range slices.Sorted(maps.Keys(count)) {
		rows = append(rows, reports.Row{Key: k, Cells: []reports.Cell{reports.T(k), reports.N(count[k])}, Cites: reports.Union(cites[k])})
	}
	return reports.Table{Name: stationTableName, Title: "Presses by station", Columns: cols, Rows: reports.RowsOf(rows),
		Totals: reports.AddUp(cols, rows), Cited: true}
}
