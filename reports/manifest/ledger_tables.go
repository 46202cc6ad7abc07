package manifest

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
)

// decantRow is a decant cited under a consignment.
type decantRow struct {
	of     *Consignment
	decant *Decant
}

func (r *Report) decantTable() reports.Table {
	type row = decantRow
	rows := []row{}
	for i := range r.Consignments {
		for k := range r.Consignments[i].Decants {
			rows = append(rows, row{&r.Consignments[i], &r.Consignments[i].Decants[k]})
		}
	}
	columns := []column[row]{
		text("consignment", "Consignment", func(x *row) string { return x.of.Number }),
		instant("decanted", "Decanted", func(x *row) events.Time { return x.decant.At }),
		text("job", "At the site of", func(x *row) string { return string(x.decant.Job) }),
		text("outfall", "Outfall", func(x *row) string { return x.decant.where() }),
		text("to", "To", func(x *row) string { return x.decant.To }),
		text("consent", "Consent", func(x *row) string {
			if x.decant.Consent == "" {
				return "none recorded"
			}
			return x.decant.Consent
		}),
		number(reports.LitreColumn("volume_l", "Decanted"), func(x *row) int64 { return x.decant.VolumeML }),
		number(reports.MassColumn("solids_kg", "Solids in it"), func(x *row) int64 { return x.decant.SolidsG }),
	}
	if r.Narrowed {
		columns = append(columns, number(reports.LitreColumn("asked_l", "Water of the jobs asked for"),
			func(x *row) int64 { return x.decant.AskedML }))
	}
	return table(sheet{name: "Decants before tips", title: "Water decanted before the tips", empty: "No water was decanted from the tanks before these tips.", backing: true,
		note: "Water drained since the tank was last empty; after a part tip a decant stands under several consignments, so nothing is summed."},
		rows, func(x *row) []uint64 { return x.decant.Cites }, columns)
}

func (h *Holding) job() string {
	switch {
	case h.Other:
		return "other jobs"
	case h.Job == "":
		return "nobody's"
	}
	return string(h.Job)
}

func (r *Report) heldTable() reports.Table {
	type row = Holding
	return table(sheet{name: "Held at period end", title: "Held at the end of the period", empty: "Every tank was empty at the end of the period.",
		note: "What each tank still held, by job and material."},
		r.Held, func(h *row) []uint64 { return h.Cites }, []column[row]{
			text("truck", "Truck", func(h *row) string { return string(h.Truck) }),
			text("job", "Job", (*row).job),
			text("material", "Material", func(h *row) string { return string(h.Material) }),
			text("code", "Waste code", func(h *row) string { return h.Spoil.WasteCode }),
			text("description", "Description", func(h *row) string { return h.Spoil.Description }),
			number(reports.MassColumn("solids_kg", "Solids"), func(h *row) int64 { return h.Amount.SolidsG }).summed(r.Totals.Held.SolidsG),
			number(reports.MassColumn("water_kg", "Water"), func(h *row) int64 { return h.Amount.WaterG }).summed(r.Totals.Held.WaterG),
			number(reports.MassColumn("mass_kg", "Mass"), func(h *row) int64 { return h.Amount.MassG() }).summed(r.Totals.Held.MassG()),
			number(reports.VolumeColumn("volume_m3", "Volume"), func(h *row) int64 { return h.Amount.VolumeML }).summed(r.Totals.Held.VolumeML),
		})
}

func (t *JobTotal) job() string {
	switch {
	case t.Other:
		return "other jobs"
	case t.Job == "":
		return "nobody's"
	}
	return string(t.Job)
}

// listed returns the sums over the tips listed, against which the totals by job and
// by facility, taken from movements and shares, are held.
func (r *Report) listed() Amount {
	sum := Amount{}
	for i := range r.Consignments {
		sum = sum.Plus(r.Consignments[i].Amount)
	}
	return sum
}

func (r *Report) jobTable() reports.Table {
	type row = JobTotal
	tipped := r.listed()
	return table(sheet{name: "By job", title: "Loaded, decanted and tipped by job", empty: "No job loaded or tipped anything in this period.",
		note: "Loaded and decanted in the period, and the part of the consignments listed; of other jobs only the latter."},
		r.Jobs, nil, []column[row]{
			text("job", "Job", (*row).job),
			text("name", "Name", func(t *row) string { return t.Name }),
			text("client", "Client", func(t *row) string { return t.Client }),
			number(reports.CountColumn("loads", "Loads"), func(t *row) int64 { return t.Loads }),
			number(reports.MassColumn("loaded_kg", "Loaded"), func(t *row) int64 { return t.Loaded.MassG() }),
			number(reports.MassColumn("decanted_kg", "Decanted"), func(t *row) int64 { return t.Decanted.MassG() }),
			number(reports.CountColumn("consignments", "Consignments"), func(t *row) int64 { return t.Consignments }),
			number(reports.MassColumn("solids_kg", "Tipped solids"), func(t *row) int64 { return t.Tipped.SolidsG }).summed(tipped.SolidsG),
			number(reports.MassColumn("water_kg", "Tipped water"), func(t *row) int64 { return t.Tipped.WaterG }).summed(tipped.WaterG),
			number(reports.MassColumn("mass_kg", "Tipped mass"), func(t *row) int64 { return t.Tipped.MassG() }).summed(tipped.MassG()),
			number(reports.VolumeColumn("volume_m3", "Tipped volume"), func(t *row) int64 { return t.Tipped.VolumeML }).summed(tipped.VolumeML),
			number(reports.MassColumn("docket_kg", "Part of docket net"), func(t *row) int64 { return t.DocketG }).summed(r.Totals.SharedG),
		})
}

