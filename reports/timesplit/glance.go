package timesplit

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// glance says what people ask of a time split first. Its figures are the totals of
// the tables.
func (r *Report) glance() []reports.Field {
	sum, total, trucks := map[events.Activity]int64{}, int64(0), map[events.TruckID]bool{}
	for k := range r.Shifts {
		trucks[r.Shifts[k].Truck] = true
		for activity, ms := range Hours(r.Shifts[k].Slices) {
			sum[activity] += ms
			total += ms
		}
	}
	fields := []reports.Field{{Label: "Shifts", Text: fmt.Sprintf("%s of %s, %s", reports.Counted(len(r.Shifts), "shift"),
		reports.Counted(len(trucks), "truck"), reports.Hours(total))}}
	if total > 0 {
		fields = append(fields, reports.Field{Label: "Spent on", Text: spent(sum)})
	}
	fields = append(fields, r.waysOfEmptying()...)
	if len(r.Replays) > 0 {
		fields = append(fields, reports.Field{Label: "Decanting", Text: r.saved()})
	}
	return append(fields, reports.Field{Label: "Not explained", Text: reports.Hours(sum[events.Unexplained])})
}

// spent lists the activities by their hours, the longest first.
func spent(sum map[events.Activity]int64) string {
	list := slices.DeleteFunc(slices.Clone(events.Activities()), func(a events.Activity) bool { return sum[a] == 0 || a == events.Unexplained })
	slices.SortStableFunc(list, func(a, b events.Activity) int { return cmp.Compare(sum[b], sum[a]) })
	parts := make([]string, len(list))
	for i, a := range list {
		parts[i] = strings.ReplaceAll(string(a), "-", " ") + " " + reports.Clock(sum[a])
	}
	return strings.Join(parts, ", ")
}

// waysOfEmptying sums the efforts of all trucks by way.
func (r *Report) waysOfEmptying() []reports.Field {
	fields := []reports.Field{}
	for _, way := range []string{decants, fullDumps} {
		all := Effort{}
		for i := range r.Efforts {
			if e := &r.Efforts[i]; e.What == way {
				all.Count, all.TotalMS, all.ClearedML = all.Count+e.Count, all.TotalMS+e.TotalMS, all.ClearedML+e.ClearedML
			}
		}
		if all.Count > 0 {
			mean := reports.MulDiv(all.TotalMS, 1, int64(all.Count))
			fields = append(fields, reports.Tell("%d in %s, %d min each on average, clearing %s (%s an hour)", all.Count,
				reports.Hours(all.TotalMS), reports.MulDiv(mean, 1, 60_000), reports.OfSpoil(all.ClearedML), reports.OfSpoil(all.ClearedMLPerHour())).Labelled(title(way)))
		}
	}
	return fields
}

// saved says what decanting saved, with what it rests on.
func (r *Report) saved() string {
	trips, with, plain, recorded, ms, decantMS := 0, 0, 0, 0, int64(0), int64(0)
	for i := range r.Replays {
		p := &r.Replays[i]
		trips, with, plain, recorded = trips+p.SavedTrips(), with+p.DecantTrips, plain+p.PlainTrips, recorded+p.RecordedTrips
		ms, decantMS = ms+p.SavedMS(), decantMS+p.DecantMS
	}
	verb := "saved"
	if ms < 0 {
		verb, ms = "cost", -ms
	}
	return fmt.Sprintf("%s %s. One rule for both, the same loads need %s without decanting and %d with it, %d fewer; %s went on decanting. On record are %d.",
		verb, reports.Hours(ms), reports.Counted(plain, "trip"), with, trips, reports.Hours(decantMS), recorded)
}
