package water

import (
	"fmt"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Document returns the report as tables and pictures.
func (r *Report) Document() reports.Document {
	p := r.Request.Period
	d := reports.Document{
		Report: "water", Title: "Water use",
		Subject: []reports.Field{
			{Label: "Period", Text: fmt.Sprintf("from %s, up to and not including %s", p.Local(p.From).Format("2006-01-02 15:04"), p.Local(p.To).Format("2006-01-02 15:04"))},
			{Label: "Time zone", Text: p.Zone.String()},
			{Label: "Ledger position", Text: fmt.Sprint(r.Position)},
			{Label: "Drawn", Text: litres(r.Totals.DrawnML()) + " L"},
			{Label: "Recycled share", Text: r.recycled()},
			{Label: "Used", Text: litres(r.Totals.UsedML()) + " L"},
			{Label: "Decanted", Text: litres(r.Totals.DecantedML) + " L"},
			{Label: "Jetting per bank m³", Text: r.perBank()},
		},
		Notes:    r.notes(),
		Tables:   []reports.Table{r.dayTable(), r.lineTable(), r.drawTable(), r.useTable(), r.sourceTable(), r.decantTable(), r.outfallTable()},
		Findings: r.Findings,
	}
	if len(r.Weeks) > 0 {
		d.Tables = append(d.Tables, r.weekTable())
	}
	d.Tables = append(d.Tables, r.bankTable())
	if !r.Narrowed {
		d.Tables = append(d.Tables, r.freshTable(), r.gaugeTable(), r.readingTable())
	}
	d.Pictures = r.pictures()
	return d
}

func (r *Report) recycled() string {
	ppm, ok := r.Totals.RecycledPPM()
	if !ok {
		return "nothing was drawn"
	}
	tenths := reports.MulDiv(ppm, 1, 1000)
	return fmt.Sprintf("%d.%d %%", tenths/10, tenths%10)
}

func (r *Report) perBank() string {
	b := BankWater{JettingML: r.Totals.BankJets, BankML: r.Totals.BankML}
	v, ok := b.LitresPerM3Thousandths()
	if !ok {
		return "no bank volume is known"
	}
	return fmt.Sprintf("%d L", reports.MulDiv(v, 1, 1000))
}

func (r *Report) notes() []string {
	notes := []string{
		"A refill counts by its measured volume; where that is missing or not measured, by its meter readings. Both are shown, and the basis of each figure.",
		fmt.Sprintf("Where no tolerance is stated, a volume is taken to be right within %d %% and a water meter within %d ‰ (class 2 of OIML R 49, upper zone).",
			tank.DefaultTolerancePPM/10_000, DefaultMeterPermille),
		"Water counts as 1 g for 1 mL. Recycled water is never counted as mains.",
		"Daily caps and limits are held against all trucks in the record and whole days in the place's own time zone; weeks run from Monday. A day without a draw is an explicit zero.",
		"A limit is exceeded only above it. No limit is universal: those shown are the consent's or the permit's, which bind in their own words.",
		"A reading that a consent limits and nobody took is named as not measured and is no finding; the consent says how often to measure.",
		"Rules on backflow are set locally by whoever supplies the water. Keep the air gap or the device that they ask for on every refill.",
		"This is a record; that it is complete is no statement of legal compliance.",
	}
	if r.Narrowed {
		notes = append(notes, "Only entries of the jobs asked for are listed. Fresh tanks and meters, which all jobs share, are left out; a refill that names no job belongs to none.")
	}
	if r.Request.Filter.Truck != "" {
		notes = append(notes, "One truck was asked for: what other trucks drew or decanted may be missing from caps, limits and meters.")
	}
	return notes
}

func flowColumns() []reports.Column {
	return []reports.Column{
		reports.LitreColumn("mains_l", "Mains"), reports.LitreColumn("bore_l", "Bore"), reports.LitreColumn("surface_l", "Surface"),
		reports.LitreColumn("yard_l", "Yard"), reports.LitreColumn("recycled_l", "Recycled"), reports.LitreColumn("other_source_l", "Other source"),
		reports.LitreColumn("drawn_l", "Drawn"),
		reports.LitreColumn("jetting_l", "Jetting"), reports.LitreColumn("washing_l", "Washing"), reports.LitreColumn("flushing_l", "Flushing"),
		reports.LitreColumn("dust_l", "Dust"), reports.LitreColumn("other_use_l", "Other use"),
		reports.LitreColumn("used_l", "Used"), reports.LitreColumn("decanted_l", "Decanted"),
	}
}

func (f *Flow) cells() []reports.Cell {
	cells := []reports.Cell{}
	for _, ml := range []int64{f.MainsML, f.BoreML, f.SurfaceML, f.YardML, f.RecycledML, f.OtherSourceML, f.DrawnML(),
		f.JettingML, f.WashingML, f.FlushingML, f.DustML, f.OtherUseML, f.UsedML(), f.DecantedML} {
		cells = append(cells, reports.N(ml))
	}
	return cells
}

func (r *Report) pictures() []reports.Picture {
	rows := min(len(r.Days), maxPictureDays)
	if rows == 0 {
		return nil
	}
	return []reports.Picture{
		{Title: "Water drawn by day", Alt: "Columns of the water drawn each day, stacked by kind of source; recycled water is its own part.",
			Kind: reports.StackedColumns, Table: dayTableName, Category: "date",
			Series: []string{"mains_l", "bore_l", "surface_l", "yard_l", "recycled_l", "other_source_l"}, Rows: rows},
		{Title: "Jetted and decanted by day", Alt: "Two columns for each day: the water used for jetting and the water decanted from the debris tanks.",
			Kind: reports.Columns, Table: dayTableName, Category: "date", Series: []string{"jetting_l", "decanted_l"}, Rows: rows},
	}
}

// maxPictureDays keeps a column of a picture wide enough to be seen.
const maxPictureDays = 92

const dayTableName = "Water by day"

func sourceUse(u events.WaterSourceUse) string {
	if u == "" {
		return "not in the register"
	}
	return string(u)
}
