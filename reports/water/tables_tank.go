package water

import (
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

func (r *Report) bankTable() reports.Table {
	columns := []reports.Column{
		reports.TextColumn("job", "Job"), {Key: "loads", Title: "Loads known", Kind: reports.Number}, {Key: "loads_unknown", Title: "Loads not known", Kind: reports.Number},
		reports.LitreColumn("jetting_l", "Jetting"), reports.VolumeColumn("bank_m3", "Bank volume"),
		reports.RatioColumn("jetting_l_per_m3", "Jetting per bank m³", "L/m³", 3, 0),
	}
	return reports.Table{Name: "Water per bank volume", Empty: "No load was collected in this period.", Title: "Jetting water over the soil it cut", Note: "Of loads with both figures; bank volume is soil as it lay in the ground.",
		Columns: columns, Cited: true, Totals: totals(columns, r.Totals.BankJets, r.Totals.BankML),
		Rows: rows(r.Banks, func(b *BankWater) reports.Row {
			per := reports.Blank()
			if v, ok := b.LitresPerM3Thousandths(); ok {
				per = reports.N(v)
			}
			return reports.Row{Cites: b.Cites, Cells: []reports.Cell{reports.T(string(b.Job)), reports.N(b.Loads), reports.N(b.Unknown),
				reports.N(b.JettingML), reports.N(b.BankML), per}}
		})}
}

func (r *Report) freshTable() reports.Table {
	columns := []reports.Column{
		reports.DateColumn("date", "Date"), reports.TextColumn("truck", "Truck"),
		untotalled("opening_l", "Opening"), reports.LitreColumn("drawn_l", "Drawn"), reports.LitreColumn("unaccounted_l", "Unaccounted"),
		reports.LitreColumn("jetted_l", "Jetted"), reports.LitreColumn("used_l", "Otherwise used"), untotalled("closing_l", "Closing"),
	}
	t := &r.Totals.Fresh
	return reports.Table{Name: "Fresh tank", Empty: "Nothing moved in the fresh tanks in this period.", Backing: true, Title: "Fresh tanks by day",
		Note:    "Opening + drawn + unaccounted − jetted − otherwise used = closing, to the millilitre. Unaccounted is what only a gauge or a shortage shows. Days on which nothing moved are left out.",
		Columns: columns, Cited: true, Totals: totals(columns, t.DrawnML, t.UnaccountedML, t.JettedML, t.UsedML),
		Rows: rows(r.Fresh, func(d *FreshDay) reports.Row {
			return reports.Row{Cites: d.Cites, Cells: []reports.Cell{reports.T(d.Date), reports.T(string(d.Truck)),
				reports.N(d.OpeningML), reports.N(d.DrawnML), reports.N(d.UnaccountedML), reports.N(d.JettedML), reports.N(d.UsedML), reports.N(d.ClosingML)}}
		})}
}

func (r *Report) gaugeTable() reports.Table {
	columns := []reports.Column{
		reports.InstantColumn("at", "At"), reports.TextColumn("truck", "Truck"), untotalled("account_l", "Account"), untotalled("gauge_l", "Gauge"),
		untotalled("difference_l", "Gauge less account"), untotalled("explained_l", "Tolerances explain"), untotalled("moved_l", "Moved from unaccounted"),
		reports.TextColumn("result", "Result"),
	}
	return reports.Table{Name: "Fresh tank gauges", Empty: "No fresh tank was gauged in this period.", Backing: true, Title: "Fresh tank gauges against the account",
		Note:    "A difference within what the instruments explain is shown and nothing is moved.",
		Columns: columns, Cited: true,
		Rows: rows(r.Gauges, func(g *tank.Gauge) reports.Row {
			if g.Unusable {
				return reports.Row{Cites: g.Entry.Positions, Cells: []reports.Cell{reports.At(g.Entry.Occurred), reports.T(string(g.Entry.Truck)),
					reports.N(g.AccountML), reports.Blank(), reports.Blank(), reports.Blank(), reports.Blank(), reports.T(gaugeResult(g))}}
			}
			return reports.Row{Cites: g.Entry.Positions, Cells: []reports.Cell{reports.At(g.Entry.Occurred), reports.T(string(g.Entry.Truck)),
				reports.N(g.AccountML), reports.N(g.MeasuredML), reports.N(g.DifferenceML), reports.N(g.ToleranceML), reports.N(g.AdjustedML), reports.T(gaugeResult(g))}}
		})}
}

func gaugeResult(g *tank.Gauge) string {
	switch {
	case g.Unusable:
		return "level of no use"
	case g.Opening:
		return "opening"
	case g.Adjusted:
		return "differs"
	}
	return "within"
}

func (r *Report) readingTable() reports.Table {
	columns := []reports.Column{
		reports.TextColumn("source", "Source"), reports.TextColumn("meter", "Meter"), reports.InstantColumn("at", "At"), reports.TextColumn("what", "Reading"),
		untotalled("reading_l", "Reads"), untotalled("advance_l", "Since the one before"), untotalled("drawn_l", "Drawn without readings"), untotalled("explained_l", "Tolerances explain"),
	}
	return reports.Table{Name: "Meter readings", Empty: "No meter was read in this period.", Backing: true, Title: "Meter readings of the sources",
		Note:    "What passed the meter since the reading before, against the refills in between that have no readings of their own.",
		Columns: columns, Cited: true,
		Rows: rows(r.Readings, func(m *Reading) reports.Row {
			return reports.Row{Cites: m.Cites, Cells: []reports.Cell{reports.T(string(m.Source)), reports.T(m.Meter), reports.At(m.At), reports.T(m.What),
				reports.N(m.ReadingML), reports.Opt(m.AdvanceML), reports.Opt(m.DrawnML), reports.Opt(m.AllowedML)}}
		})}
}
