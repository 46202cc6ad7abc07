package water

import (
	"cmp"
	"iter"

	"spoilbook/events"
	"spoilbook/reports"
)

// rows returns a row for each element of a list, as often as asked.
func rows[T any](list []T, row func(*T) reports.Row) iter.Seq[reports.Row] {
	return func(yield func(reports.Row) bool) {
		for i := range list {
			if !yield(row(&list[i])) {
				return
			}
		}
	}
}

// totals returns a total for each column that has one, in order, and blanks for the
// others.
func totals(columns []reports.Column, values ...int64) []reports.Cell {
	cells := make([]reports.Cell, 0, len(columns))
	for _, c := range columns {
		if !c.Total || len(values) == 0 {
			cells = append(cells, reports.Blank())
			continue
		}
		cells = append(cells, reports.N(values[0]))
		values = values[1:]
	}
	return cells
}

// named shows a place by its name, or by its code where it has none.
func named(name, code string) reports.Cell { return reports.T(cmp.Or(name, code)) }

// untotalled is a column of litres that do not add up, such as levels and limits.
func untotalled(key, title string) reports.Column {
	c := reports.LitreColumn(key, title)
	c.Total = false
	return c
}

func limit(ml int64) reports.Cell {
	if ml == 0 {
		return reports.Blank()
	}
	return reports.N(ml)
}

func (f *Flow) values() []int64 {
	values := []int64{}
	for _, c := range f.cells() {
		values = append(values, c.Int)
	}
	return values
}

func (r *Report) dayTable() reports.Table {
	columns := append([]reports.Column{reports.DateColumn("date", "Date")}, flowColumns()...)
	return reports.Table{Name: dayTableName, Title: "Water by day", Note: "All trucks and jobs asked for; days in the period's time zone.",
		Columns: columns, Cited: true, Totals: totals(columns, r.Totals.values()...),
		Rows: rows(r.Days, func(d *Day) reports.Row {
			return reports.Row{Key: d.Date, Cells: append([]reports.Cell{reports.T(d.Date)}, d.cells()...), Cites: d.Cites}
		})}
}

func (r *Report) lineTable() reports.Table {
	columns := append([]reports.Column{reports.DateColumn("date", "Date"),
		reports.TextColumn("truck", "Truck"), reports.TextColumn("job", "Job")}, flowColumns()...)
	return reports.Table{Name: lineTableName, Empty: "No water was drawn, used or decanted in this period.", Backing: true, Title: "Water by day, truck and job", Note: "A line without a job is of entries that name none, such as most refills.",
		Columns: columns, Cited: true, Totals: totals(columns, r.Totals.values()...),
		Rows: rows(r.Lines, func(l *Line) reports.Row {
			cells := []reports.Cell{reports.T(l.Date), reports.T(string(l.Truck)), reports.T(string(l.Job))}
			return reports.Row{Key: l.key(), Cells: append(cells, l.cells()...), Cites: l.Cites}
		})}
}

func (r *Report) drawTable() reports.Table {
	columns := []reports.Column{
		reports.InstantColumn("at", "At"), reports.TextColumn("truck", "Truck"), reports.TextColumn("job", "Job"),
		reports.TextColumn("source_name", "Source"), reports.TextColumn("source_use", "Kind"),
		reports.LitreColumn("drawn_l", "Drawn"), reports.TextColumn("basis", "Basis"), reports.TextColumn("counted_by", "Counted by"),
		untotalled("stated_l", "Stated"), untotalled("metered_l", "Metered"), untotalled("difference_l", "Metered less stated"),
		untotalled("allowed_l", "Tolerances explain"), reports.TextColumn("backflow", "Backflow device"), untotalled("fresh_after_l", "Fresh tank after"),
		reports.TextColumn("source", "Source code").NotPrinted(),
	}
	return reports.Table{Name: drawTableName, Empty: "No water was drawn in this period.", Backing: true, Title: "Refills from water sources", Note: "A refill counts by its measured volume, else by its meter. Tolerances explain is what the two may differ by.",
		Columns: columns, Cited: true, Totals: totals(columns, r.Totals.DrawnML()),
		Rows: rows(r.Draws, func(d *Draw) reports.Row {
			e, by := d.Entry, "volume"
			if d.ByMeter {
				by = "meter"
			}
			return reports.Row{Key: d.key(), Cites: e.Positions, Cells: []reports.Cell{
				reports.At(e.Occurred), reports.T(string(e.Truck)), reports.T(string(e.Job)),
				named(d.Name, string(d.Source)), reports.T(sourceUse(d.Use)),
				reports.N(d.VolumeML), reports.T(string(d.Basis)), reports.T(by),
				reports.Opt(d.StatedML), reports.Opt(d.MeterML), reports.Opt(d.DifferenceML), reports.Opt(d.AllowedML),
				reports.T(backflow(d)), reports.N(d.AfterML), reports.T(string(d.Source))}}
		})}
}

