package axles

import (
	"fmt"

	"spoilbook/events/units"
	"spoilbook/reports"
	"spoilbook/reports/gauge"
)

// Document returns the report as tables.
func (r *Report) Document() reports.Document {
	d := reports.Document{
		Report: "axles", Title: "Load on the axles",
		Glance: r.glance(),
		Notes:  r.notes(),
		Tables: []reports.Table{r.tripTable()},
	}
	if r.Rule == USBridge {
		d.Tables = append(d.Tables, r.bridgeTable())
	}
	if !r.Narrowed {
		d.Tables = append(d.Tables, r.dayTable())
	}
	d.Tables = append(d.Tables, r.loadTable(), r.truckTable())
	d.Findings = r.Findings
	return d
}

func (r *Report) glance() []reports.Field {
	over, heaviest := 0, int64(0)
	var near *Trip
	var least margin
	for i := range r.Trips {
		t := &r.Trips[i]
		heaviest = max(heaviest, t.Weight.GrossG)
		passed := false
		for _, m := range t.Weight.margins() {
			passed = passed || m.leftG < 0
			if near == nil || m.leftG < least.leftG {
				near, least = t, m
			}
		}
		if passed {
			over++
		}
	}
	fields := []reports.Field{
		{Label: "Journeys", Text: reports.Counted(len(r.Trips), "journey")},
		{Label: "Over a permitted mass", Text: reports.Decimal(int64(over), 0, 0)},
		reports.Tell("%s", reports.OfKilograms(heaviest)).Labelled("Heaviest on the road"),
	}
	if near != nil {
		fields = append(fields, reports.Field{Label: "Nearest to a limit", Text: fmt.Sprintf("%s, the %s: %s, %s %s", near.Truck, least.name, left(least.leftG),
			r.Request.Period.Local(near.At()).Format("2006-01-02 15:04"), near.route())})
	}
	return append(fields, reports.Field{Label: "Caution", Text: "advice only: a weighbridge decides; the manufacturer's plate and local rules come first"})
}

// route says where a journey went, as far as it is on record.
func (t *Trip) route() string {
	switch notOnRecord {
	case t.From:
		return "on the way to " + t.To
	case t.To:
		return "on the way from " + t.From
	}
	return "from " + t.From + " to " + t.To
}

// left writes a margin in whole kilograms, rounded down.
func left(marginG int64) string {
	if marginG < 0 {
		return excess(marginG) + " too much"
	}
	return reports.Decimal(kilogramsDown(marginG), 0, 0) + " kg left"
}

func (r *Report) notes() []string {
	notes := []string{
		"Advice only: a weighbridge decides. Masses are the account's, with the tolerances of the loads behind them; defer to the manufacturer's plate and local rules.",
		"Axles are worked out by statics: each tank's contents act at one point of the register, the truck stands level, and slurry that surges is not reckoned with. A load behind the rear axles lifts the front, which steers: the register knows no least mass for it.",
		"Tare, permitted masses and places are those of the register at the time. Axles near each other count as one support that shares its load equally and is held against the sum of their permitted masses, no single one of them against its own; a truck with more or fewer than two supports has no axle figures here.",
		"Only journeys are held against the limits: on site a truck may hold more and decant before it leaves. A journey counts by its largest gross.",
		"What is left to a limit is rounded down to whole kilograms, and what is too much is rounded up: neither flatters. So a margin can be a kilogram less than the masses beside it, which are rounded to the nearest, seem to leave.",
		"The largest further load is the same material at its typical slurry density in the debris tank; the first limit that it runs into governs. A negative figure is what must go.",
	}
	if r.Rule == USBridge {
		notes = append(notes, "Bridge formula: 23 U.S.C. 127(a)(2), W = 500 (LN/(N-1) + 12N + 36) to the nearest 500 lb, at most 20,000 lb an axle, 34,000 lb within 96 in and 80,000 lb in all. It needs each axle as its own entry of the register: a pair entered as one counts as one axle.")
	}
	if r.Narrowed {
		notes = append(notes, "Only journeys and loads of the jobs asked for are listed. Days, which all jobs share, are left out.")
	}
	return notes
}

// massColumn is a mass that is not summed: masses of different moments make no whole.
func massColumn(key, title string) reports.Column {
	c := reports.MassColumn(key, title)
	c.Total = false
	return c
}

// leftColumn is what is left to a limit, in whole kilograms rounded down.
func leftColumn(key, title string) reports.Column {
	c := reports.RatioColumn(key, title, "kg", 0, 0)
	c.Down = true
	return c
}

// leftCell is its cell, blank for nil.
func leftCell(g *int64) reports.Cell {
	if g == nil {
		return reports.Blank()
	}
	return reports.N(kilogramsDown(*g))
}

