package sheetstest

import (
	"crypto/sha256"
	"fmt"
	"iter"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
)

// dayMS is one day.
const dayMS = 24 * 60 * 60 * 1000

// Period returns October 2026 in Europe/Dublin, in which the clocks change.
func Period() (reports.Period, error) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		return reports.Period{}, err
	}
	return reports.Days("2026-10-01", "2026-10-31", zone)
}

// Document returns an invented report with a table of loads, lines long, a time split of 40 days with its chart, a water table and findings
// of each severity. Its totals are summed here. The same lines give the same document.
func Document(p reports.Period, lines int) reports.Document {
	return reports.Document{
		Report: "manifest", Title: "Spoil and water, Tarnmoor",
		Glance:  []reports.Field{{Label: "Loads", Text: fmt.Sprint(lines)}, {Label: "Spoil", Text: "3.24 m³ of clay"}},
		Subject: []reports.Field{{Label: "Fleet", Text: "4 trucks"}, {Label: "Client", Text: "C-HARBOUR Harbour Works (invented)"}},
		Notes: []string{
			"Volumes of slurry are as the tank's gauge showed them; solids are computed from the mass that was measured or assumed, and say which.",
			"Weights of a tank gauge are no weighbridge: ask the facility before a docket is used as evidence.",
		},
		Tables:   []reports.Table{Loads(p, lines), TimeSplit(40), Water(p, 14)},
		Pictures: pictures(),
		Findings: findings(p),
	}
}

// Loads is a table of every kind of column, with long texts.
func Loads(p reports.Period, lines int) reports.Table {
	t := reports.Table{Name: "Loads", Title: "Loads and where they went", Cited: true,
		Note: "One line for each load, in the order they were tipped.",
		Columns: []reports.Column{
			reports.InstantColumn("started", "Started"),
			reports.TextColumn("truck", "Truck"),
			reports.TextColumn("job", "Job"),
			reports.TextColumn("material", "Material"),
			reports.VolumeColumn("slurry_m3", "Slurry"),
			reports.MassColumn("solids_kg", "Solids"),
			reports.LitreColumn("decanted_l", "Decanted"),
			reports.RatioColumn("density_kg_l", "Density", "kg/L", 3, 3),
			{Key: "tipped_on", Title: "Tipped on", Kind: reports.Date},
			reports.TextColumn("facility", "Facility"),
			{Key: "docket", Title: "Docket", Kind: reports.YesNo},
			reports.DurationColumn("loading_h", "Loading time"),
			reports.MoneyColumn("fee_eur", "Gate fee", "EUR"),
			reports.TextColumn("remarks", "Remarks"),
		},
		Rows: func(yield func(reports.Row) bool) {
			for i := range lines {
				if !yield(load(p, i)) {
					return
				}
			}
		},
	}
	return WithTotals(t)
}

func load(p reports.Period, i int) reports.Row {
	materials := []string{"Clay, firm", "Made ground with brick and timber", "Silty sand", "Drilling fluid, bentonite"}
	remarks := []string{"", "Slow: cobbles at 0.9 m, nozzle changed", "",
		"Verge kept clear for the farm entrance; second visit needed because the duct was found 0.4 m north of where the drawing has it"}
	k := int64(i)
	start := events.Time{UnixMS: p.From.UnixMS + k*41*60*1000%(31*dayMS)}
	density := reports.N(1180 + k*7%420)
	if i%9 == 4 {
		density = reports.Blank()
	}
	cites := []uint64{uint64(3*i + 1)}
	for n := range i % 16 {
		cites = append(cites, uint64(3*i+2+n+n*n/4))
	}
	return reports.Row{Cites: cites, Cells: []reports.Cell{
		reports.At(start), reports.T(fmt.Sprintf("TM-%02d", i%4+1)), reports.T(fmt.Sprintf("J-%d", 101+i%7)), reports.T(materials[i%4]),
		reports.N(1_242_576 + k*93_007%5_900_000), reports.N(983_250 + k*55_771%4_100_000), reports.N(k * 17_500 % 900_000), density,
		reports.T(p.Day(events.Time{UnixMS: start.UnixMS + dayMS/4})), reports.T([]string{"F-QUARRY Stonefield recovery", "F-TIP Lower Tarn landfill"}[i%2]),
		reports.Yes(i%3 != 0), reports.N(7*60*1000 + k*61_500%(55*60*1000)), reports.N(4250 + k*1337%20_000), reports.T(remarks[i%4]),
	}}
}

// TimeSplit is a table of days with durations.
func TimeSplit(days int) reports.Table {
	rows := []reports.Row{}
	day := time.Date(2026, 9, 22, 0, 0, 0, 0, time.UTC)
	for i := range days {
		k := int64(i)
		minutes := func(base, step, span int64) reports.Cell { return reports.N((base + k*step%span) * 60 * 1000) }
		rows = append(rows, reports.Row{Cells: []reports.Cell{reports.T(day.AddDate(0, 0, i).Format(time.DateOnly)),
			minutes(150, 37, 190), minutes(60, 11, 70), minutes(40, 23, 90), minutes(10, 17, 60), minutes(30, 0, 1), minutes(0, 7, 25)}})
	}
	return WithTotals(reports.Table{Name: "Time split", Title: "What the truck did on each day",
		Columns: []reports.Column{{Key: "day", Title: "Day", Kind: reports.Date},
			reports.DurationColumn("digging_h", "Digging"), reports.DurationColumn("travel_h", "Travel"), reports.DurationColumn("tipping_h", "Tipping"),
			reports.DurationColumn("standby_h", "Standby"), reports.DurationColumn("rest_h", "Rest"), reports.DurationColumn("unexplained_h", "Not explained")},
		Rows: reports.RowsOf(rows)})
}