func backflow(d *Draw) string {
	switch {
	case d.Backflow != "":
		return string(d.Backflow)
	case d.Required:
		return "required, none recorded"
	}
	return ""
}

func (r *Report) useTable() reports.Table {
	columns := []reports.Column{
		reports.InstantColumn("at", "At"), reports.TextColumn("truck", "Truck"), reports.TextColumn("job", "Job"),
		reports.TextColumn("purpose", "Purpose"), reports.LitreColumn("used_l", "Used"), reports.TextColumn("basis", "Basis"),
		reports.YesNoColumn("into_debris_tank", "Into the debris tank"),
	}
	return reports.Table{Name: "Uses", Empty: "No fresh water was used in this period.", Backing: true, Title: "Fresh water used, entry by entry", Note: "Jetting water is that of the loads.",
		Columns: columns, Cited: true, Totals: totals(columns, r.Totals.UsedML()),
		Rows: rows(r.Uses, func(u *Use) reports.Row {
			e := u.Entry
			return reports.Row{Cites: e.Positions, Cells: []reports.Cell{reports.At(e.Occurred), reports.T(string(e.Truck)), reports.T(string(e.Job)),
				reports.T(string(u.Purpose)), reports.N(u.VolumeML), reports.T(string(u.Basis)), reports.Yes(u.IntoDebrisTank)}}
		})}
}

func (r *Report) sourceTable() reports.Table {
	columns := []reports.Column{
		reports.TextColumn("source", "Source"), reports.TextColumn("source_name", "Name"), reports.TextColumn("source_use", "Kind"),
		reports.TextColumn("permit", "Permit"), reports.DateColumn("date", "Date"),
		reports.LitreColumn("listed_l", "Drawn here"), untotalled("drawn_l", "Drawn by all"), untotalled("cap_l", "Daily cap"),
		reports.YesNoColumn("exceeded", "Exceeded"),
	}
	return reports.Table{Name: sourceTableName, Empty: "No source has a cap or a permit, and no water was drawn in this period.", Backing: true, Title: "Sources by day against their caps",
		Note:    "Days in the source's time zone. Drawn here is by the refills listed; the cap binds what all drew in the whole day.",
		Columns: columns, Cited: true, Totals: totals(columns, r.Totals.DrawnML()),
		Rows: rows(r.Sources, func(s *SourceDay) reports.Row {
			return reports.Row{Key: s.key(), Cites: s.Cites, Cells: []reports.Cell{
				reports.T(string(s.Source)), reports.T(s.Name), reports.T(sourceUse(s.Use)), reports.T(s.Permit), reports.T(s.Date),
				reports.N(s.ListML), reports.N(s.DrawnML), limit(s.CapML), reports.Yes(s.Over())}}
		})}
}