// weightColumns puts the permitted masses, which are the same on every line and stand
// in the table of trucks, aside.
func weightColumns() []reports.Column {
	return []reports.Column{
		massColumn("debris_kg", "Debris tank"), massColumn("fresh_kg", "Fresh water"),
		massColumn("gross_kg", "Gross"), leftColumn("gross_margin_kg", "Gross margin"),
		massColumn("front_kg", "Front"), leftColumn("front_margin_kg", "Front margin"),
		massColumn("rear_kg", "Rear"), leftColumn("rear_margin_kg", "Rear margin"),
	}
}

func (w *Weight) cells() []reports.Cell {
	cells := []reports.Cell{reports.N(w.DebrisG), reports.N(w.FreshG)}
	of := func(there bool, massG, leftG int64) {
		if !there {
			cells = append(cells, reports.Blank(), reports.Blank())
			return
		}
		cells = append(cells, reports.N(massG), leftCell(&leftG))
	}
	of(w.Known, w.GrossG, w.GrossMarginG())
	of(w.Why == "", w.FrontG, w.FrontMarginG)
	of(w.Why == "", w.RearG, w.RearMarginG)
	return cells
}

// limitColumns are kept for looking up, at the end of a line.
func limitColumns() []reports.Column {
	return []reports.Column{massColumn("gross_permitted_kg", "Gross permitted").NotPrinted(), massColumn("front_permitted_kg", "Front permitted").NotPrinted(),
		massColumn("rear_permitted_kg", "Rear permitted").NotPrinted(), reports.TextColumn("why", "Why there are no axle figures").NotPrinted()}
}

func (w *Weight) limitCells() []reports.Cell {
	cells := []reports.Cell{reports.Blank(), reports.Blank(), reports.Blank(), reports.T(w.Why)}
	if w.Known {
		cells[0] = reports.N(w.PermittedGrossG)
	}
	if w.Why == "" {
		cells[1], cells[2] = reports.N(w.Beam.Front.PermittedG), reports.N(w.Beam.Rear.PermittedG)
	}
	return cells
}

func (r *Report) tripTable() reports.Table {
	cols := append([]reports.Column{
		reports.TextColumn("truck", "Truck"), reports.TextColumn("job", "Job"), reports.InstantColumn("left", "Left"), reports.TextColumn("from", "From"),
		reports.InstantColumn("reached", "Reached"), reports.TextColumn("to", "To"),
	}, weightColumns()...)
	cols = append(cols, limitColumns()...)
	rows := []reports.Row{}
	for i := range r.Trips {
		t := &r.Trips[i]
		cells := append([]reports.Cell{reports.T(string(t.Truck)), reports.T(string(t.Job)), reports.At(t.Left), reports.T(t.From),
			reports.At(t.Reached), reports.T(t.To)}, t.Weight.cells()...)
		rows = append(rows, reports.Row{Cells: append(cells, t.Weight.limitCells()...), Cites: t.Cites, Key: t.key})
	}
	return reports.Table{Name: tripTableName, Title: "Masses on the road", Note: "A negative margin is over the permitted mass. Advice only: a weighbridge decides.",
		Empty: "No journey is on record.", Columns: cols, Rows: reports.RowsOf(rows), Cited: true}
}

func (r *Report) bridgeTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), reports.InstantColumn("at", "At"), reports.TextColumn("from", "From"), reports.TextColumn("to", "To"),
		reports.RatioColumn("first", "First axle", "", 0, 0), reports.RatioColumn("last", "Last axle", "", 0, 0),
		reports.RatioColumn("span_m", "Span", "m", 3, 2), massColumn("group_kg", "Group"), leftColumn("group_margin_kg", "Margin"),
		reports.TextColumn("group_lb", "Group in pounds"), reports.TextColumn("limit_lb", "Limit"),
	}
	rows := []reports.Row{}
	for i := range r.Trips {
		t := &r.Trips[i]
		if t.Weight.Why != "" {
			continue
		}
		g := worst(Groups(t.Weight.Axles))
		rows = append(rows, reports.Row{Key: t.key, Cites: t.Cites, Cells: []reports.Cell{reports.T(string(t.Truck)), reports.At(t.At()), reports.T(t.From), reports.T(t.To),
			reports.N(int64(g.First + 1)), reports.N(int64(g.Last + 1)), reports.N(g.SpanMM), reports.N(g.MassG), reports.N(kilogramsDown(g.MarginG())),
			reports.T(pounds(g.MassG)), reports.T(wholePounds(g.LimitLB))}})
	}
	return reports.Table{Name: bridgeTableName, Title: "The group of axles nearest to its bridge formula limit", Columns: cols,
		Rows: reports.RowsOf(rows), Cited: true}
}

func (r *Report) dayTable() reports.Table {
	cols := append([]reports.Column{reports.DateColumn("day", "Day"), reports.TextColumn("truck", "Truck"), reports.InstantColumn("at", "From")}, weightColumns()...)
	cols = append(cols, limitColumns()...)
	rows := []reports.Row{}
	for i := range r.Days {
		d := &r.Days[i]
		cells := append([]reports.Cell{reports.T(d.Date), reports.T(string(d.Truck)), reports.At(d.At)}, d.Weight.cells()...)
		rows = append(rows, reports.Row{Key: d.key(), Cites: d.Weight.Cites, Cells: append(cells, d.Weight.limitCells()...)})
	}
	return reports.Table{Name: dayTableName, Title: "When each truck was heaviest, on site or on the road",
		Note: "On site a truck may hold more than it may carry on the road.", Columns: cols, Rows: reports.RowsOf(rows), Cited: true}
}