// Water is a small table of volumes.
func Water(p reports.Period, lines int) reports.Table {
	rows := []reports.Row{}
	for i := range lines {
		k := int64(i)
		rows = append(rows, reports.Row{Cites: []uint64{uint64(500 + i)}, Cells: []reports.Cell{
			reports.T(fmt.Sprintf("S-%02d Hydrant at the invented mill road no. %d", i+1, i+3)), reports.N(900_000 + k*610_000%3_000_000),
			reports.T(fmt.Sprintf("P-%d", i)), reports.N(850_000 + k*470_000%2_800_000), reports.N(5_000_000), reports.Yes(i%4 != 1)}})
	}
	return WithTotals(reports.Table{Name: "Water", Title: "Fresh water by source", Note: "Drawn is what meters or gauges showed.", Empty: "No water was drawn.", Cited: true,
		Columns: []reports.Column{reports.TextColumn("source", "Source"), reports.VolumeColumn("drawn_m3", "Drawn"), reports.TextColumn("permit", "Permit").NotPrinted(), reports.VolumeColumn("used_m3", "Used"),
			reports.RatioColumn("cap_m3", "Daily cap", "m³", 6, 1), {Key: "backflow", Title: "Backflow device recorded", Kind: reports.YesNo}},
		Rows: reports.RowsOf(rows)})
}

// WithTotals returns the table with the sums of its rows as its own totals.
func WithTotals(t reports.Table) reports.Table {
	sums := make([]int64, len(t.Columns))
	for r := range t.Rows {
		for i, c := range r.Cells {
			if t.Columns[i].Total && !c.Empty {
				sums[i] += c.Int
			}
		}
	}
	t.Totals = make([]reports.Cell, len(t.Columns))
	for i := range sums {
		t.Totals[i] = reports.Blank()
		if t.Columns[i].Total {
			t.Totals[i] = reports.N(sums[i])
		}
	}
	return t
}

func pictures() []reports.Picture {
	return []reports.Picture{
		{Title: "Hours of each day by activity", Kind: reports.StackedColumns, Table: "Time split", Category: "day", Rows: 40,
			Alt:    "Stacked columns, one for each of 40 days. Digging is the largest part of most days, between two and six hours.",
			Series: []string{"digging_h", "travel_h", "tipping_h", "standby_h", "rest_h", "unexplained_h"}},
		{Title: "Water drawn and used by source", Kind: reports.Bars, Table: "Water", Category: "source", Rows: 14,
			Alt: "Pairs of bars for 14 sources. Less was used than drawn at most sources.", Series: []string{"drawn_m3", "used_m3"}},
		{Title: "Digging and travel", Kind: reports.Lines, Table: "Time split", Category: "day", Rows: 20,
			Alt: "Two lines over 20 days. Digging swings between two and six hours; travel stays below two.", Series: []string{"digging_h", "travel_h"}},
	}
}

func findings(p reports.Period) []reports.Finding {
	at := events.Time{UnixMS: p.From.UnixMS + 5*dayMS}
	fs := []reports.Finding{
		reports.NewFinding(reports.PermitExpired, "TM-01", at, []uint64{12, 15}, "the permit of F-TIP ended on 2026-10-03, the load was tipped on 2026-10-06"),
		reports.NewFinding(reports.DocketDiffers, "TM-02", at, []uint64{40, 41, 57}, "docket 4 820 kg, account 4 410 kg ± 180 kg"),
		reports.NewFinding(reports.NoDocket, "TM-02", at, []uint64{61}, "no docket for the tip at 14:05"),
		reports.NewFinding(reports.AssumedDensity, "TM-03", events.Time{}, nil, "the mass rests on a typical density of 1.9 kg/L for made ground"),
	}
	fs[0].Job = "J-102"
	return fs
}

// Cited gives n invented events in position order.
func Cited(p reports.Period, n int) iter.Seq[*events.Recorded] {
	return func(yield func(*events.Recorded) bool) {
		for i := range n {
			truck := events.TruckID(fmt.Sprintf("TM-%02d", i%4+1))
			at := events.Time{UnixMS: p.From.UnixMS + int64(i)*977_000%(31*dayMS)}
			r := &events.Recorded{Position: uint64(i + 1), At: events.Time{UnixMS: at.UnixMS + 2500}, Hash: sha256.Sum256([]byte{byte(i), byte(i >> 8)}),
				Event: events.Event{ID: fmt.Sprintf("%s-%06d", truck, i/4+1), Source: events.TruckSource(truck), Seq: uint64(i/4 + 1), Occurred: at,
					Truck: truck, Job: "J-101", Operator: "OP-1", Origin: events.FromController,
					Body: events.LoadCollected{Start: at, End: events.Time{UnixMS: at.UnixMS + 900_000}, Material: "M-CLAY",
						SlurryVolume: &events.Volume{VolumeML: 2_000_000, Basis: events.Measured}}}}
			if !yield(r) {
				return
			}
		}
	}
}
