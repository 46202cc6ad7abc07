package timesplit

import (
	"encoding/csv"
	"fmt"
	"os"
	"reflect"
	"slices"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
)

// drawLedger draws events of a truck over two days around the end of summer time
// in Dublin, in any order and any state of completeness.
func drawLedger(r *rapid.T) *ledger {
	l := &ledger{}
	from := events.MustTime("2026-10-24T20:00:00.000+01:00")
	at := func(minute int) events.Time {
		return events.TimeOf(time.UnixMilli(from.UnixMS + int64(minute)*60_000 + int64(minute%7)).UTC())
	}
	jobs := []events.JobID{"", "J-1", "J-2"}
	bodies := []func(a, b events.Time) events.Body{
		func(a, b events.Time) events.Body { return events.ShiftStarted{} },
		func(a, b events.Time) events.Body { return events.ShiftStarted{} },
		func(a, b events.Time) events.Body { return events.ShiftEnded{} },
		func(a, b events.Time) events.Body { return events.SiteArrived{} },
		func(a, b events.Time) events.Body { return events.SiteArrived{} },
		func(a, b events.Time) events.Body { return events.SiteLeft{} },
		func(a, b events.Time) events.Body { return events.FacilityArrived{Facility: "F-1"} },
		func(a, b events.Time) events.Body { return events.FacilityLeft{Facility: "F-1"} },
		func(a, b events.Time) events.Body { return events.StandbyStarted{Cause: events.Weather} },
		func(a, b events.Time) events.Body { return events.StandbyEnded{} },
		func(a, b events.Time) events.Body { return events.RestStarted{} },
		func(a, b events.Time) events.Body { return events.RestEnded{} },
		func(a, b events.Time) events.Body { return events.EmergencyStopPressed{Station: events.StationCab} },
		func(a, b events.Time) events.Body { return events.EmergencyStopReset{} },
		func(a, b events.Time) events.Body { return events.PlantRestarted{} },
		func(a, b events.Time) events.Body {
			return events.LoadCollected{Start: a, End: b, Material: "M-1", SlurryVolume: &events.Volume{VolumeML: 900_000}}
		},
		func(a, b events.Time) events.Body {
			return events.WaterDecanted{Start: a, End: b, Volume: events.Volume{VolumeML: 100_000}}
		},
		func(a, b events.Time) events.Body {
			return events.SpoilTipped{Start: a, End: b, Facility: "F-1", Whole: true}
		},
		func(a, b events.Time) events.Body {
			return events.WaterRefilled{Start: a, End: b, WaterSource: "W-1", Volume: &events.Volume{VolumeML: 5}}
		},
	}
	for n := range rapid.IntRange(0, 60).Draw(r, "events") {
		minute := rapid.IntRange(0, 48*60).Draw(r, "minute")
		length := rapid.SampledFrom([]int{0, 1, 20, 45, 300}).Draw(r, "length")
		body := bodies[rapid.IntRange(0, len(bodies)-1).Draw(r, "kind")](at(minute), at(minute+length))
		job := jobs[rapid.IntRange(0, 2).Draw(r, "job")]
		when := at(minute)
		if (&reports.Entry{Event: events.Event{Body: body}}).Kind() == events.KindLoadCollected {
			when = at(minute + length)
		}
		if spec, _ := events.SpecOf(body.Kind()); spec.NeedsJob && job == "" {
			job = "J-1"
		}
		l.recs = append(l.recs, events.Recorded{Position: uint64(n + 1), At: when, Event: events.Event{
			ID: fmt.Sprintf("e%d", n), Source: "/truck/TM-01", Seq: uint64(n + 1), Occurred: when, Truck: "TM-01", Job: job,
			Origin: events.FromCrew, Body: body}})
	}
	return l
}

func TestSlicesFillEveryShift(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := drawLedger(r)
		d := divide(l.journal().Entries("TM-01"), "TM-01")
		starts := 0
		for i := range l.recs {
			if l.recs[i].Kind() == events.KindShiftStarted {
				starts++
			}
		}
		if len(d.shifts) != starts {
			r.Fatalf("%d shifts of %d starts", len(d.shifts), starts)
		}
		for i := range d.shifts {
			if err := filled(&d.shifts[i]); err != nil {
				r.Fatal(err)
			}
			if i > 0 && d.shifts[i].From.Before(d.shifts[i-1].To) {
				r.Fatalf("shift %d begins before the one before ends", i)
			}
		}
		accounted(r, l, d)
	})
}

