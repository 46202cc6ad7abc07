package water

import (
	"fmt"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Document returns the report as tables and pictures.
func (r *Report) Document() reports.Document {
	d := reports.Document{
		Report: "water", Title: "Water use", Glance: r.glance(), Notes: r.notes(), Findings: r.Findings,
		Tables: []reports.Table{r.dayTable(), r.sourceSumTable(), r.outfallSumTable(), r.weekTable(), r.decantTable(), r.bankTable(),
			r.sourceTable(), r.outfallTable(), r.lineTable(), r.drawTable(), r.useTable()},
	}
	if !r.Narrowed {
		d.Tables = append(d.Tables, r.freshTable(), r.gaugeTable(), r.readingTable())
	}
	d.Tables = append(d.Tables, r.waysTable())
	d.Pictures = r.pictures()
	return d
}

func (r *Report) notes() []string {
	notes := []string{
		"A refill counts by its measured volume; where that is missing or not measured, by its meter readings. Both are shown, and the basis of each figure.",
		fmt.Sprintf("Where no tolerance is stated, a volume is taken to be right within %d %% and a water meter within %d ‰ (class 2 of OIML R 49, upper zone).",
			tank.DefaultTolerancePPM/10_000, DefaultMeterPermille),
		"A tank gauge within the combined tolerance of itself and the account moves nothing; beyond it the difference is unaccounted for and found.",
		"Water counts as 1 g for 1 mL. Recycled water is never counted as mains.",
		"Daily caps and limits are held against all trucks in the record and whole days in the place's own time zone; weeks run from Monday. A day without a draw is an explicit zero.",
		"A limit is exceeded only above it. No limit is universal: those shown are the consent's or the permit's, which bind in their own words.",
		"A reading that a consent limits and nobody took is named as not measured and is no finding; the consent says how often to measure.",
		"Rules on backflow are set locally by whoever supplies the water. Keep the air gap or the device that they ask for on every refill.",
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
		{Title: "Water drawn by day and kind of source", Alt: "Stacked columns: the litres drawn on each day, by kind of source; recycled water is a part of its own.",
			Kind: reports.StackedColumns, Table: dayTableName, Category: "date",
			Series: []string{"mains_l", "bore_l", "surface_l", "yard_l", "recycled_l", "other_source_l"}, Rows: rows},
		{Title: "Water jetted and water decanted by day", Alt: "Two columns for each day: the water used for jetting and the water decanted from the debris tanks.",
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
	return strings.ReplaceAll(string(u), "-", " ")
}
