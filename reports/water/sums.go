package water

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// sourceSum is one source's days of the period together.
type sourceSum struct {
	SourceDay       // of the latest day: its name, kind, permit and cap
	days      int64 // with a draw
	over      int64
	largestML int64 // drawn by all on one day
}

// sourceSums adds up the days of each source, in the order of their codes.
func (r *Report) sourceSums() []sourceSum {
	list, at := []sourceSum{}, map[events.WaterSourceID]int{}
	for i := range r.Sources {
		d := &r.Sources[i]
		if _, seen := at[d.Source]; !seen {
			at[d.Source] = len(list)
			list = append(list, sourceSum{})
		}
		s := &list[at[d.Source]]
		listed := s.ListML + d.ListML
		s.SourceDay, s.ListML = *d, listed
		s.largestML = max(s.largestML, d.DrawnML)
		if d.DrawnML > 0 {
			s.days++
		}
		if d.Over() {
			s.over++
		}
	}
	slices.SortStableFunc(list, func(a, b sourceSum) int { return cmp.Compare(a.Source, b.Source) })
	return list
}

// uncounted is a column of counts that do not add up.
func uncounted(key, title string) reports.Column {
	c := reports.CountColumn(key, title)
	c.Total = false
	return c
}

func (r *Report) sourceSumTable() reports.Table {
	columns := []reports.Column{
		reports.TextColumn("source", "Source"), reports.TextColumn("source_name", "Name"), reports.TextColumn("source_use", "Kind"),
		reports.TextColumn("permit", "Permit"), uncounted("days", "Days with a draw"), reports.LitreColumn("listed_l", "Drawn"),
		untotalled("largest_l", "Most in a day, by all"), untotalled("cap_l", "Daily cap"), reports.CountColumn("over", "Days over the cap"),
	}
	sums, over := r.sourceSums(), int64(0)
	for i := range sums {
		over += sums[i].over
	}
	return reports.Table{Name: "Sources", Title: "Water sources", Note: "The most in a day is what all trucks on record drew; Sources by day has each day.",
		Empty: "No source has a cap or a permit, and no water was drawn in this period.", Columns: columns, Totals: totals(columns, r.Totals.DrawnML(), over),
		Rows: rows(sums, func(s *sourceSum) reports.Row {
			return reports.Row{Cells: []reports.Cell{reports.T(string(s.Source)), reports.T(s.Name), reports.T(sourceUse(s.Use)), reports.T(s.Permit),
				reports.N(s.days), reports.N(s.ListML), reports.N(s.largestML), limit(s.CapML), reports.N(s.over)}}
		})}
}

// outfallSum is one outfall's days of the period together.
type outfallSum struct {
	OutfallDay // of the latest day: its name and limit
	decants    int64
	judged     int64 // decants that were not within the consent, or had none
	overDays   int64
	overWeeks  int64
	largestML  int64
}

// outfallSums adds up the decants, days and weeks of each outfall, in the order of
// their codes.
func (r *Report) outfallSums() []outfallSum {
	list, at := []outfallSum{}, map[events.OutfallID]int{}
	for i := range r.Outfalls {
		d := &r.Outfalls[i]
		if _, seen := at[d.Outfall]; !seen {
			at[d.Outfall] = len(list)
			list = append(list, outfallSum{})
		}
		s := &list[at[d.Outfall]]
		listed := s.ListML + d.ListML
		s.OutfallDay, s.ListML = *d, listed
		s.largestML = max(s.largestML, d.DecantedML)
		if d.Over() {
			s.overDays++
		}
	}
	for i := range r.Decants {
		if k, ok := at[r.Decants[i].Outfall]; ok {
			list[k].decants++
			if !r.Decants[i].Permitted() {
				list[k].judged++
			}
		}
	}
	for i := range r.Weeks {
		if k, ok := at[r.Weeks[i].Outfall]; ok && r.Weeks[i].Over() {
			list[k].overWeeks++
		}
	}
	slices.SortStableFunc(list, func(a, b outfallSum) int { return cmp.Compare(a.Outfall, b.Outfall) })
	return list
}

func (r *Report) outfallSumTable() reports.Table {
	columns := []reports.Column{
		reports.TextColumn("outfall", "Outfall"), reports.TextColumn("outfall_name", "Name"), reports.CountColumn("decants", "Decants"),
		reports.LitreColumn("listed_l", "Decanted"), untotalled("largest_l", "Most in a day, by all"), untotalled("limit_l", "Daily limit"),
		reports.CountColumn("not_within", "Decants not within a consent"), reports.CountColumn("over_days", "Days over the limit"),
		reports.CountColumn("over_weeks", "Weeks over the turbidity limit"),
	}
	sums, t := r.outfallSums(), outfallSum{}
	for i := range sums {
		t.judged, t.overDays, t.overWeeks = t.judged+sums[i].judged, t.overDays+sums[i].overDays, t.overWeeks+sums[i].overWeeks
	}
	return reports.Table{Name: "Outfalls", Title: "Outfalls and their consents", Note: "Decants has each decant against its consent. A line without an outfall is of decants that name none.",
		Empty: "No water was decanted in this period.", Columns: columns,
		Totals: totals(columns, int64(len(r.Decants)), r.Totals.DecantedML, t.judged, t.overDays, t.overWeeks),
		Rows: rows(sums, func(s *outfallSum) reports.Row {
			return reports.Row{Cells: []reports.Cell{reports.T(string(s.Outfall)), reports.T(s.Name), reports.N(s.decants), reports.N(s.ListML),
				reports.N(s.largestML), limit(s.LimitML), reports.N(s.judged), reports.N(s.overDays), reports.N(s.overWeeks)}}
		})}
}