func (x *Receipt) code() string {
	switch {
	case x.Other:
		return "other jobs"
	case x.Code == "":
		return "no code"
	}
	return x.Code
}

func (r *Report) receiptTable() reports.Table {
	type row = Receipt
	return table(sheet{name: "By facility and code", title: "Received by facility and waste code", empty: "No facility received anything in this period.",
		note: "What each facility received of each code, by the account and by its dockets. A consignment of several codes counts under each."},
		r.Receipts, nil, []column[row]{
			text("facility", "Facility", func(x *row) string { return string(x.Facility) }),
			text("name", "Name", func(x *row) string { return x.Name }),
			text("code", "Waste code", (*row).code),
			yesNo("hazardous", "Hazardous", func(x *row) bool { return x.Hazardous }),
			number(reports.CountColumn("consignments", "Consignments"), func(x *row) int64 { return x.Consignments }),
			number(reports.MassColumn("solids_kg", "Solids"), func(x *row) int64 { return x.Amount.SolidsG }).summed(r.Totals.Tipped.SolidsG),
			number(reports.MassColumn("water_kg", "Water"), func(x *row) int64 { return x.Amount.WaterG }).summed(r.Totals.Tipped.WaterG),
			number(reports.MassColumn("mass_kg", "Mass"), func(x *row) int64 { return x.Amount.MassG() }).summed(r.Totals.Tipped.MassG()),
			number(reports.VolumeColumn("volume_m3", "Volume"), func(x *row) int64 { return x.Amount.VolumeML }).summed(r.Totals.Tipped.VolumeML),
			number(reports.MassColumn("docket_kg", "Docket net"), func(x *row) int64 { return x.DocketG }).summed(r.Totals.SharedG),
		})
}

// slot is a day or a week with what was tipped in it at each facility.
type slot struct {
	from  string
	massG []int64
}

// maxDays is the longest period that is shown by day; longer ones go by week.
const maxDays = 31

// maxFacilities is how many facilities have a column of their own.
const maxFacilities = 8

// tippedByTime returns what was tipped of the jobs asked for by day or week and
// facility, and the picture of it.
func (r *Report) tippedByTime() (reports.Table, reports.Picture) {
	days := r.Request.Period.EachDay()
	name, title, of := "Tipped by day", "Day", func(day string) string { return day }
	if len(days) > maxDays {
		name, title, of = "Tipped by week", "Week from", weekOf
	}
	names, columnOf := r.facilityColumns()
	slots, index := []slot{}, map[string]int{}
	for _, day := range days {
		if _, ok := index[of(day)]; !ok {
			index[of(day)] = len(slots)
			slots = append(slots, slot{of(day), make([]int64, len(names))})
		}
	}
	totals := make([]int64, len(names))
	for i := range r.Receipts {
		if x := &r.Receipts[i]; !x.Other {
			totals[columnOf[x.Facility]] += x.Amount.MassG()
		}
	}
	for i := range r.Consignments {
		c := &r.Consignments[i]
		if k, ok := columnOf[c.Facility]; ok {
			slots[index[of(c.Day)]].massG[k] += c.Asked.MassG()
		}
	}
	picture := reports.Picture{Title: strings.Replace(name, "Tipped", "Tonnes tipped", 1) + " and facility", Alt: "Stacked columns: the tonnes tipped at each facility, by the tank account.", Kind: reports.StackedColumns,
		Table: name, Category: "from", Rows: len(slots)}
	columns := []column[slot]{dateColumn("from", title, func(s *slot) string { return s.from })}
	for i := range names {
		c := reports.Column{Key: fmt.Sprintf("facility_%d_t", i+1), Title: names[i], Unit: "t", Kind: reports.Number, Scale: 6, Decimals: 2}
		picture.Series = append(picture.Series, c.Key)
		columns = append(columns, number(c, func(s *slot) int64 { return s.massG[i] }).summed(totals[i]))
	}
	return table(sheet{name: name, title: name + " and facility", note: "Mass by the account, of the jobs asked for."}, slots, nil, columns), picture
}

// facilityColumns returns the titles of the facilities' columns and which of them
// each facility's mass goes to; those beyond the limit share the last.
func (r *Report) facilityColumns() ([]string, map[events.FacilityID]int) {
	names, at := []string{}, map[events.FacilityID]int{}
	for i := range r.Receipts {
		x := &r.Receipts[i]
		if _, ok := at[x.Facility]; ok {
			continue
		}
		switch {
		case len(names) < maxFacilities && x.Name != "":
			names = append(names, x.Name)
		case len(names) < maxFacilities:
			names = append(names, string(x.Facility))
		case len(names) == maxFacilities:
			names = append(names, "other facilities")
		}
		at[x.Facility] = len(names) - 1
	}
	return names, at
}

