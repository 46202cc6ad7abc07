package naive_test

import (
	"fmt"
	"maps"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/naive"
	"spoilbook/reports/timesplit"
)

// joined returns a production shift with neighbouring slices of the same activity
// and part joined, as the naive cut has them.
func joined(s timesplit.Shift) naive.Shift {
	out := naive.Shift{From: s.From.UnixMS, To: s.To.UnixMS, Open: s.Open}
	for _, slice := range s.Slices {
		next := naive.Stretch{Spent: naive.Spent{Activity: slice.Activity, Part: string(slice.Part), Job: slice.Job}, From: slice.From.UnixMS, To: slice.To.UnixMS}
		if n := len(out.Stretches); n > 0 && out.Stretches[n-1].Spent == next.Spent && out.Stretches[n-1].To == next.From {
			out.Stretches[n-1].To = next.To
			continue
		}
		out.Stretches = append(out.Stretches, next)
	}
	return out
}

func (d day) clock(ms int64) string {
	return time.UnixMilli(ms).In(d.start.zone).Format("02 15:04:05.000")
}

// tale is the day as a person would read it.
func (d day) tale() string {
	var b strings.Builder
	for _, e := range d.truth.Ordered() {
		interval := ""
		if from, to := naive.Span(e); from != to || from != e.Occurred.UnixMS {
			interval = " " + d.clock(from) + " to " + d.clock(to)
		}
		fmt.Fprintf(&b, "%s %s %s %s%s\n", d.clock(e.Occurred.UnixMS), e.ID, e.Kind(), e.Job, interval)
	}
	return b.String()
}

func (d day) lines(s naive.Shift) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s to %s open %v\n", d.clock(s.From), d.clock(s.To), s.Open)
	for _, p := range s.Stretches {
		fmt.Fprintf(&b, "  %s to %s %s %s %s\n", d.clock(p.From), d.clock(p.To), p.Activity, p.Part, p.Job)
	}
	return b.String()
}

func TestTimeSplit(t *testing.T) {
	eachDay(t, func(t *rapid.T, d day) {
		got := d.truth.Shifts()
		shifts, _ := timesplit.Partition(d.journal(), truck)
		if len(shifts) != len(got) {
			t.Fatalf("%s\n%d shifts in production, %d naive", d.tale(), len(shifts), len(got))
		}
		for i, s := range shifts {
			if p, n := d.lines(joined(s)), d.lines(got[i]); p != n {
				t.Fatalf("%s\nshift %d production %s\nnaive %s", d.tale(), i, p, n)
			}
		}
	})
}

// The report of any period holds, of each activity, what the naive cut has inside
// the period.
func TestTimeTotals(t *testing.T) {
	eachDay(t, func(t *rapid.T, d day) {
		first := time.UnixMilli(d.start.unixMS).In(d.start.zone)
		ahead := rapid.IntRange(0, 2).Draw(t, "first day")
		days := rapid.IntRange(0, 2).Draw(t, "more days")
		p, err := reports.Days(first.AddDate(0, 0, ahead).Format(time.DateOnly), first.AddDate(0, 0, ahead+days).Format(time.DateOnly), d.start.zone)
		if err != nil {
			t.Fatal(err)
		}
		want := map[events.Activity]int64{}
		for _, s := range d.truth.Shifts() {
			for _, part := range s.Stretches {
				if from, to := max(part.From, p.From.UnixMS), min(part.To, p.To.UnixMS); from < to {
					want[part.Activity] += to - from
				}
			}
		}
		r := timesplit.Compute(d.journal(), reports.Request{Period: p, Filter: reports.Filter{Truck: truck}}, timesplit.Options{})
		got := map[events.Activity]int64{}
		for i := range r.Shifts {
			for activity, ms := range timesplit.Hours(r.Shifts[i].Slices) {
				if ms != 0 {
					got[activity] += ms
				}
			}
		}
		if !maps.Equal(got, want) {
			t.Fatalf("%s\nfrom %s to %s production has %v ms; want %v", d.tale(), p.From, p.To, got, want)
		}
	})
}

// localMinute says where a moment lies in local time: its day, its offset from UTC
// and which of the edges its clock has passed.
type localMinute struct {
	day           string
	offset, edges int
}

func localMinuteOf(ms int64, zone *time.Location, edges []int) localMinute {
	local := time.UnixMilli(ms).In(zone)
	m := localMinute{day: local.Format(time.DateOnly)}
	_, m.offset = local.Zone()
	for _, edge := range edges {
		if local.Hour()*60+local.Minute() >= edge {
			m.edges++
		}
	}
	return m
}

// Local parts are what asking the clock every minute gives, also on the nights
// when the clocks change.
func TestLocalMinutes(t *testing.T) {
	for i, begin := range starts(t) {
		t.Run(fmt.Sprint(i, " ", begin.zone), func(t *testing.T) {
			rapid.Check(t, func(t *rapid.T) {
				from := begin.unixMS + evenly(t, "from", 0, 24*hour)
				to := from + evenly(t, "length", 0, 16*hour)
				edges := rapid.SliceOfNDistinct(rapid.IntRange(0, 24*60-1), 0, 4, rapid.ID).Draw(t, "edges")
				want, got := map[localMinute]int64{}, map[localMinute]int64{}
				for at := from; at < to; {
					next := min(to, at-at%minute+minute)
					want[localMinuteOf(at, begin.zone, edges)] += next - at
					at = next
				}
				end := from
				for _, p := range timesplit.LocalParts(events.Time{UnixMS: from}, events.Time{UnixMS: to}, begin.zone, edges) {
					if p.From.UnixMS != end || localMinuteOf(p.From.UnixMS, begin.zone, edges) != localMinuteOf(p.To.UnixMS-1, begin.zone, edges) {
						t.Fatalf("from %s: part %+v does not follow on, or crosses a midnight, an edge or a change of clocks", begin.zone, p)
					}
					got[localMinuteOf(p.From.UnixMS, begin.zone, edges)] += p.LengthMS()
					end = p.To.UnixMS
				}
				if !maps.Equal(got, want) {
					t.Fatalf("%d to %d with edges %v: parts %v; want %v", from, to, edges, got, want)
				}
			})
		})
	}
}
