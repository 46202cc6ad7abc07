package workrest

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
)

// byTheMinute measures by walking a diary that says for each minute what was done: a
// second way to reckon, with counters that a long enough rest sets back.
func byTheMinute(diary []Kind, set RuleSet, l Limit) []int64 {
	out := []int64{}
	began, free, driven, total, last, half := -1, int64(0), int64(0), int64(0), -1, false
	stop := func() {
		if began >= 0 {
			out = append(out, map[Measure]int64{WorkTime: total, DrivingTime: driven, Span: int64(max(0, last+1-began))}[l.Of])
		}
		began, driven, total, last, half = -1, 0, 0, -1, false
	}
	for m, k := range diary {
		if k == Rest {
			free++
			continue
		}
		enough := free*minuteMS >= l.RestMS || l.SecondPartMS > 0 && half && free*minuteMS >= l.SecondPartMS
		switch {
		case enough:
			stop()
		case began >= 0 && l.FirstPartMS > 0 && free*minuteMS >= l.FirstPartMS: // free time before duty is no break
			half = true
		}
		if began >= 0 && free*minuteMS < set.ShortestMS {
			total += free
		}
		free = 0
		if began < 0 {
			began = m
		}
		total++
		if k == Driving {
			driven++
			last = m
		}
	}
	stop()
	return out
}

func TestAgreesWithADiaryByTheMinute(t *testing.T) {
	zone := dublin(t)
	rapid.Check(t, func(t *rapid.T) {
		diary := make([]Kind, 4000)
		p := Person{ID: "OP-1"}
		for i, n := 0, rapid.IntRange(1, 25).Draw(t, "duties"); i < n; i++ {
			from := rapid.IntRange(0, len(diary)-2).Draw(t, "from")
			length := rapid.SampledFrom([]int{1, 14, 15, 16, 29, 30, 31, 45, 60, 270, 330, 600}).Draw(t, "length")
			to := min(len(diary), from+length)
			d := Duty{Kind: Kind(rapid.IntRange(0, 2).Draw(t, "kind")), From: clock(t, "00:00"), To: clock(t, "00:00")}
			d.From.UnixMS += int64(from) * minuteMS
			d.To.UnixMS += int64(to) * minuteMS
			p.Duties = append(p.Duties, d)
			for m := from; m < to; m++ {
				diary[m] = max(diary[m], d.Kind)
			}
		}
		for _, set := range RuleSets() {
			for _, l := range set.Limits {
				if l.Weeks > 0 {
					continue
				}
				got := []int64{}
				for _, s := range set.Stretches(p, zone) {
					if s.Limit.Name == l.Name {
						got = append(got, s.MS/minuteMS)
					}
				}
				if want := byTheMinute(diary, set, l); !slices.Equal(got, want) {
					t.Fatalf("%s %s: %v, by the minute %v", set.Name, l.Name, got, want)
				}
			}
		}
	})
}

// The order in which duties are given changes nothing but which of two equals is cited.
func TestOrderChangesNothing(t *testing.T) {
	zone := dublin(t)
	rapid.Check(t, func(t *rapid.T) {
		list := []Duty{}
		for i, n := 0, rapid.IntRange(1, 12).Draw(t, "duties"); i < n; i++ {
			from := clock(t, "00:00")
			from.UnixMS += int64(rapid.IntRange(0, 20_000).Draw(t, "from")) * minuteMS
			to := events.Time{UnixMS: from.UnixMS + int64(rapid.IntRange(0, 900).Draw(t, "length"))*minuteMS, OffsetMinutes: from.OffsetMinutes}
			list = append(list, Duty{Kind: Kind(rapid.IntRange(0, 2).Draw(t, "kind")), From: from, To: to})
		}
		shuffled := rapid.Permutation(list).Draw(t, "shuffled")
		for _, set := range RuleSets() {
			a, b := set.Stretches(Person{Duties: list}, zone), set.Stretches(Person{Duties: shuffled}, zone)
			if !slices.EqualFunc(a, b, func(x, y Stretch) bool {
				return x.MS == y.MS && x.From == y.From && x.To == y.To && x.Limit == y.Limit
			}) {
				t.Fatalf("%v and %v", a, b)
			}
		}
	})
}
