package manifest

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// receiver is a facility under one permit, with what it received.
type receiver struct {
	id     events.FacilityID
	entry  events.Facility
	count  int64
	amount Amount
}

// facilityTable lists the facilities as the register had them when they received
// the consignments: one whose permit was renewed in the period stands twice.
func (r *Report) facilityTable() reports.Table {
	type key struct {
		id                          events.FacilityID
		name, address, permit, from string
		to                          string
		class                       events.FacilityClass
	}
	rows, at := []receiver{}, map[key]int{}
	for i := range r.Consignments {
		c := &r.Consignments[i]
		k := key{c.Facility, c.Receiver.Name, c.Receiver.Address, c.Receiver.Permit, c.Receiver.PermitFrom, c.Receiver.PermitTo, c.Receiver.Class}
		if _, seen := at[k]; !seen {
			at[k] = len(rows)
			rows = append(rows, receiver{id: c.Facility, entry: c.Receiver})
		}
		x := &rows[at[k]]
		x.count++
		x.amount = x.amount.Plus(c.Amount)
	}
	slices.SortStableFunc(rows, func(a, b receiver) int {
		return cmp.Or(cmp.Compare(a.id, b.id), cmp.Compare(a.entry.PermitFrom, b.entry.PermitFrom))
	})
	type row = receiver
	return table(sheet{name: "Facilities", title: "Receiving facilities and their permits", empty: nothingTipped,
		note: "As the register had them on the day of each tip. A facility whose entry changed within the period stands here more than once."},
		rows, nil, []column[row]{
			text("facility", "Facility", func(x *row) string { return string(x.id) }),
			text("name", "Name", func(x *row) string { return x.entry.Name }),
			text("address", "Address", func(x *row) string { return x.entry.Address }),
			text("class", "Kind", func(x *row) string { return string(x.entry.Class) }),
			text("permit", "Permit", func(x *row) string { return x.entry.Permit }),
			dateColumn("permit_from", "Valid from", func(x *row) string { return x.entry.PermitFrom }),
			dateColumn("permit_to", "Valid to", func(x *row) string { return x.entry.PermitTo }),
			number(reports.CountColumn("consignments", "Consignments"), func(x *row) int64 { return x.count }).summed(r.Totals.Consignments),
			number(reports.MassColumn("mass_kg", "Mass"), func(x *row) int64 { return x.amount.MassG() }).summed(r.Totals.Tipped.MassG()),
			number(reports.VolumeColumn("volume_m3", "Volume"), func(x *row) int64 { return x.amount.VolumeML }).summed(r.Totals.Tipped.VolumeML),
		})
}

// materialRow is a material as it was classified, with what was tipped of it.
type materialRow struct {
	contributionRow
	amount Amount
}

// materialTable lists what was tipped by material, as the register had it when the
// tips occurred.
func (r *Report) materialTable() reports.Table {
	type key struct{ material, code, description, by, basis string }
	rows, at := []materialRow{}, map[key]int{}
	for _, x := range r.contributionRows() {
		m := x.part.Spoil
		k := key{x.material(), m.WasteCode, x.description(), m.ClassifiedBy, m.ClassificationBasis}
		if _, seen := at[k]; !seen {
			at[k] = len(rows)
			rows = append(rows, materialRow{contributionRow: x})
		}
		rows[at[k]].amount = rows[at[k]].amount.Plus(x.part.Amount)
	}
	slices.SortStableFunc(rows, func(a, b materialRow) int {
		return cmp.Or(last(a.other, b.other), cmp.Compare(a.part.Spoil.WasteCode, b.part.Spoil.WasteCode), cmp.Compare(a.material(), b.material()))
	})
	type row = materialRow
	return table(sheet{name: "Materials", title: "Materials tipped, and who classified them", empty: nothingTipped,
		note: "As the register had them on the day of each tip."},
		rows, nil, []column[row]{
			text("material", "Material", (*row).material),
			text("code", "Waste code", func(x *row) string { return x.part.Spoil.WasteCode }),
			text("description", "Description", (*row).description),
			yesNo("hazardous", "Hazardous", func(x *row) bool { return x.part.Spoil.Hazardous }),
			text("classified_by", "Classified by", func(x *row) string { return x.part.Spoil.ClassifiedBy }),
			text("classified_on", "Basis of classification", func(x *row) string { return x.part.Spoil.ClassificationBasis }),
			number(reports.MassColumn("mass_kg", "Mass"), func(x *row) int64 { return x.amount.MassG() }).summed(r.Totals.Tipped.MassG()),
			number(reports.VolumeColumn("volume_m3", "Volume"), func(x *row) int64 { return x.amount.VolumeML }).summed(r.Totals.Tipped.VolumeML),
		})
}

// material names the material of a row in a list of materials.
func (x *contributionRow) material() string {
	switch {
	case x.other:
		return "of other jobs"
	case x.part.Unheld:
		return "more than the tank held"
	case x.part.Material == "":
		return "water"
	}
	return string(x.part.Material)
}
