package water_test

import (
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

func (w *town) change(c events.MeterChanged) {
	w.now.UnixMS += 60_000
	c.WaterSource = bore
	w.append(events.OfficeSource("yard"), "", "", c)
}

// The bore's meter M-2 shows up to 10 m3; its permit's holder answers for all it passes.
func TestMeterChanges(t *testing.T) {
	read := func(ml int64) func(*town) { return func(w *town) { w.read(bore, "M-2", ml) } }
	draw := func(ml int64) func(*town) { return func(w *town) { w.refill(one, "", bore, ml) } }
	change := func(cause events.MeterCause, final int64, next string, start int64) func(*town) {
		return func(w *town) {
			w.change(events.MeterChanged{Cause: cause, Meter: "M-2", FinalML: final, NextMeter: next, StartML: start})
		}
	}
	rolled := change(events.MeterRolledOver, 10_000_000, "M-2", 0)
	for _, c := range []struct {
		name  string
		steps []func(*town)
		want  map[reports.Code]int
	}{
		{"rolled over, nobody says so", []func(*town){read(9_500_000), draw(1_000_000), read(500_000)}, map[reports.Code]int{reports.MeterBackwards: 1}},
		{"rolled over", []func(*town){read(9_500_000), draw(1_000_000), rolled, read(500_000)}, map[reports.Code]int{}},
		{"rolled over before the draw was noticed", []func(*town){read(9_500_000), rolled, draw(1_000_000), read(500_000)}, map[reports.Code]int{}},
		{"rolled over, and less drawn than passed", []func(*town){read(9_500_000), draw(500_000), rolled, read(500_000)}, map[reports.Code]int{reports.MeterDiffers: 1}},
		{"rolled over below its last reading", []func(*town){read(9_500_000), change(events.MeterRolledOver, 9_000_000, "M-2", 0), read(0)}, map[reports.Code]int{reports.MeterBackwards: 1}},
		{"backwards after it rolled over", []func(*town){read(9_500_000), draw(1_000_000), rolled, read(500_000), read(400_000)}, map[reports.Code]int{reports.MeterBackwards: 1}},
		{"replaced", []func(*town){read(9_500_000), draw(200_000), change(events.MeterReplaced, 9_700_000, "M-9", 40_000), draw(100_000),
			func(w *town) { w.read(bore, "M-9", 140_000) }}, map[reports.Code]int{}},
		{"replaced, with water that nobody drew", []func(*town){read(9_500_000), change(events.MeterReplaced, 9_700_000, "M-9", 0)}, map[reports.Code]int{reports.MeterDiffers: 1}},
		{"set anew", []func(*town){read(9_500_000), change(events.MeterReset, 9_500_000, "M-2", 0), draw(300_000), read(300_000)}, map[reports.Code]int{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			w := newTown()
			for _, s := range c.steps {
				s(w)
			}
			wantCodes(t, w.compute(week(t, reports.Filter{})), c.want)
		})
	}
}

// A refill during which the meter rolled over drew what passed on both sides: from 9.4
// to 10 m3 and from 0 to 0.5 m3.
func TestRefillAcrossARollOver(t *testing.T) {
	w := newTown()
	w.read(bore, "M-2", 9_400_000)
	start := w.now
	w.change(events.MeterChanged{Cause: events.MeterRolledOver, Meter: "M-2", FinalML: 10_000_000, NextMeter: "M-2", StartML: 0})
	end := w.now
	end.UnixMS += 60_000
	w.at(one, "", events.WaterRefilled{WaterSource: bore, Start: start, End: end, MeterStartML: ptr(9_400_000), MeterEndML: ptr(500_000)})
	w.read(bore, "M-2", 500_000)
	r := w.compute(week(t, reports.Filter{}))
	wantCodes(t, r, map[reports.Code]int{})
	if d := r.Draws[0]; d.VolumeML != 1_100_000 || d.MeterML == nil || *d.MeterML != 1_100_000 || !d.ByMeter {
		t.Errorf("the refill is %+v", d.Refill)
	}
}

// A refill's readings belong to the meter that was fitted, whether the register knows it
// yet or not, and each side of a change is listed.
func TestReadingsOfAReplacedMeter(t *testing.T) {
	w := newTown()
	w.read(bore, "M-2", 1_000_000)
	w.change(events.MeterChanged{Cause: events.MeterReplaced, Meter: "M-2", FinalML: 1_000_000, NextMeter: "M-9", StartML: 7_000})
	w.at(one, "", events.WaterRefilled{WaterSource: bore, Start: w.now, End: w.now, MeterStartML: ptr(7_000), MeterEndML: ptr(507_000)})
	r := w.compute(week(t, reports.Filter{}))
	wantCodes(t, r, map[reports.Code]int{})
	lines := []string{}
	for _, m := range r.Readings {
		lines = append(lines, m.Meter+" "+m.What)
	}
	if got := strings.Join(lines, ", "); got != "M-2 read, M-2 last before it was replaced, M-9 first after it was replaced, M-9 refill start, M-9 refill end" {
		t.Errorf("readings are %s", got)
	}
}
