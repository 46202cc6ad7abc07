package manifest

import (
	"fmt"
	"iter"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// further lists the tables of what went otherwise than straight from site to facility:
// refusals, returns, dockets that differ; and how long the records are kept.
func (r *Report) further() []reports.Table {
	return []reports.Table{r.refusalTable(), r.returnTable(), r.discrepancyTable(), r.retentionTable()}
}

// keyed gives each row of a table of consignments the key by which it is explained.
func (r *Report) keyed(t reports.Table) reports.Table {
	rows := t.Rows
	t.Rows = iter.Seq[reports.Row](func(yield func(reports.Row) bool) {
		i := 0
		for row := range rows {
			row.Key = r.Consignments[i].Key
			i++
			if !yield(row) {
				return
			}
		}
	})
	return t
}

func (r *Report) refusalTable() reports.Table {
	type row = Refusal
	return table(sheet{name: "Refusals", title: "Loads that a facility refused", empty: "No facility refused a load in this period.",
		note: "Nothing was tipped by a refusal. Held is the whole tank at the gate; the consignment is the one that the load went with in the end."},
		r.Refusals, func(x *row) []uint64 { return x.Cites }, []column[row]{
			instant("at", "At", func(x *row) events.Time { return x.at }),
			text("truck", "Truck", func(x *row) string { return string(x.Truck) }),
			text("facility", "Facility", func(x *row) string { return named(x.Name, x.Facility) }),
			text("reason", "Reason", func(x *row) string { return words(x.Reason) }),
			text("note", "Note", func(x *row) string { return x.Note }),
			number(reports.MassColumn("held_kg", "Held"), func(x *row) int64 { return x.Held.MassG() }),
			number(reports.VolumeColumn("held_m3", "Held"), func(x *row) int64 { return x.Held.VolumeML }),
			text("consignment", "Went with", func(x *row) string { return x.Next }),
			text("to", "To", func(x *row) string { return x.NextTo }),
			text("plate", "Number plate", func(x *row) string { return x.Plate }).aside(),
		})
}

func named(name string, id events.FacilityID) string {
	if name == "" {
		return string(id)
	}
	return name
}

// words writes a reason as people say it.
func words(r events.RefusalReason) string { return strings.ReplaceAll(string(r), "-", " ") }

func (r *Report) returnTable() reports.Table {
	type row = Return
	columns := []column[row]{
		instant("at", "At", func(x *row) events.Time { return x.at }),
		text("consignment", "Of consignment", func(x *row) string { return x.of() }),
		text("truck", "Truck", func(x *row) string { return string(x.Truck) }),
		text("facility", "Facility", func(x *row) string { return string(x.Facility) }),
		text("reason", "Reason", func(x *row) string { return words(x.Reason) }),
		text("note", "Note", func(x *row) string { return x.Note }),
		number(reports.MassColumn("solids_kg", "Solids"), func(x *row) int64 { return x.Amount.SolidsG }).summed(r.Totals.Returned.SolidsG),
		number(reports.MassColumn("water_kg", "Water"), func(x *row) int64 { return x.Amount.WaterG }).summed(r.Totals.Returned.WaterG),
		number(reports.MassColumn("mass_kg", "Mass"), func(x *row) int64 { return x.Amount.MassG() }).summed(r.Totals.Returned.MassG()),
		number(reports.VolumeColumn("volume_m3", "Volume"), func(x *row) int64 { return x.Amount.VolumeML }).summed(r.Totals.Returned.VolumeML),
		number(reports.MassColumn("not_tipped_kg", "Of it, never tipped"), func(x *row) int64 { return x.Untipped.MassG() }),
		number(reports.MassColumn("tolerance_kg", "Within ±"), func(x *row) int64 { return x.ToleranceG }),
	}
	if r.Narrowed {
		columns = append(columns, number(reports.MassColumn("asked_kg", "Of the jobs asked for"),
			func(x *row) int64 { return x.Asked.MassG() }).summed(r.Totals.ReturnedAsked.MassG()))
	}
	return table(sheet{name: "Returned loads", title: "Spoil that facilities gave back", empty: "No facility gave spoil back in this period.",
		note: "It was taken into the tank again, of each job in proportion to what the tip had brought, and is in a later consignment once more. The consignment that brought it keeps its figures."},
		r.Returns, func(x *row) []uint64 { return x.Cites }, columns)
}

func (x *Return) of() string {
	if x.Of == "" {
		return "none that is known"
	}
	return x.Of
}

func (r *Report) discrepancyTable() reports.Table {
	type row = Consignment
	rows := []row{}
	for i := range r.Consignments {
		if d := r.Consignments[i].Docket; d != nil && (d.Significant || d.Unexplained) {
			rows = append(rows, r.Consignments[i])
		}
	}
	on := func(of func(*Docket) int64) func(*row) int64 { return func(c *row) int64 { return of(c.Docket) } }
	return table(sheet{name: "Discrepancies", title: "Dockets that differ from the account", empty: "No docket differs by more than the instruments explain, or by more than 10 %.",
		note: fmt.Sprintf("By two rules side by side: what the instruments explain, and more than 10 %% by weight (40 CFR 264.72(b)). "+
			"Reconcile by is %d days after the weighing, for the second rule (40 CFR 264.72(c) as read: 15; a rule of 2024 made it 20, from memory).", r.options.ReconcileDays)},
		rows, func(c *row) []uint64 { return reports.Union(c.Cites, c.Docket.Cites) }, []column[row]{
			text("consignment", "Consignment", func(c *row) string { return c.Number }),
			text("docket", "Docket", (*row).docketNumber),
			text("facility", "Facility", facilityName),
			number(reports.MassColumn("account_kg", "Account"), on(func(d *Docket) int64 { return d.AccountG })),
			number(reports.MassColumn("docket_net_kg", "Docket net"), on(func(d *Docket) int64 { return d.NetG })),
			number(reports.MassColumn("difference_kg", "Docket less account"), on(func(d *Docket) int64 { return d.DifferenceG })),
			optional(percent("difference_pct", "Difference"), func(c *row) *int64 { return c.Docket.DifferencePPM }),
			yesNo("over_ten_percent", "Over 10 %", func(c *row) bool { return c.Docket.Significant }),
			number(reports.MassColumn("account_within_kg", "Account within ±"), func(c *row) int64 { return c.ToleranceG }),
			number(reports.MassColumn("docket_within_kg", "Docket within ±"), on(func(d *Docket) int64 { return d.ToleranceG })),
			number(reports.RatioColumn("en", "Difference over both", "", 3, 2), on(func(d *Docket) int64 { return d.EnMilli })),
			yesNo("explained", "Instruments explain it", func(c *row) bool { return !c.Docket.Unexplained }),
			dateColumn("reconcile_by", "Reconcile by", func(c *row) string { return c.ReconcileBy }),
		})
}

// retentionTable says until when each consignment's record is kept by the laws that the
// profile knows.
func (r *Report) retentionTable() reports.Table {
	type row = Consignment
	rules := r.Profile.Retentions()
	columns := []column[row]{
		text("consignment", "Consignment", func(c *row) string { return c.Number }),
		instant("accepted", "Taken over", (*row).accepted),
		yesNo("hazardous", "Hazardous", func(c *row) bool { return c.Hazardous }),
	}
	sources := []string{}
	for _, rule := range rules {
		columns = append(columns, dateColumn(rule.Key, fmt.Sprintf("%s, %d y", rule.Who, rule.Years),
			func(c *row) string { return rule.KeepUntil(c, r.Request.Period.Zone) }))
		if text := rule.Who + ": " + rule.Source; !slices.Contains(sources, text) {
			sources = append(sources, text)
		}
	}
	held := ""
	for _, h := range r.journal.Holds() {
		held += ", " + h.Name
	}
	if held != "" { // what a law would let go is kept all the same
		columns = append(columns, text("held", "Held", func(*row) string { return "held: " + held[2:] }))
	}
	return table(sheet{name: "Keep until", title: "Until when the records are kept", empty: nothingTipped, backing: true,
		note: "Counted from when the carrier took the waste over. Which rule binds is a question for the people who know the law of the place. " + strings.Join(sources, "; ") + "."},
		r.Consignments, (*row).citesOf, columns)
}
