package consignments

import (
	"strings"

	"spoilbook/reports"
	"spoilbook/reports/manifest"
)

// Sites returns where a consignment came from, each site once: "J-101, Weir Street 10-40".
func Sites(c *manifest.Consignment) string {
	return c.Describe(func(p *manifest.Contribution) string {
		switch {
		case p.Unheld:
			return "more than the tank held"
		case p.Job == "":
			return "nobody's"
		}
		return strings.TrimSuffix(string(p.Job)+", "+p.JobEntry.SiteAddress, ", ")
	})
}

// Codes returns the waste codes of a consignment, each once.
func Codes(c *manifest.Consignment) string {
	return c.Describe(func(p *manifest.Contribution) string { return p.Spoil.WasteCode })
}

// Document shows what was picked: one table that adds up by itself, and the filters on the cover.
func (s *Selection) Document() reports.Document {
	columns := []reports.Column{
		reports.TextColumn("consignment", "Consignment"), reports.InstantColumn("tipped", "Tipped"), reports.TextColumn("truck", "Truck"),
		reports.TextColumn("from", "From"), reports.TextColumn("code", "Waste code"), reports.YesNoColumn("hazardous", "Hazardous"), reports.TextColumn("facility", "Facility"),
		reports.TextColumn("permit", "Permit"), reports.MassColumn("solids_kg", "Solids"), reports.MassColumn("water_kg", "Water"), reports.MassColumn("mass_kg", "Mass"),
		untotalled(reports.MassColumn("tolerance_kg", "Mass within ±")), reports.VolumeColumn("volume_m3", "Volume"), reports.TextColumn("docket", "Docket"),
		reports.MassColumn("docket_net_kg", "Docket net"), reports.MassColumn("difference_kg", "Docket less account"), reports.YesNoColumn("unexplained", "Beyond the instruments"),
		reports.YesNoColumn("over_ten_percent", "More than 10 %"), reports.CountColumn("missing", "Items missing"), reports.TextColumn("lacks", "What is missing").NotPrinted(),
		reports.TextColumn("plate", "Number plate").NotPrinted(), reports.TextColumn("driver", "Driver").NotPrinted(), reports.TextColumn("basis", "Basis").NotPrinted(),
	}
	rows := make([]reports.Row, len(s.Consignments))
	for i, c := range s.Consignments {
		rows[i] = reports.Row{Cells: cells(c), Cites: c.Rests(), Key: c.Key}
	}
	x := &s.Sums
	totals := make([]reports.Cell, len(columns))
	for i := range totals {
		totals[i] = reports.Blank()
	}
	for i, v := range map[int]int64{8: x.Amount.SolidsG, 9: x.Amount.WaterG, 10: x.Amount.MassG(), 12: x.Amount.VolumeML, 14: x.DocketNetG, 15: x.DifferenceG, 18: x.Missing} {
		totals[i] = reports.N(v)
	}
	return reports.Document{Report: "consignments", Title: "Consignments, as picked out of the manifest",
		Glance: []reports.Field{reports.Tell("%s, %s, %s", reports.Counted(x.Consignments, "consignment"), reports.OfMass(x.Amount.MassG()), reports.OfSpoil(x.Amount.VolumeML)).Labelled("Picked"),
			{Label: "Dockets", Text: reports.Decimal(x.Docketed, 0, 0) + " there, " + reports.Decimal(x.Awaited, 0, 0) + " awaited, " + reports.Decimal(x.Discrepant, 0, 0) + " that differ"}},
		Subject: s.subject(),
		Notes: []string{"Whether a consignment is lawful is for the people licensed to decide it, under the law of the place. A complete record is no statement of legal compliance.",
			"A consignment is picked whole: one that holds spoil of the job asked for counts with all of its mass.",
			"Mass within ± is two standard uncertainties of the account's mass. Items missing are held against the record asked for."},
		Tables: []reports.Table{{Name: "Consignments", Title: "Consignments", Empty: "No consignment of the period is like that.", Columns: columns, Rows: reports.RowsOf(rows), Totals: totals, Cited: true}}}
}

func untotalled(c reports.Column) reports.Column {
	c.Total = false
	return c
}

func cells(c *manifest.Consignment) []reports.Cell {
	docket := []reports.Cell{reports.Blank(), reports.Blank(), reports.Blank(), reports.Blank(), reports.Blank()}
	if d := c.Docket; d != nil {
		docket = []reports.Cell{reports.T(d.Number), reports.N(d.NetG), reports.N(d.DifferenceG), reports.Yes(d.Unexplained), reports.Yes(d.Significant)}
	}
	lacks := make([]string, len(c.Missing))
	for i, m := range c.Missing {
		lacks[i] = m.Item + ": " + m.What
	}
	list := []reports.Cell{reports.T(c.Number), reports.At(c.Journey.Tipped), reports.T(string(c.Truck)), reports.T(Sites(c)), reports.T(Codes(c)), reports.Yes(c.Hazardous),
		reports.T(FacilityName(c)), reports.T(c.Receiver.Permit), reports.N(c.Amount.SolidsG), reports.N(c.Amount.WaterG), reports.N(c.Amount.MassG()), reports.N(c.ToleranceG),
		reports.N(c.Amount.VolumeML)}
	return append(append(list, docket...), reports.N(int64(len(c.Missing))), reports.T(strings.Join(lacks, "; ")), reports.T(c.Plate), reports.T(c.DriverName), reports.T(string(c.Basis)))
}

func (s *Selection) subject() []reports.Field {
	f := &s.Filter
	fields := []reports.Field{{Label: "Record asked for", Text: s.Of.Profile.Title()}}
	for _, x := range []struct{ label, text string }{{"Facility", string(f.Facility)}, {"Job", string(f.Job)}, {"Client", string(f.Client)}, {"Truck", string(f.Truck)}, {"Waste code", f.Code},
		{"Hazardous", f.Hazardous}, {"Record", f.Record}, {"Docket differs", f.Discrepancy}, {"Docket", f.Docket}, {"With the words", f.Text}} {
		if x.text != "" {
			fields = append(fields, reports.Field{Label: "Picked: " + strings.ToLower(x.label[:1]) + x.label[1:], Text: x.text})
		}
	}
	return fields
}