// accounted checks that the time of every load is in the shifts or listed as
// outside: nothing is dropped.
func accounted(r *rapid.T, l *ledger, d *division) {
	for i := range l.recs {
		load, ok := l.recs[i].Body.(events.LoadCollected)
		if !ok {
			continue
		}
		inside := int64(0)
		for k := range d.shifts {
			a, b := later(load.Start, d.shifts[k].From), earlier(load.End, d.shifts[k].To)
			inside += max(0, b.UnixMS-a.UnixMS)
		}
		listed := slices.ContainsFunc(d.outside, func(o Outside) bool { return o.Positions[0] == l.recs[i].Position })
		if whole := load.End.UnixMS - load.Start.UnixMS; (inside < whole) && !listed {
			r.Fatalf("the load from %s has %d of %d ms in shifts and is not listed", load.Start, inside, whole)
		}
	}
}

// withoutPositions removes what depends on ledger positions.
func withoutPositions(shifts []Shift) []Shift {
	for k := range shifts {
		shifts[k].Positions = nil
		for i := range shifts[k].Slices {
			shifts[k].Slices[i].Positions = nil
		}
		for i := range shifts[k].Visits {
			shifts[k].Visits[i].Positions = nil
		}
		for i := range shifts[k].Dumps {
			shifts[k].Dumps[i].Tips = nil
		}
	}
	return shifts
}

func TestOrderOfArrivalChangesNothing(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		l := drawLedger(r)
		inOrder, found := Partition(l.journal(), "TM-01")
		shuffled := rapid.Permutation(l.recs).Draw(r, "arrival")
		for i := range shuffled {
			shuffled[i].Position = uint64(i + 1)
		}
		other, foundOther := Partition(reports.Resolve(shuffled, uint64(len(shuffled))), "TM-01")
		if !reflect.DeepEqual(withoutPositions(inOrder), withoutPositions(other)) {
			r.Fatalf("in order %+v\nas they came %+v", inOrder, other)
		}
		for i := range found {
			found[i].Cites = nil
		}
		for i := range foundOther {
			foundOther[i].Cites = nil
		}
		if !reflect.DeepEqual(found, foundOther) {
			r.Fatalf("in order %v\nas they came %v", found, foundOther)
		}
	})
}

// TestPeriodsAddUp cuts a period in two at any minute: the hours of both are
// those of the whole, and every table's totals are the sums of its rows.
func TestPeriodsAddUp(t *testing.T) {
	zone := mustZone(t, "Europe/Dublin")
	rapid.Check(t, func(r *rapid.T) {
		j := drawLedger(r).journal()
		from, to := events.MustTime("2026-10-24T00:00:00.000+01:00"), events.MustTime("2026-10-28T00:00:00.000+00:00")
		middle := events.Time{UnixMS: from.UnixMS + int64(rapid.IntRange(1, 95*60).Draw(r, "cut"))*60_000}
		length := func(a, b events.Time) map[events.Activity]int64 {
			rep := Compute(j, reports.Request{Period: reports.Period{From: a, To: b, Zone: zone}}, Options{})
			sum := map[events.Activity]int64{}
			for k := range rep.Shifts {
				for act, ms := range Hours(rep.Shifts[k].Slices) {
					sum[act] += ms
				}
			}
			totalsAgree(r, rep, sum)
			return sum
		}
		whole, first, second := length(from, to), length(from, middle), length(middle, to)
		for _, a := range events.Activities() {
			if whole[a] != first[a]+second[a] {
				r.Fatalf("%s: %d is not %d + %d", a, whole[a], first[a], second[a])
			}
		}
	})
}

func totalsAgree(r *rapid.T, rep *Report, sum map[events.Activity]int64) {
	want := int64(0)
	for _, ms := range sum {
		want += ms
	}
	for _, table := range rep.Document().Tables {
		for c, col := range table.Columns {
			got, n := int64(0), 0
			for row := range table.Rows {
				if len(row.Cells) != len(table.Columns) {
					r.Fatalf("%s: a row of %d cells under %d columns", table.Name, len(row.Cells), len(table.Columns))
				}
				got += row.Cells[c].Int
				n++
			}
			if col.Total && len(table.Totals) > 0 && table.Totals[c].Int != got {
				r.Fatalf("%s, %s: total %d, rows sum to %d", table.Name, col.Key, table.Totals[c].Int, got)
			}
			if col.Key == "length_h" && got != want {
				r.Fatalf("%s: lengths sum to %d, the shifts to %d (%d rows)", table.Name, got, want, n)
			}
		}
	}
}

