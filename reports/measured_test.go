package reports_test

import (
	"math/big"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events/units"
	"spoilbook/reports"
)

func american() reports.Measures {
	return reports.Measures{Spoil: units.CubicYard, Water: units.USGallon, Mass: units.ShortTon}
}

// oneRow is a document of one line of every kind of quantity that reports have.
func oneRow(mL, g int64) reports.Document {
	down := reports.RatioColumn("margin_kg", "Margin", "kg", 0, 0)
	down.Down = true
	perHour := reports.LitreColumn("cleared_l_per_h", "Cleared for an hour").OfSpoil()
	perHour.Unit = "L/h"
	columns := []reports.Column{reports.TextColumn("truck", "Truck"), reports.VolumeColumn("spoil_m3", "Spoil"), reports.LitreColumn("water_l", "Water"),
		reports.MassColumn("mass_kg", "Mass"), {Key: "facility_1_t", Title: "Facility", Unit: "t", Kind: reports.Number, Scale: 6, Decimals: 2},
		reports.RatioColumn("density_kg_m3", "Density", "kg/m³", 3, 0), reports.RatioColumn("jetting_l_per_m3", "Jetting", "L/m³", 3, 0), perHour, down,
		reports.RatioColumn("suspended_mg_per_l", "Solids", "mg/L", 0, 0), reports.MoneyColumn("net", "Net", "EUR"), reports.DurationColumn("length_h", "Length")}
	cells := []reports.Cell{reports.T("TM-01"), reports.N(mL), reports.N(mL), reports.N(g), reports.N(g), reports.N(1_500_000), reports.N(600_000), reports.N(mL), reports.N(9_998),
		reports.N(35), reports.N(1050), reports.N(3_600_000)}
	rows := []reports.Row{{Cells: cells, Cites: []uint64{7}, Key: "k"}, {Cells: append([]reports.Cell{reports.T("TM-02")}, slices.Repeat([]reports.Cell{reports.Blank()}, len(cells)-1)...)}}
	return reports.Document{Report: "manifest", Title: "T", Tables: []reports.Table{{Name: "A", Title: "A", Columns: columns, Rows: reports.RowsOf(rows), Totals: reports.AddUp(columns, rows)}},
		Pictures: []reports.Picture{{Title: "P", Table: "A", Category: "truck", Series: []string{"spoil_m3", "length_h"}}},
		Glance:   []reports.Field{reports.Tell("%s, 100 %% of %s, and %s in %d tips", reports.OfMass(g), reports.OfSpoil(mL), reports.OfWater(mL), 3).Labelled("Tipped"), {Label: "Plain", Text: "nothing"}}}
}

func first(d reports.Document) reports.Row {
	for r := range d.Tables[0].Rows {
		return r
	}
	return reports.Row{}
}

func TestMeasuredColumns(t *testing.T) {
	d := oneRow(5_000_000, 10_000_000).Measured(american())
	want := []struct{ key, unit, shown string }{{"truck", "", "TM-01"}, {"spoil_yd3", "yd³", "6.540"}, {"water_us_gal", "US gal", "1,321"}, {"mass_short_ton", "short ton", "11.023"},
		{"facility_1_short_ton", "short ton", "11.02"}, {"density_short_ton_yd3", "short ton/yd³", "1.264"}, {"jetting_us_gal_per_yd3", "US gal/yd³", "121"},
		{"cleared_yd3_per_h", "yd³/h", "6.540"}, {"margin_short_ton", "short ton", "11.020"}, {"suspended_mg_per_l", "mg/L", "35"}, {"net", "EUR", "10.50"}, {"length_h", "h:mm", "1:00"}}
	row := first(d)
	for i, w := range want {
		c := &d.Tables[0].Columns[i]
		if shown := c.Shown(row.Cells[i], reports.Period{}); c.Key != w.key || c.Unit != w.unit || shown != w.shown {
			t.Errorf("column %d is %s (%s) and shows %s, want %v", i, c.Key, c.Unit, shown, w)
		}
	}
	if !slices.Equal(d.Pictures[0].Series, []string{"spoil_yd3", "length_h"}) {
		t.Errorf("the picture draws %q", d.Pictures[0].Series)
	}
	if text := d.Glance[0].Text; text != "11.02 short ton, 100 % of 6.54 yd³, and 1,321 US gal in 3 tips" || d.Glance[1].Text != "nothing" {
		t.Errorf("at a glance: %q, %q", text, d.Glance[1].Text)
	}
	if row.Key != "k" || !slices.Equal(row.Cites, []uint64{7}) {
		t.Errorf("the line lost its key or its positions: %+v", row)
	}
}

func TestMetricIsWhatReportsAreMadeIn(t *testing.T) {
	d := oneRow(5_000_000, 10_000_000)
	m := d.Measured(reports.Metric())
	if len(m.Notes) != 0 || !slices.EqualFunc(m.Tables[0].Columns, d.Tables[0].Columns, func(a, b reports.Column) bool { return a == b }) {
		t.Error("a document in metric units is changed by asking for them")
	}
	if text := d.Glance[0].Text; text != "10.00 t, 100 % of 5.00 m³, and 5,000 L in 3 tips" {
		t.Errorf("at a glance: %q", text)
	}
	// Said in other units and back, a glance is what it was.
	back := reports.Measures{Spoil: units.CubicMetre, Water: units.Litre, Mass: units.Tonne}
	if f := d.Glance[0].Measured(american()).Measured(back); f.Text != "10.00 t, 100 % of 6.54 yd³, and 1,321 US gal in 3 tips" {
		t.Errorf("at a glance: %q", f.Text)
	}
}

