package water

import "spoilbook/reports"

// waysTable shows what the source's meter, the tank's level and the jet's setting say
// beside what was entered.
func (r *Report) waysTable() reports.Table {
	columns := []reports.Column{
		reports.DateColumn("date", "Date"), reports.TextColumn("truck", "Truck"), reports.TextColumn("way", "Known by"), reports.TextColumn("what", "What"),
		uncounted("entries", "Entries compared"), untotalled("says_l", "By this way"), untotalled("entered_l", "By the entries"),
		untotalled("difference_l", "Difference"), untotalled("explained_l", "Tolerances explain"), reports.TextColumn("result", "Result"),
		untotalled("alone_l", "Not entered otherwise"),
	}
	return reports.Table{Name: waysTableName, Empty: "No meter, gauge or jet's setting can be held against the entries of this period.", Backing: true,
		Title: "Meter, gauge and nozzle against the entries",
		Note: "The source's meter says what was drawn; two gauges of the fresh tank and the refills between, what left it; pressure, nozzle and running time, what the jet let out. " +
			"The estimate holds for a free jet with the pressure at the nozzle, not for a positive-displacement pump at a fixed speed; it is taken to be right within 10 %, which is an assumption.",
		Columns: columns, Cited: true,
		Rows: rows(r.Ways, func(k *Known) reports.Row {
			return reports.Row{Key: k.key(), Cites: k.Cites, Cells: []reports.Cell{reports.T(k.Date), reports.T(string(k.Truck)), reports.T(string(k.Way)), reports.T(k.what()),
				reports.N(k.Entries), k.compared(k.SaysML), k.compared(k.EnteredML), k.compared(k.DifferenceML()), k.compared(k.ToleranceML),
				reports.T(k.result()), limit(k.AloneML)}}
		})}
}

const waysTableName = "Three ways to know"

func (k *Known) what() string {
	switch k.Way {
	case ByMeter:
		return "drawn"
	case ByLevel:
		return "left the fresh tank"
	}
	return "jetted"
}

func (k *Known) compared(ml int64) reports.Cell {
	if k.Entries == 0 {
		return reports.Blank()
	}
	return reports.N(ml)
}

func (k *Known) result() string {
	switch {
	case k.Entries == 0:
		return "nothing to compare"
	case k.Differs():
		return "differs"
	}
	return "within"
}
