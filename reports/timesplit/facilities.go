package timesplit

import (
	"cmp"
	"iter"
	"maps"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

func mapKeys[K comparable, V any](m map[K]V) iter.Seq[K] { return maps.Keys(m) }

// PartTimes is how long one part of the full dumps at one facility took; the part is
// empty for the whole dump.
type PartTimes struct {
	Facility  events.FacilityID
	Part      Part
	Count     int // full dumps in which the part took time
	TotalMS   int64
	MedianMS  int64 // nearest rank, of those
	P90MS     int64
	Positions []uint64
}

// Facilities returns the times of full dumps by facility: for each first the whole
// dump, then the parts that took any time.
func (r *Report) Facilities() []PartTimes {
	type dump struct{ shift, dump int }
	type heading struct {
		facility events.FacilityID
		part     Part
	}
	lengths := map[heading]map[dump]int64{}
	cites := map[heading][]uint64{}
	for k := range r.Shifts {
		s := &r.Shifts[k]
		for i := range s.Slices {
			c := &s.Slices[i]
			if c.Activity != events.FullDump {
				continue
			}
			for _, part := range []Part{"", c.Part} {
				h := heading{s.Dumps[c.Dump].Facility, part}
				if lengths[h] == nil {
					lengths[h] = map[dump]int64{}
				}
				lengths[h][dump{k, c.Dump}] += c.LengthMS()
				cites[h] = append(cites[h], c.Positions...)
			}
		}
	}
	order := slices.SortedFunc(mapKeys(lengths), func(a, b heading) int {
		return cmp.Or(cmp.Compare(a.facility, b.facility), cmp.Compare(slices.Index(Parts(), a.part), slices.Index(Parts(), b.part)))
	})
	out := []PartTimes{}
	for _, h := range order {
		list := slices.Collect(maps.Values(lengths[h]))
		t := PartTimes{Facility: h.facility, Part: h.part, Count: len(list), MedianMS: nearestRank(list, 50), P90MS: nearestRank(list, 90),
			Positions: reports.Union(cites[h])}
		for _, ms := range list {
			t.TotalMS += ms
		}
		out = append(out, t)
	}
	return out
}

// facilityTables show full dumps by facility, whole and part by part.
func (r *Report) facilityTables() []reports.Table {
	single := func(c reports.Column) reports.Column { c.Total = false; return c }
	times := func(noun string) []reports.Column {
		return []reports.Column{reports.CountColumn("count", noun), reports.DurationColumn("total_h", "Total"),
			single(reports.DurationColumn("median_h", "Median")), single(reports.DurationColumn("p90_h", "90th percentile"))}
	}
	whole := append([]reports.Column{reports.TextColumn("facility", "Facility")}, times("Full dumps")...)
	parts := append([]reports.Column{reports.TextColumn("facility", "Facility"), reports.TextColumn("part", "Part")}, times("Dumps with it")...)
	parts[2].Total = false // a dump has several parts
	wholes, pieces := []reports.Row{}, []reports.Row{}
	for _, t := range r.Facilities() {
		cells := []reports.Cell{reports.N(int64(t.Count)), reports.N(t.TotalMS), reports.N(t.MedianMS), reports.N(t.P90MS)}
		name := cmp.Or(string(t.Facility), "(not named)")
		if t.Part == "" {
			wholes = append(wholes, reports.Row{Cites: t.Positions, Cells: append([]reports.Cell{reports.T(name)}, cells...)})
			continue
		}
		pieces = append(pieces, reports.Row{Cites: t.Positions,
			Cells: append([]reports.Cell{reports.T(name), reports.T(string(t.Part))}, cells...)})
	}
	const none = "No tank was dumped in this period."
	return []reports.Table{
		{Name: "Facilities", Title: "Full dumps at each facility", Empty: none, Note: "From leaving the site until the next site or the end of the shift. " +
			"Rest, standby and stops on the way are not part of the dump. Median and percentile are nearest rank.",
			Columns: whole, Rows: reports.RowsOf(wholes), Totals: reports.AddUp(whole, wholes), Cited: true},
		{Name: "Facility parts", Title: "The parts of full dumps at each facility", Empty: none,
			Note:    "Count, median and percentile are of the full dumps in which the part took time; where an arrival or a leaving is missing the part has none.",
			Columns: parts, Rows: reports.RowsOf(pieces), Totals: reports.AddUp(parts, pieces), Cited: true},
	}
}
