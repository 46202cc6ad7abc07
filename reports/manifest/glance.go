package manifest

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// glance says what people ask of a manifest first. Its figures are the totals of
// the tables.
func (r *Report) glance() []reports.Field {
	t := &r.Totals
	fields := []reports.Field{{Label: "Tipped", Text: fmt.Sprintf("%s, %s, %s (solids %s, water %s)", reports.Counted(t.Consignments, "consignment"),
		reports.Tonnes(t.Tipped.MassG()), reports.CubicMetres(t.Tipped.VolumeML), reports.Tonnes(t.Tipped.SolidsG), reports.Tonnes(t.Tipped.WaterG))}}
	if r.Narrowed {
		fields = append(fields, reports.Field{Label: "Of the jobs asked for", Text: reports.Tonnes(t.Asked.MassG()) + ", " + reports.CubicMetres(t.Asked.VolumeML)})
	}
	if t.Consignments > 0 {
		fields = append(fields, reports.Field{Label: "Where to", Text: r.whereTo()}, reports.Field{Label: "Hazardous", Text: r.hazardous()},
			reports.Field{Label: "Dockets", Text: r.dockets()}, reports.Field{Label: "Record", Text: r.complete()})
	}
	decanted := Amount{}
	for i := range r.Jobs {
		decanted = decanted.Plus(r.Jobs[i].Decanted)
	}
	held := "nothing, every tank was empty"
	if r.Narrowed {
		held = "nothing of the jobs asked for"
	}
	if t.Held.MassG() != 0 {
		held = reports.Tonnes(t.Held.MassG()) + ", " + reports.CubicMetres(t.Held.VolumeML)
	}
	return append(fields, reports.Field{Label: "Decanted", Text: reports.Tonnes(decanted.MassG()) + " of water and fines, before the tips"},
		reports.Field{Label: "Held at the end", Text: held})
}

// whereTo lists the facilities by what they received, the most first.
func (r *Report) whereTo() string {
	type received struct {
		name  string
		massG int64
	}
	list, at := []received{}, map[events.FacilityID]int{}
	for i := range r.Receipts {
		x := &r.Receipts[i]
		if _, seen := at[x.Facility]; !seen {
			at[x.Facility] = len(list)
			list = append(list, received{name: cmp.Or(x.Name, string(x.Facility))})
		}
		list[at[x.Facility]].massG += x.Amount.MassG()
	}
	slices.SortStableFunc(list, func(a, b received) int { return cmp.Compare(b.massG, a.massG) })
	parts := []string{}
	for i, x := range list {
		if i == maxGlance {
			parts = append(parts, fmt.Sprintf("and %d more", len(list)-i))
			break
		}
		parts = append(parts, x.name+" "+reports.Tonnes(x.massG))
	}
	return strings.Join(parts, ", ")
}

// maxGlance is how many facilities are named at a glance.
const maxGlance = 4

func (r *Report) hazardous() string {
	massG, count := int64(0), 0
	for i := range r.Receipts {
		if x := &r.Receipts[i]; x.Hazardous {
			massG += x.Amount.MassG()
		}
	}
	for i := range r.Consignments {
		if r.Consignments[i].Hazardous {
			count++
		}
	}
	if count == 0 {
		return "none"
	}
	return reports.Tonnes(massG) + " in " + reports.Counted(count, "consignment")
}

func (r *Report) dockets() string {
	count := 0
	for i := range r.Consignments {
		if r.Consignments[i].Docket != nil {
			count++
		}
	}
	text := fmt.Sprintf("%d of %s", count, reports.Counted(r.Totals.Consignments, "consignment"))
	if count == 0 {
		return text
	}
	more, account := "more", r.Totals.DocketNetG-r.Totals.DifferenceG
	difference := r.Totals.DifferenceG
	if difference < 0 {
		more, difference = "less", -difference
	}
	return fmt.Sprintf("%s, net %s: %s (%s) %s than the account", text, reports.Tonnes(r.Totals.DocketNetG), reports.Tonnes(difference),
		reports.Percent(difference, account), more)
}

func (r *Report) complete() string {
	count := 0
	for i := range r.Consignments {
		if len(r.Consignments[i].Missing) == 0 {
			count++
		}
	}
	return fmt.Sprintf("%d of %s lack nothing that is asked for", count, reports.Counted(r.Totals.Consignments, "consignment"))
}