// TestLocalDays checks every local day of 2026 in six zones against Python's
// zoneinfo (testdata/days.py), an implementation of the tz database independent
// of Go's.
func TestLocalDays(t *testing.T) {
	f, err := os.Open("testdata/days.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 8 {
		t.Fatalf("testdata/days.csv: %d rows, %v", len(rows), err)
	}
	odd := map[string]map[string]int64{"Asia/Kathmandu": {}}
	for _, row := range rows[1:] {
		if odd[row[0]] == nil {
			odd[row[0]] = map[string]int64{}
		}
		if odd[row[0]][row[1]], err = strconv.ParseInt(row[2], 10, 64); err != nil {
			t.Fatal(err)
		}
	}
	for name, want := range odd {
		for _, edges := range [][]int{nil, {0, 360, 1320, 1440}} {
			checkDays(t, period(t, "2026-01-01", "2026-12-31", name), edges, want)
		}
	}
}

// checkDays checks that each local day has 1440 minutes unless odd says otherwise.
func checkDays(t *testing.T, p reports.Period, edges []int, odd map[string]int64) {
	t.Helper()
	got := map[string]int64{}
	at := p.From.UnixMS
	for _, part := range LocalParts(p.From, p.To, p.Zone, edges) {
		if part.From.UnixMS != at {
			t.Fatalf("%s: a part begins %s, the one before ended elsewhere", p.Zone, part.From)
		}
		got[part.Day] += part.LengthMS() / 60_000
		at = part.To.UnixMS
	}
	if at != p.To.UnixMS || len(got) != 365 {
		t.Errorf("%s: %d days, ending %d", p.Zone, len(got), at)
	}
	for day, minutes := range got {
		usual := int64(1440)
		if w, ok := odd[day]; ok {
			usual = w
		}
		if minutes != usual {
			t.Errorf("%s %s has %d minutes, want %d", p.Zone, day, minutes, usual)
		}
	}
}

// TestNightShiftsAtClockChanges: 22:00 to 06:00 by the clock (tz database,
// compared with an independent implementation).
func TestNightShiftsAtClockChanges(t *testing.T) {
	for _, c := range []struct {
		zone, from, to, first string
		hours, firstDayHours  int64
	}{
		{"Pacific/Auckland", "2026-04-04T22:00:00.000+13:00", "2026-04-05T06:00:00.000+12:00", "2026-04-04", 9, 2},
		{"Pacific/Auckland", "2026-09-26T22:00:00.000+12:00", "2026-09-27T06:00:00.000+13:00", "2026-09-26", 7, 2},
		{"America/Chicago", "2026-03-07T22:00:00.000-06:00", "2026-03-08T06:00:00.000-05:00", "2026-03-07", 7, 2},
		{"America/Chicago", "2026-10-31T22:00:00.000-05:00", "2026-11-01T06:00:00.000-06:00", "2026-10-31", 9, 2},
		{"Europe/Dublin", "2026-10-24T22:00:00.000+01:00", "2026-10-25T06:00:00.000+00:00", "2026-10-24", 9, 2},
	} {
		l := newLedger(t)
		l.say(c.from + " shift.started\n" + c.from + " site.arrived J-1\n" + c.to + " site.left J-1\n" + c.to + " shift.ended")
		p := period(t, c.first, "2026-12-31", c.zone)
		rep := Compute(l.journal(), reports.Request{Period: p}, Options{})
		const hour = 3_600_000
		if got := rep.Shifts[0].LengthMS(); got != c.hours*hour {
			t.Errorf("%s %s: %d ms, want %d h", c.zone, c.from, got, c.hours)
		}
		days := []int64{}
		for row := range rep.dayTable().Rows {
			days = append(days, row.Cells[1].Int)
		}
		if days[0] != c.firstDayHours*hour || days[1] != (c.hours-c.firstDayHours)*hour {
			t.Errorf("%s: days have %v ms", c.zone, days[:2])
		}
	}
	// The hour that Pacific/Auckland shows twice on 5 April 2026.
	zone := mustZone(t, "Pacific/Auckland")
	for _, s := range []string{"2026-04-04T13:30:00.000Z", "2026-04-04T14:30:00.000Z"} {
		at := events.MustTime(s)
		p := LocalParts(at, events.Time{UnixMS: at.UnixMS + 1}, zone, nil)[0]
		if p.Minute != 150 || p.Day != "2026-04-05" {
			t.Errorf("%s is minute %d of %s, want 02:30 of 2026-04-05", s, p.Minute, p.Day)
		}
	}
}