func (r *Report) loadTable() reports.Table {
	cols := append([]reports.Column{reports.TextColumn("truck", "Truck"), reports.InstantColumn("at", "After the load of"), reports.TextColumn("job", "Job")}, weightColumns()...)
	cols = append(cols, leftColumn("further_kg", "Largest further load"), reports.TextColumn("governs", "What governs"),
		leftColumn("further_front_kg", "By the front"), leftColumn("further_rear_kg", "By the rear"), leftColumn("further_gross_kg", "By the gross"),
		leftColumn("further_volume_kg", "By the volume"))
	cols = append(cols, limitColumns()...)
	rows := []reports.Row{}
	for i := range r.Loads {
		l := &r.Loads[i]
		cells := append([]reports.Cell{reports.T(string(l.Entry.Truck)), reports.At(l.Entry.Occurred), reports.T(string(l.Entry.Job))}, l.Weight.cells()...)
		further := reports.Blank()
		if l.HasRoom {
			further = leftCell(&l.Room.MassG)
		}
		cells = append(cells, further, reports.T(string(l.Room.Governs)), leftCell(l.Room.FrontG), leftCell(l.Room.RearG), leftCell(l.Room.GrossG), leftCell(l.Room.VolumeG))
		rows = append(rows, reports.Row{Key: l.key, Cells: append(cells, l.Weight.limitCells()...), Cites: l.Entry.Positions})
	}
	return reports.Table{Name: loadTableName, Title: "The largest further load after each load, and what governs it",
		Note: "For the same material at its typical slurry density, to be carried on the road as it is.", Columns: cols,
		Rows: reports.RowsOf(rows), Cited: true, Backing: true}
}

func (r *Report) truckTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("truck", "Truck"), massColumn("tare_kg", "Tare"), massColumn("axle_tares_kg", "Sum of axle tares"),
		massColumn("gross_permitted_kg", "Gross permitted"), massColumn("front_permitted_kg", "Front permitted"), massColumn("rear_permitted_kg", "Rear permitted"),
		massColumn("payload_kg", "Payload"),
		reports.LitreColumn("debris_capacity_l", "Debris tank").OfSpoil(), reports.LitreColumn("cylinder_l", "By its geometry").OfSpoil(),
		reports.LitreColumn("step_l", "10 mm of level when half full").OfSpoil(), reports.TextColumn("why", "Why there are no axle figures"),
	}
	for i := range cols {
		cols[i].Total = false
	}
	rows := []reports.Row{}
	for i := range r.Trucks {
		t := &r.Trucks[i]
		axleTares := int64(0)
		for _, a := range t.Doc.Axles {
			axleTares += a.TareKg * 1000
		}
		front, rear := reports.Blank(), reports.Blank()
		if t.Why == "" {
			front, rear = reports.N(t.beam.Front.PermittedG), reports.N(t.beam.Rear.PermittedG)
		}
		cells := []reports.Cell{reports.T(string(t.ID)), reports.N(t.Doc.TareKg * 1000), reports.N(axleTares), reports.N(t.Doc.PermittedGrossKg * 1000), front, rear,
			reports.N((t.Doc.PermittedGrossKg - t.Doc.TareKg) * 1000), reports.N(t.Doc.DebrisCapacityL * 1000)}
		cells = append(cells, t.cylinder()...)
		rows = append(rows, reports.Row{Key: string(t.ID), Cells: append(cells, reports.T(t.Why))})
	}
	return reports.Table{Name: truckTableName, Title: "The trucks in the register, at their last entry of the period",
		Note: "Where the axles' tares do not sum to the tare, weigh the truck and put the register right.", Columns: cols, Rows: reports.RowsOf(rows)}
}

// cylinder returns what the debris tank holds by its geometry and what ten millimetres
// of level are worth when it is half full, blank where the register has no geometry.
func (t *Truck) cylinder() []reports.Cell {
	c := gauge.HorizontalCylinder{DiameterMM: t.Doc.DebrisTankDiameterMM, LengthMM: t.Doc.DebrisTankLengthMM}
	whole, err := c.VolumeML(c.DiameterMM)
	if err != nil {
		return []reports.Cell{reports.Blank(), reports.Blank()}
	}
	step, err := c.SensitivityML(c.DiameterMM/2, 10)
	if err != nil {
		return []reports.Cell{reports.N(whole), reports.Blank()}
	}
	return []reports.Cell{reports.N(whole), reports.N(step)}
}

func pounds(g int64) string { return units.Pound.Show(g, 0) + " lb" }

func wholePounds(lb int64) string { return reports.Decimal(lb, 0, 0) + " lb" }
