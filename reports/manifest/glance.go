package manifest

import (
	"cmp"
	"fmt"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// glance says what people ask of a manifest first. Its figures are the totals of
// the tables.
func (r *Report) glance() []reports.Field {
	t := &r.Totals
	fields := []reports.Field{reports.Tell("%s, %s, %s (solids %s, water %s)", reports.Counted(t.Consignments, "consignment"), reports.OfMass(t.Tipped.MassG()),
		reports.OfSpoil(t.Tipped.VolumeML), reports.OfMass(t.Tipped.SolidsG), reports.OfMass(t.Tipped.WaterG)).Labelled("Tipped")}
	if r.Narrowed {
		fields = append(fields, amounts(t.Asked).Labelled("Of the jobs asked for"))
	}
	if t.Consignments > 0 {
		fields = append(fields, r.whereTo().Labelled("Where to"), r.hazardous().Labelled("Hazardous"),
			r.dockets().Labelled("Dockets"), reports.Field{Label: "Record", Text: r.complete()})
	}
	decanted := Amount{}
	for i := range r.Jobs {
		decanted = decanted.Plus(r.Jobs[i].Decanted)
	}
	held := reports.Tell("nothing, every tank was empty")
	if r.Narrowed {
		held = reports.Tell("nothing of the jobs asked for")
	}
	if t.Held.MassG() != 0 {
		held = amounts(t.Held)
	}
	return append(fields, reports.Tell("%s of water and fines, before the tips", reports.OfMass(decanted.MassG())).Labelled("Decanted"), held.Labelled("Held at the end"))
}

// amounts says how much an amount is, by mass and by volume.
func amounts(a Amount) reports.Told {
	return reports.Tell("%s, %s", reports.OfMass(a.MassG()), reports.OfSpoil(a.VolumeML))
}

// whereTo lists the facilities by what they received, the most first.
func (r *Report) whereTo() reports.Told {
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
	parts := []reports.Told{}
	for i, x := range list {
		if i == maxGlance {
			parts = append(parts, reports.Tell("and %d more", len(list)-i))
			break
		}
		parts = append(parts, reports.Tell("%s %s", x.name, reports.OfMass(x.massG)))
	}
	return reports.TellAll(parts, ", ")
}

// maxGlance is how many facilities are named at a glance.
const maxGlance = 4

func (r *Report) hazardous() reports.Told {
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
		return reports.Tell("none")
	}
	return reports.Tell("%s in %s", reports.OfMass(massG), reports.Counted(count, "consignment"))
}

func (r *Report) dockets() reports.Told {
	count := 0
	for i := range r.Consignments {
		if r.Consignments[i].Docket != nil {
			count++
		}
	}
	text := reports.Tell("%d of %s", count, reports.Counted(r.Totals.Consignments, "consignment"))
	if count == 0 {
		return text
	}
	more, account := "more", r.Totals.DocketNetG-r.Totals.DifferenceG
	difference := r.Totals.DifferenceG
	if difference < 0 {
		more, difference = "less", -difference
	}
	return reports.Tell("%s, net %s: %s (%s) %s than the account", text, reports.OfMass(r.Totals.DocketNetG), reports.OfMass(difference),
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
