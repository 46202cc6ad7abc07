package demo_test

import (
	"cmp"
	"fmt"
	"slices"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/demo"
)

func day(t events.Time) string {
	return time.UnixMilli(t.UnixMS).In(demo.Zone()).Format(time.DateOnly)
}

// drawn is what a refill took, by the meter where it has readings.
func drawn(r events.WaterRefilled) int64 {
	if r.MeterStartML != nil {
		return *r.MeterEndML - *r.MeterStartML
	}
	return r.Volume.VolumeML
}

// TestMetersOnlyRun: in the order of time, each reading of a meter is that of the
// one before plus what was drawn in between, whichever truck drew it. One that was
// replaced is left where the reading before it was, and goes on from the new one's.
func TestMetersOnlyRun(t *testing.T) {
	type look struct {
		from, to   events.Time
		start, end int64
		what       string
	}
	const swap = "another meter"
	swaps, meters := 0, map[events.WaterSourceID][]look{}
	for _, r := range recorded(build(t).Batches) {
		switch b := r.Body.(type) {
		case events.WaterRefilled:
			if b.MeterStartML != nil {
				meters[b.WaterSource] = append(meters[b.WaterSource], look{b.Start, b.End, *b.MeterStartML, *b.MeterEndML, r.ID})
			} else if b.WaterSource != "W-RECYCLED" {
				t.Errorf("%s has no meter readings", r.ID)
			}
		case events.MeterRead:
			meters[b.WaterSource] = append(meters[b.WaterSource], look{r.Occurred, r.Occurred, b.ReadingML, b.ReadingML, r.ID})
		case events.MeterChanged:
			swaps++
			meters[b.WaterSource] = append(meters[b.WaterSource], look{r.Occurred, r.Occurred, b.FinalML, b.StartML, swap})
		}
	}
	if len(meters) != 4 || swaps != 1 {
		t.Errorf("%d sources with meters and %d meters replaced, want 4 and 1", len(meters), swaps)
	}
	for source, list := range meters {
		slices.SortFunc(list, func(a, b look) int { return cmp.Compare(a.from.UnixMS, b.from.UnixMS) })
		for i := 1; i < len(list); i++ {
			a, b := list[i-1], list[i]
			if b.from.Before(a.to) || b.start != a.end || b.end < b.start && b.what != swap {
				t.Errorf("%s: %s ends %s at %d mL, %s starts %s at %d mL", source, a.what, a.to, a.end, b.what, b.from, b.start)
			}
		}
	}
}

// TestLimitsAreExceededOnlyWhereTold holds each day's draw and decanted water and
// each week's turbidity against the register.
func TestLimitsAreExceededOnlyWhereTold(t *testing.T) {
	j := journal(build(t).Batches)
	draw, decanted := map[string]int64{}, map[string]int64{}
	turbidity := map[string][]int64{}
	over := []string{}
	for _, truck := range j.Trucks() {
		for _, e := range j.Entries(truck) {
			switch b := e.Body.(type) {
			case events.WaterRefilled:
				key := string(b.WaterSource) + " " + day(b.Start)
				w, _ := j.Book.WaterSource(b.WaterSource, b.Start)
				before := draw[key]
				draw[key] += drawn(b)
				if limit := w.DailyCapL * 1000; limit > 0 && before <= limit && draw[key] > limit {
					over = append(over, key)
				}
				if w.BackflowRequired && b.BackflowDevice == events.NoDevice {
					over = append(over, "backflow "+key)
				}
			case events.WaterDecanted:
				key := string(b.Outfall) + " " + day(b.Start)
				o, _ := j.Book.Outfall(b.Outfall, b.Start)
				decanted[key] += b.Volume.VolumeML
				switch {
				case o.Consent == "":
					over = append(over, "no consent "+key)
				case decanted[key] > o.DailyLimitL*1000, *b.PHHundredths < o.PHMinHundredths, *b.PHHundredths > o.PHMaxHundredths,
					o.SuspendedSolidsLimitMGPerL > 0 && *b.SuspendedSolidsMGPerL > o.SuspendedSolidsLimitMGPerL:
					over = append(over, key)
				}
				if o.TurbidityWeeklyAverage {
					_, week := b.Start.Std().ISOWeek()
					w := fmt.Sprintf("turbid %s week %d", b.Outfall, week)
					turbidity[w] = append(turbidity[w], *b.TurbidityMilliNTU)
				}
			}
		}
	}
	for week, list := range turbidity {
		sum := int64(0)
		for _, v := range list {
			sum += v
		}
		if sum > 50_000*int64(len(list)) {
			over = append(over, week)
		}
	}
	slices.Sort(over)
	want := []string{"W-MAINS-1 2026-10-22", "backflow W-MAINS-2 2026-10-23", "no consent O-DITCH 2026-10-21", "turbid O-LAGOON week 43"}
	if !slices.Equal(over, want) {
		t.Errorf("exceeded: %q, want %q", over, want)
	}
}

// TestWorkDoesNotOverlap: a crew does one thing at a time, within its shift.
func TestWorkDoesNotOverlap(t *testing.T) {
	j := journal(build(t).Batches)
	for _, truck := range j.Trucks() {
		var until events.Time
		inShift, seen := false, 0
		for _, e := range j.Entries(truck) {
			switch e.Body.(type) {
			case events.ShiftStarted:
				inShift = true
			case events.ShiftEnded:
				inShift = false
			}
			start, end := e.Interval()
			if start == end {
				continue
			}
			seen++
			if start.Before(until) || !inShift {
				t.Errorf("%s %s from %s, in shift %v, the work before it until %s", e.ID, e.Kind(), start, inShift, until)
			}
			until = end
		}
		if inShift || seen < 150 {
			t.Errorf("%s: shift open %v, %d pieces of work", truck, inShift, seen)
		}
	}
}

// TestAxlesCarryTheLoad weighs the truck at each moment by statics, the fresh
// tank as full as it can be.
func TestAxlesCarryTheLoad(t *testing.T) {
	j := journal(build(t).Batches)
	for _, truck := range j.Trucks() {
		for _, l := range account(j, truck).Loads {
			u, _ := j.Book.Truck(truck, l.Entry.Occurred)
			front, rear := u.Axles[0], u.Axles[1]
			if front.TareKg+rear.TareKg != u.TareKg {
				t.Fatalf("%s: axle tares do not sum to the tare", truck)
			}
			debrisKg, freshKg := l.After.MassG()/1000, u.FreshCapacityL
			onRear := (debrisKg*(u.DebrisTankFromFrontMM-front.FromFrontMM) + freshKg*(u.FreshTankFromFrontMM-front.FromFrontMM)) /
				(rear.FromFrontMM - front.FromFrontMM)
			if rear.TareKg+onRear > rear.PermittedKg || front.TareKg+debrisKg+freshKg-onRear > front.PermittedKg {
				t.Errorf("%s after load %s: %d kg of spoil is too much for an axle", truck, l.Entry.ID, debrisKg)
			}
			if d := l.SolidsG + l.WaterG; d < reports.MulDiv(l.VolumeML, 1100, 1000) || d > reports.MulDiv(l.VolumeML, 1800, 1000) {
				t.Errorf("load %s: %d g in %d mL is not a slurry's density", l.Entry.ID, d, l.VolumeML)
			}
		}
	}
}
