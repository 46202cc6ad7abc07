package manifest

import (
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// percent is a column of parts per million shown as a percentage.
func percent(key, title string) reports.Column { return reports.RatioColumn(key, title, "%", 4, 1) }

func dateColumn[R any](key, title string, of func(*R) string) column[R] {
	c := text(key, title, of)
	c.Kind = reports.Date
	return c
}

func yesNo[R any](key, title string, of func(*R) bool) column[R] {
	return column[R]{Column: reports.Column{Key: key, Title: title, Kind: reports.YesNo},
		cell: func(r *R) reports.Cell { return reports.Yes(of(r)) }}
}

// citesOf returns everything a consignment rests on.
func (c *Consignment) citesOf() []uint64 {
	all := slices.Concat(c.Cites, c.Journey.Cites)
	if c.Docket != nil {
		all = append(all, c.Docket.Cites...)
	}
	for i := range c.Parts {
		all = append(all, c.Parts[i].Cites...)
	}
	return reports.Union(all)
}

func (c *Consignment) docketed(of func(*Docket) *int64) *int64 {
	if c.Docket == nil {
		return nil
	}
	return of(c.Docket)
}

func (c *Consignment) docketNumber() string {
	if c.Docket == nil {
		return ""
	}
	return c.Docket.Number
}

func siteOf(p *Contribution) string {
	switch {
	case p.Unheld:
		return "more than the tank held"
	case p.Job == "":
		return "nobody's"
	case p.JobEntry.SiteAddress == "":
		return string(p.Job)
	}
	return string(p.Job) + ", " + p.JobEntry.SiteAddress
}

// codeOf names a material shortly; the table of materials has its description.
func codeOf(p *Contribution) string {
	return strings.TrimLeft(p.Spoil.WasteCode+" "+string(p.Material), " ")
}

func facilityName(c *Consignment) string {
	if !c.Known {
		return string(c.Facility)
	}
	return c.Receiver.Name
}

func (r *Report) consignmentTable() reports.Table {
	type row = Consignment
	sum := r.Totals
	columns := []column[row]{
		text("consignment", "Consignment", func(c *row) string { return c.Number }),
		instant("tipped", "Tipped", func(c *row) events.Time { return c.Journey.Tipped }),
		text("truck", "Truck", func(c *row) string { return string(c.Truck) }),
		text("from", "From", func(c *row) string { return c.Describe(siteOf) }),
		text("material", "Code and material", func(c *row) string { return c.Describe(codeOf) }),
		text("facility", "Facility", facilityName),
		number(reports.MassColumn("solids_kg", "Solids"), func(c *row) int64 { return c.Amount.SolidsG }).summed(sum.Tipped.SolidsG),
		number(reports.MassColumn("water_kg", "Water"), func(c *row) int64 { return c.Amount.WaterG }).summed(sum.Tipped.WaterG),
		number(reports.MassColumn("mass_kg", "Mass"), func(c *row) int64 { return c.Amount.MassG() }).summed(sum.Tipped.MassG()),
		text("basis", "Basis", func(c *row) string { return string(c.Basis) }),
		number(reports.VolumeColumn("volume_m3", "Volume"), func(c *row) int64 { return c.Amount.VolumeML }).summed(sum.Tipped.VolumeML),
	}
	if r.Narrowed {
		columns = append(columns, number(reports.MassColumn("asked_kg", "Of the jobs asked for"),
			func(c *row) int64 { return c.Asked.MassG() }).summed(sum.Asked.MassG()))
	}
	columns = append(columns,
		text("docket", "Docket", (*row).docketNumber),
		optional(reports.MassColumn("docket_net_kg", "Docket net"), func(c *row) *int64 {
			return c.docketed(func(d *Docket) *int64 { return &d.NetG })
		}).summed(sum.DocketNetG),
		optional(reports.MassColumn("difference_kg", "Docket less account"), func(c *row) *int64 {
			return c.docketed(func(d *Docket) *int64 { return &d.DifferenceG })
		}).summed(sum.DifferenceG),
		optional(percent("difference_pct", "Difference"), func(c *row) *int64 {
			return c.docketed(func(d *Docket) *int64 { return d.DifferencePPM })
		}),
		number(reports.CountColumn("missing", "Items missing"), func(c *row) int64 { return int64(len(c.Missing)) }),
		dateColumn("date", "Date", func(c *row) string { return c.Day }).aside(),
		text("plate", "Number plate", func(c *row) string { return c.Plate }).aside(),
		text("driver", "Driver", func(c *row) string { return c.DriverName }).aside())
	return table(sheet{name: consignmentsName, title: "Consignments", empty: nothingTipped,
		note: "One line for each tip. Amounts are the tank account's, for the whole load; the docket stands beside them. Who drove and when is in Consignment details."},
		r.Consignments, (*row).citesOf, columns)
}

const nothingTipped = "Nothing was tipped in this period."

func testResult(c *Consignment) string {
	switch {
	case c.Test == nil:
		return "not recorded"
	case c.Test.Passed:
		return c.Test.Method + ": passed"
	}
	return c.Test.Method + ": failed"
}

func (r *Report) detailTable() reports.Table {
	type row = Consignment
	return table(sheet{name: "Consignment details", title: "Consignment details", empty: nothingTipped, backing: true,
		note: "Who carried it, when, and in what state it was. Within ± are two standard uncertainties of the account's mass, volume and solids, each by itself: they rest on the same instruments and are not to be added."},
		r.Consignments, (*row).citesOf, []column[row]{
			text("consignment", "Consignment", func(c *row) string { return c.Number }),
			text("plate", "Number plate", func(c *row) string { return c.Plate }),
			text("driver", "Driver", func(c *row) string { return c.DriverName }),
			instant("left_site", "Left site", func(c *row) events.Time { return c.Journey.LeftSite }),
			instant("arrived", "Arrived", func(c *row) events.Time { return c.Journey.Arrived }),
			instant("tipped", "Tipped", func(c *row) events.Time { return c.Journey.Tipped }),
			optional(percent("moisture_pct", "Moisture of dry mass"), func(c *row) *int64 { return c.MoisturePPM }),
			number(reports.RatioColumn("density_kg_m3", "Density", "kg/m³", 3, 0), func(c *row) int64 { return c.DensityG }),
			text("free_liquids", "Free-liquids test", testResult),
			number(reports.CountColumn("decants", "Decants since empty"), func(c *row) int64 { return int64(c.DecantCount) }),
			number(reports.MassColumn("heel_kg", "Left in tank"), func(c *row) int64 { return c.Heel.MassG() }),
			number(reports.VolumeColumn("heel_m3", "Left in tank"), func(c *row) int64 { return c.Heel.VolumeML }),
			instant("left_facility", "Left facility", func(c *row) events.Time { return c.Journey.LeftFacility }).aside(),
			text("carrier", "Carrier", func(c *row) string { return c.Carrier.Name }).aside(),
			text("carrier_registration", "Carrier's registration", func(c *row) string { return c.Carrier.Registration }).aside(),
			text("vehicle", "Vehicle", func(c *row) string { return c.TruckName }).aside(),
			text("facility", "Facility", facilityName).aside(),
			text("facility_address", "Address", func(c *row) string { return c.Receiver.Address }).aside(),
			text("facility_class", "Class", func(c *row) string { return string(c.Receiver.Class) }).aside(),
			text("permit", "Permit", func(c *row) string { return c.Receiver.Permit }).aside(),
			dateColumn("permit_from", "Valid from", func(c *row) string { return c.Receiver.PermitFrom }).aside(),
			dateColumn("permit_to", "Valid to", func(c *row) string { return c.Receiver.PermitTo }).aside(),
			text("docket", "Docket", (*row).docketNumber).aside(),
			number(reports.MassColumn("tolerance_kg", "Account within ±"), func(c *row) int64 { return c.ToleranceG }).aside(),
			number(reports.VolumeColumn("tolerance_m3", "Volume within ±"), func(c *row) int64 { return c.ToleranceML }).aside(),
			number(reports.MassColumn("tolerance_solids_kg", "Solids within ±"), func(c *row) int64 { return c.ToleranceSolidsG }).aside(),
		})
}

// weighingTable lists the consignments that have a docket.
func (r *Report) weighingTable() reports.Table {
	type row = Consignment
	weighed := []row{}
	for i := range r.Consignments {
		if r.Consignments[i].Docket != nil {
			weighed = append(weighed, r.Consignments[i])
		}
	}
	return table(sheet{name: "Weighbridge dockets", title: "Weighbridge dockets against the account", empty: "No docket has come for a tip of this period.", backing: true,
		note: "Account within ± is two standard uncertainties of the account's mass. A difference is a finding when it is more than the account and the weighbridge explain together, or more than 10 %."},
		weighed, func(c *row) []uint64 { return c.Docket.Cites }, []column[row]{
			text("docket", "Docket", (*row).docketNumber),
			instant("weighed", "Weighed", func(c *row) events.Time { return c.Docket.WeighedAt }),
			text("consignment", "Consignment", func(c *row) string { return c.Number }),
			text("facility", "Facility", facilityName),
			optional(reports.MassColumn("gross_kg", "Gross"), func(c *row) *int64 { return c.Docket.GrossG }),
			optional(reports.MassColumn("tare_kg", "Tare"), func(c *row) *int64 { return c.Docket.TareG }),
			number(reports.MassColumn("net_kg", "Net"), func(c *row) int64 { return c.Docket.NetG }).summed(r.Totals.DocketNetG),
			number(reports.MassColumn("account_kg", "Account"), func(c *row) int64 { return c.Amount.MassG() }).summed(r.Totals.DocketNetG - r.Totals.DifferenceG),
			number(reports.MassColumn("tolerance_kg", "Account within ±"), func(c *row) int64 { return c.ToleranceG }),
			number(reports.MassColumn("difference_kg", "Docket less account"), func(c *row) int64 { return c.Docket.DifferenceG }).summed(r.Totals.DifferenceG),
			optional(percent("difference_pct", "Difference"), func(c *row) *int64 { return c.Docket.DifferencePPM }),
			yesNo("over_ten_percent", "More than 10 %", func(c *row) bool { return c.Docket.Significant }),
		})
}

// contributionRow is a part of a consignment, or what belongs to others in it.
type contributionRow struct {
	of    *Consignment
	part  Contribution
	other bool
}

func (x *contributionRow) job() string {
	switch {
	case x.other:
		return "other jobs"
	case x.part.Unheld:
		return "more than the tank held"
	case x.part.Job == "":
		return "nobody's"
	}
	return string(x.part.Job)
}

func (x *contributionRow) description() string {
	switch {
	case x.other || x.part.Unheld:
		return ""
	case x.part.Material == "":
		return "water without soil"
	case x.part.Spoil.Description == "":
		return string(x.part.Material)
	}
	return x.part.Spoil.Description
}

func (x *contributionRow) sharePPM() *int64 {
	if x.of.Amount.MassG() == 0 {
		return nil
	}
	ppm := reports.MulDiv(x.part.Amount.MassG(), 1_000_000, x.of.Amount.MassG())
	return &ppm
}

func (r *Report) contributionRows() []contributionRow {
	rows := []contributionRow{}
	for i := range r.Consignments {
		c := &r.Consignments[i]
		for _, p := range c.Parts {
			rows = append(rows, contributionRow{of: c, part: p})
		}
		if o := c.Others; o != nil {
			rows = append(rows, contributionRow{of: c, other: true,
				part: Contribution{Amount: o.Amount, DocketG: o.DocketG, Cites: o.Cites}})
		}
	}
	return rows
}

func (r *Report) contributionTable() reports.Table {
	type row = contributionRow
	return table(sheet{name: "Contributions", title: "What each job gave to each consignment", empty: nothingTipped, backing: true,
		note: "The parts of a consignment sum to the whole. Descriptions of the materials, and who classified them, are in Materials."},
		r.contributionRows(), func(x *row) []uint64 { return x.part.Cites }, []column[row]{
			text("consignment", "Consignment", func(x *row) string { return x.of.Number }),
			text("job", "Job", (*row).job),
			text("job_name", "Name", func(x *row) string { return x.part.JobEntry.Name }),
			text("client", "Client", func(x *row) string { return x.part.ClientEntry.Name }),
			text("order", "Order", func(x *row) string { return x.part.JobEntry.OrderNumber }),
			text("code", "Waste code", func(x *row) string { return x.part.Spoil.WasteCode }),
			text("material", "Material", func(x *row) string { return string(x.part.Material) }),
			number(reports.MassColumn("solids_kg", "Solids"), func(x *row) int64 { return x.part.Amount.SolidsG }).summed(r.Totals.Tipped.SolidsG),
			number(reports.MassColumn("water_kg", "Water"), func(x *row) int64 { return x.part.Amount.WaterG }).summed(r.Totals.Tipped.WaterG),
			number(reports.MassColumn("mass_kg", "Mass"), func(x *row) int64 { return x.part.Amount.MassG() }).summed(r.Totals.Tipped.MassG()),
			number(reports.VolumeColumn("volume_m3", "Volume"), func(x *row) int64 { return x.part.Amount.VolumeML }).summed(r.Totals.Tipped.VolumeML),
			optional(percent("share_pct", "Share of mass"), (*row).sharePPM),
			number(reports.MassColumn("tolerance_kg", "Mass within ±"), func(x *row) int64 { return x.part.ToleranceG }).aside(),
			number(reports.VolumeColumn("tolerance_m3", "Volume within ±"), func(x *row) int64 { return x.part.ToleranceML }).aside(),
			number(reports.MassColumn("tolerance_solids_kg", "Solids within ±"), func(x *row) int64 { return x.part.ToleranceSolidsG }).aside(),
			optional(reports.MassColumn("docket_kg", "Part of docket net"), func(x *row) *int64 { return x.part.DocketG }).summed(r.Totals.SharedG),
			dateColumn("date", "Date", func(x *row) string { return x.of.Day }).aside(),
			text("site", "Site", func(x *row) string { return x.part.JobEntry.SiteAddress }).aside(),
			yesNo("hazardous", "Hazardous", func(x *row) bool { return x.part.Spoil.Hazardous }).aside(),
			text("description", "Description", (*row).description).aside(),
			text("classified_by", "Classified by", func(x *row) string { return x.part.Spoil.ClassifiedBy }).aside(),
			text("classified_on", "Basis of classification", func(x *row) string { return x.part.Spoil.ClassificationBasis }).aside(),
		})
}