// Every unit that can be chosen keeps the whole grams and millilitres: they can be read from what is written of them. GNU units, which knows
// nothing of this package, says the same.
func TestMeasuredLosesNothing(t *testing.T) {
	program, err := exec.LookPath("units")
	if err != nil {
		t.Fatal("the program units is missing; deploy/check.sh installs what the tests need")
	}
	gnu := map[units.Unit]string{units.USGallon: "usgallon", units.ImperialGallon: "brgallon", units.CubicYard: "yd^3", units.Pound: "lb", units.ShortTon: "shortton",
		units.LongTon: "longton", units.Litre: "liter", units.CubicMetre: "m^3", units.Kilogram: "kg", units.Tonne: "tonne"}
	amounts := []int64{1, 7, 999, 123_457, 5_000_001, 987_654_321}
	for _, spoil := range reports.SpoilUnits() {
		for i, mass := range reports.MassUnits() {
			m := reports.Measures{Spoil: spoil, Water: reports.WaterUnits()[i%len(reports.WaterUnits())], Mass: mass}
			for _, base := range amounts {
				d := oneRow(base, base).Measured(m)
				row, columns := first(d), d.Tables[0].Columns
				for c, u := range map[int]units.Unit{1: m.Spoil, 2: m.Water, 3: m.Mass} {
					text := strings.ReplaceAll(reports.Decimal(row.Cells[c].Int, columns[c].Scale, columns[c].Scale), ",", "")
					if back, err := u.Base(text); err != nil || back != base {
						t.Errorf("%d in %s is %s, which is %d (%v)", base, u.Symbol(), text, back, err)
					}
					if total := d.Tables[0].Totals[c]; total.Int != row.Cells[c].Int {
						t.Errorf("the total of one line in %s is %d and not %d", u.Symbol(), total.Int, row.Cells[c].Int)
					}
				}
			}
		}
	}
	for u, name := range gnu {
		m := reports.Measures{Spoil: units.CubicMetre, Water: units.Litre, Mass: units.Kilogram}
		column := 1
		if u.BaseSymbol() == "g" {
			m.Mass, column = u, 3
		} else {
			m.Spoil = u
		}
		d := oneRow(987_654_321, 987_654_321).Measured(m)
		c := d.Tables[0].Columns[column]
		shown := strings.ReplaceAll(reports.Decimal(first(d).Cells[column].Int, c.Scale, c.Scale), ",", "")
		out, err := exec.Command(program, "--terse", "--output-format", "%.17g", shown+" "+name, u.BaseSymbol()).Output()
		back, parsed := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
		if err != nil || parsed != nil || back < 987_654_320.99 || back > 987_654_321.01 {
			t.Errorf("%s %s is %s for GNU units", shown, name, out)
		}
	}
}

// A total is that of the amounts, not of what is shown of them, and lines add up to it but for half a unit of the last place each.
func TestMeasuredTotals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		amounts := rapid.SliceOfN(rapid.Int64Range(-50_000_000, 50_000_000), 1, 60).Draw(t, "g")
		columns := []reports.Column{reports.MassColumn("mass_kg", "Mass")}
		var rows []reports.Row
		sum := int64(0)
		for _, g := range amounts {
			rows, sum = append(rows, reports.Row{Cells: []reports.Cell{reports.N(g)}}), sum+g
		}
		unit := rapid.SampledFrom(reports.MassUnits()).Draw(t, "unit")
		m := reports.Metric()
		m.Mass = unit
		d := reports.Document{Tables: []reports.Table{{Name: "A", Columns: columns, Rows: reports.RowsOf(rows), Totals: reports.AddUp(columns, rows)}}}.Measured(m)
		table := d.Tables[0]
		scale := new(big.Rat).SetInt(new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(table.Columns[0].Scale)), nil))
		exact := new(big.Rat).Quo(new(big.Rat).SetInt64(sum), unit.Factor())
		if want := exact.Mul(exact, scale).FloatString(0); strconv.FormatInt(table.Totals[0].Int, 10) != want && want != "-0" {
			t.Fatalf("the total of %d g in %s is %d, want %s", sum, unit.Symbol(), table.Totals[0].Int, want)
		}
		lines := int64(0)
		for r := range table.Rows {
			lines += r.Cells[0].Int
		}
		if off := lines - table.Totals[0].Int; off < -int64(len(rows))/2-1 || off > int64(len(rows))/2+1 || off != 0 && !table.Columns[0].Rounded {
			t.Fatalf("%d lines in %s add up to %d off their total", len(rows), unit.Symbol(), off)
		}
	})
}

func TestMeasuresNamed(t *testing.T) {
	if m, err := reports.MeasuresNamed("yd3", "us-gal", "short-ton"); err != nil || m != american() {
		t.Errorf("%+v, %v", m, err)
	}
	if m, err := reports.MeasuresNamed("", "", ""); err != nil || m != reports.Metric() {
		t.Errorf("%+v, %v", m, err)
	}
	if _, err := reports.MeasuresNamed("", "yd3", ""); err == nil || !strings.Contains(err.Error(), "allowed: l, m3, us-gal, imp-gal") {
		t.Errorf("water in cubic yards: %v", err)
	}
}