// weekOf returns the Monday of a date's week.
func weekOf(day string) string {
	t, err := time.Parse(time.DateOnly, day)
	if err != nil {
		return day
	}
	return t.AddDate(0, 0, -(int(t.Weekday())+6)%7).Format(time.DateOnly)
}

// phaseRow is a truck's balance of solids or of water.
type phaseRow struct {
	truck, phase string
	of           func(Amount) int64
	balance      *Balance
}

func (r *Report) balanceTable() reports.Table {
	type row = phaseRow
	rows := []row{}
	sum := Balance{}
	for i := range r.Balances {
		x := &r.Balances[i]
		rows = append(rows, row{string(x.Truck), "solids", func(a Amount) int64 { return a.SolidsG }, x},
			row{string(x.Truck), "water", func(a Amount) int64 { return a.WaterG }, x})
		sum.Opening, sum.In, sum.Decanted = sum.Opening.Plus(x.Opening), sum.In.Plus(x.In), sum.Decanted.Plus(x.Decanted)
		sum.Tipped, sum.Unaccounted, sum.Closing = sum.Tipped.Plus(x.Tipped), sum.Unaccounted.Plus(x.Unaccounted), sum.Closing.Plus(x.Closing)
		sum.Returned = sum.Returned.Plus(x.Returned)
	}
	mass := func(key, title string, of func(*Balance) Amount) column[row] {
		return number(reports.MassColumn(key, title), func(x *row) int64 { return x.of(of(x.balance)) }).summed(of(&sum).MassG())
	}
	return table(sheet{name: "Mass balance", title: "Mass balance of the debris tanks", empty: "No tank held or moved anything in this period.",
		note: "Opening + loads in − decanted − tipped + returned + unaccounted = closing, in whole grams; whole tanks, all jobs. Check is the difference, which is zero."},
		rows, nil, []column[row]{
			text("truck", "Truck", func(x *row) string { return x.truck }),
			text("phase", "Phase", func(x *row) string { return x.phase }),
			mass("opening_kg", "Opening", func(b *Balance) Amount { return b.Opening }),
			mass("in_kg", "Loads in", func(b *Balance) Amount { return b.In }),
			mass("decanted_kg", "Decanted", func(b *Balance) Amount { return b.Decanted }),
			mass("tipped_kg", "Tipped", func(b *Balance) Amount { return b.Tipped }),
			mass("returned_kg", "Returned", func(b *Balance) Amount { return b.Returned }),
			mass("unaccounted_kg", "Unaccounted", func(b *Balance) Amount { return b.Unaccounted }),
			mass("closing_kg", "Closing", func(b *Balance) Amount { return b.Closing }),
			mass("check_kg", "Check", func(b *Balance) Amount { return b.Difference() }),
		})
}

// missingRow is a missing item under its consignment.
type missingRow struct {
	of      *Consignment
	missing Missing
}

func (r *Report) missingTable() reports.Table {
	type row = missingRow
	rows := []row{}
	for i := range r.Consignments {
		for _, m := range r.Consignments[i].Missing {
			rows = append(rows, row{&r.Consignments[i], m})
		}
	}
	return table(sheet{name: "Missing items", title: "What the record lacks", empty: "The record has everything that is asked for, for every consignment.",
		note: "What the record of a consignment is asked to hold and lacks, and where to fill it in."},
		rows, func(x *row) []uint64 { return slices.Clone(x.of.Cites) }, []column[row]{
			text("consignment", "Consignment", func(x *row) string { return x.of.Number }),
			text("item", "Item", func(x *row) string { return x.missing.Item }),
			text("lacks", "Lacks", func(x *row) string { return x.missing.What }),
			text("fill_in", "Fill it in", func(x *row) string { return x.missing.Fill }),
		})
}

// recordRow is what the record says for one item of the profile.
type recordRow struct {
	of     *Consignment
	answer Answer
}

func (r *Report) recordTable() reports.Table {
	type row = recordRow
	rows := []row{}
	for i := range r.Consignments {
		for _, a := range Answers(r.options, &r.Consignments[i]) {
			rows = append(rows, row{&r.Consignments[i], a})
		}
	}
	return table(sheet{name: "Profile record", title: r.Profile.Title(), empty: "There is no consignment to record.", backing: true,
		note: "What the record says for each item asked for. A complete record is not a statement of legal compliance."},
		rows, nil, []column[row]{
			text("consignment", "Consignment", func(x *row) string { return x.of.Number }),
			text("item", "Item", func(x *row) string { return x.answer.Item.Name }),
			text("value", "Record", func(x *row) string { return x.answer.Value }),
			text("lacks", "Lacks", func(x *row) string { return x.answer.Missing }),
			text("asks", "Asks for", func(x *row) string { return x.answer.Item.Asks }).aside(),
			text("source", "Filled from", func(x *row) string { return x.answer.Item.Source }).aside(),
		})
}