func (r *Report) decantTable() reports.Table {
	columns := []reports.Column{
		reports.InstantColumn("at", "At"), reports.TextColumn("truck", "Truck"), reports.TextColumn("job", "Job"),
		reports.TextColumn("outfall_name", "Outfall"), reports.TextColumn("consent", "Consent"),
		reports.LitreColumn("decanted_l", "Decanted"), reports.TextColumn("basis", "Basis"),
		untotalled("free_l", "Free before"), reports.RatioColumn("ph", "pH", "", 2, 2),
		reports.RatioColumn("suspended_mg_per_l", "Suspended solids", "mg/L", 0, 0), reports.RatioColumn("turbidity_ntu", "Turbidity", "NTU", 3, 1),
		reports.TextColumn("against_consent", "Against the consent"), reports.TextColumn("outfall", "Outfall code").NotPrinted(),
	}
	return reports.Table{Name: "Decants", Empty: "No water was decanted in this period.", Title: "Water decanted from the debris tanks", Note: "Free before is the water that stood above the settled bed.",
		Columns: columns, Cited: true, Totals: totals(columns, r.Totals.DecantedML),
		Rows: rows(r.Decants, func(d *Decant) reports.Row {
			e := d.Entry
			body, _ := e.Body.(events.WaterDecanted)
			return reports.Row{Cites: e.Positions, Cells: []reports.Cell{
				reports.At(e.Occurred), reports.T(string(e.Truck)), reports.T(string(e.Job)),
				named(d.Name, string(d.Outfall)), reports.T(d.Consent),
				reports.N(d.VolumeML), reports.T(string(body.Volume.Basis)), reports.N(d.FreeWaterML),
				reports.Opt(body.PHHundredths), reports.Opt(body.SuspendedSolidsMGPerL), reports.Opt(body.TurbidityMilliNTU),
				reports.T(d.Result), reports.T(string(d.Outfall))}}
		})}
}

func (r *Report) outfallTable() reports.Table {
	columns := []reports.Column{
		reports.TextColumn("outfall", "Outfall"), reports.TextColumn("outfall_name", "Name"), reports.DateColumn("date", "Date"),
		reports.LitreColumn("listed_l", "Decanted here"), untotalled("decanted_l", "Decanted by all"), untotalled("limit_l", "Daily limit"),
		reports.YesNoColumn("exceeded", "Exceeded"),
	}
	return reports.Table{Name: outfallTableName, Empty: "No water was decanted in this period.", Backing: true, Title: "Outfalls by day against their daily limits", Note: "Days in the outfall's time zone. A line without an outfall is of decants that name none.",
		Columns: columns, Cited: true, Totals: totals(columns, r.Totals.DecantedML),
		Rows: rows(r.Outfalls, func(o *OutfallDay) reports.Row {
			return reports.Row{Key: o.key(), Cites: o.Cites, Cells: []reports.Cell{reports.T(string(o.Outfall)), reports.T(o.Name), reports.T(o.Date),
				reports.N(o.ListML), reports.N(o.DecantedML), limit(o.LimitML), reports.Yes(o.Over())}}
		})}
}

func (r *Report) weekTable() reports.Table {
	readings := reports.CountColumn("readings", "Readings")
	readings.Total = false
	columns := []reports.Column{
		reports.TextColumn("outfall", "Outfall"), reports.TextColumn("outfall_name", "Name"), reports.DateColumn("monday", "Week from"), readings,
		reports.RatioColumn("mean_ntu", "Mean turbidity", "NTU", 3, 3), reports.RatioColumn("limit_ntu", "Weekly limit", "NTU", 0, 0),
		reports.YesNoColumn("exceeded", "Exceeded"),
	}
	return reports.Table{Name: weekTableName, Empty: "No consent limits a weekly mean, or no reading was taken where one does.", Title: "Weekly mean turbidity where the consent limits it", Note: "The mean of all readings of the week, Monday to Sunday in the outfall's time zone.",
		Columns: columns, Cited: true,
		Rows: rows(r.Weeks, func(w *TurbidityWeek) reports.Row {
			return reports.Row{Key: w.key(), Cites: w.Cites, Cells: []reports.Cell{reports.T(string(w.Outfall)), reports.T(w.Name), reports.T(w.Monday),
				reports.N(w.Readings), reports.N(w.MeanMilliNTU()), reports.N(w.LimitNTU), reports.Yes(w.Over())}}
		})}
}
