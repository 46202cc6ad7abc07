package care

import (
	"maps"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/gauge"
)

// Record is a pre-start check or a care entry with what was read.
type Record struct {
	Entry *reports.Entry // of the journal; not to be changed
	Task  Task
	// DifferenceKPa is the vacuum after the final filter less that before it, where
	// both were read; nil otherwise.
	DifferenceKPa *int64
	Judgement     string // what is odd about it; "" when nothing is

	key string // its line's name
}

// Item is a line of a pre-start check that was not in order.
type Item struct {
	Check  *reports.Entry // the check that found it
	Name   string
	Note   string
	Worked *reports.Entry // the first work after it and before it was put right; nil for none
	Right  *reports.Entry // the next check that found it in order; nil for none
}

// itemKey is how an item is recognised from check to check.
func itemKey(name string) string { return strings.ToLower(strings.Join(strings.Fields(name), " ")) }

// findItems follows each item that was not in order until a check finds it in order.
func (c *truckCare) findItems() {
	open := map[string]*Item{}
	all := []*Item{}
	for i := range c.entries {
		e := &c.entries[i]
		if b, ok := e.Body.(events.PrestartChecked); ok {
			failed := failedItems(b)
			for _, it := range b.Items {
				k := itemKey(it.Item)
				if was := open[k]; was != nil && !failed[k] {
					was.Right = e
					delete(open, k)
				}
			}
			for _, it := range b.Items {
				k := itemKey(it.Item)
				if failed[k] && !it.OK && (open[k] == nil || open[k].Check != e) {
					open[k] = &Item{Check: e, Name: it.Item, Note: it.Note}
					all = append(all, open[k])
				}
			}
			continue
		}
		if isWork(e.Kind()) {
			for _, k := range slices.Sorted(maps.Keys(open)) {
				if from, _ := e.Interval(); open[k].Worked == nil && !from.Before(open[k].Check.Occurred) {
					open[k].Worked = e
				}
			}
		}
	}
	for _, it := range all {
		if !c.wants(it.Check) {
			continue
		}
		c.r.Items = append(c.r.Items, *it)
		if it.Worked != nil {
			at, _ := it.Worked.Interval()
			c.find(reports.PrestartItemFailed, it.Worked.Job, at, reports.Union(it.Check.Positions, it.Worked.Positions),
				"%q was not in order at the check of %s, and the truck worked (%s)", it.Name, c.clock(it.Check.Occurred, at), it.Worked.Kind())
		}
	}
}

// failedItems returns the items that a check found not in order, once at least.
func failedItems(b events.PrestartChecked) map[string]bool {
	failed := map[string]bool{}
	for _, it := range b.Items {
		if !it.OK {
			failed[itemKey(it.Item)] = true
		}
	}
	return failed
}

// findDamage follows a final filter that was found damaged: the vacuum pump must not
// run before a check finds a filter in order.
func (c *truckCare) findDamage() {
	var damaged *reports.Entry
	found := false
	for i := range c.entries {
		e := &c.entries[i]
		if b, ok := e.Body.(events.CareRecorded); ok {
			switch {
			case b.FilterDamaged:
				damaged, found = e, false
			case b.Task == events.FinalFilterCheck:
				damaged = nil
			}
			continue
		}
		from, _, ok := vacuumUse(e)
		if !ok || damaged == nil || found || from.Before(damaged.Occurred) {
			continue
		}
		if found = true; c.wants(damaged) {
			c.find(reports.FilterDamaged, e.Job, damaged.Occurred, reports.Union(damaged.Positions, e.Positions),
				"the final filter was found damaged at %s, and the vacuum pump ran (%s at %s) before a check found it whole",
				c.clock(damaged.Occurred, damaged.Occurred), e.Kind(), c.clock(from, damaged.Occurred))
		}
	}
}

// readRecords lists what was recorded in the period and judges the readings.
func (c *truckCare) readRecords() {
	blocking := -1 // index of the finding of a filter that blocks now
	for i := range c.entries {
		e := &c.entries[i]
		task, ok := taskOf(e)
		if !ok || !c.wants(e) {
			continue
		}
		rec := Record{Entry: e, Task: task, key: e.Ref().String()}
		if b, ok := e.Body.(events.CareRecorded); ok {
			odd := slices.Concat(c.judgeOil(e, b), c.judgeFlush(e, b), c.judgeVacuum(e, b))
			if b.FilterDamaged {
				odd = append(odd, "final filter damaged")
			}
			if b.BeforeFilterKPa != nil && b.AfterFilterKPa != nil {
				d := *b.AfterFilterKPa - *b.BeforeFilterKPa
				rec.DifferenceKPa = &d
				if blocking = c.judgeFilter(e, *b.BeforeFilterKPa, *b.AfterFilterKPa, blocking); blocking >= 0 {
					odd = append(odd, "gauges disagree")
				}
			}
			rec.Judgement = strings.Join(odd, "; ")
		}
		c.r.Records = append(c.r.Records, rec)
	}
}

// judgeFilter holds the gauges before and after the final filter against each other.
// A filter blocks over days, so that readings which disagree one after the other are
// one finding; it returns that finding's index, -1 when they agree.
func (c *truckCare) judgeFilter(e *reports.Entry, beforeKPa, afterKPa int64, blocking int) int {
	apart, deeper := afterKPa-beforeKPa, max(beforeKPa, afterKPa)
	if apart < 0 {
		apart = -apart
	}
	if apart <= c.r.Options.GaugeKPa || apart*100 <= c.r.Options.GaugePercent*deeper {
		return -1
	}
	if blocking < 0 {
		c.find(reports.FilterBlocking, e.Job, e.Occurred, e.Positions, "the gauges before and after the final filter show %d and %d kPa, %d apart",
			beforeKPa, afterKPa, apart)
		return len(c.r.Findings) - 1
	}
	if f := &c.r.Findings[blocking]; len(f.Cites) < c.r.Options.MaxBlockCites {
		f.Cites = append(f.Cites, e.Positions...)
	}
	return blocking
}

func (c *truckCare) judgeOil(e *reports.Entry, b events.CareRecorded) []string {
	switch o := &c.r.Options; {
	case b.OilDegC == nil || *b.OilDegC < min(o.OilNoteDegC, o.OilStopDegC):
		return nil
	case *b.OilDegC >= o.OilStopDegC:
		c.find(reports.OilHot, e.Job, e.Occurred, e.Positions, "hydraulic oil at %d °C; at %d °C the plant shuts down", *b.OilDegC, o.OilStopDegC)
		return []string{"oil hot"}
	default:
		c.find(reports.OilWarm, e.Job, e.Occurred, e.Positions, "hydraulic oil at %d °C; at %d °C the plant shuts down", *b.OilDegC, o.OilStopDegC)
		return []string{"oil warm"}
	}
}

func (c *truckCare) judgeFlush(e *reports.Entry, b events.CareRecorded) []string {
	o := &c.r.Options
	if b.Task != events.VacuumPumpFlushed || b.DurationMS == 0 || b.DurationMS >= o.FlushLeastMS && b.DurationMS <= o.FlushMostMS {
		return nil
	}
	c.find(reports.FlushOdd, e.Job, e.Occurred, e.Positions, "the vacuum pump was flushed for %s s; about two seconds are usual", reports.Decimal(b.DurationMS, 3, 1))
	return []string{"unusual time"}
}

// judgeVacuum finds a vacuum deeper than the air: pressure below the air's can not be
// more than the air's.
func (c *truckCare) judgeVacuum(e *reports.Entry, b events.CareRecorded) []string {
	airPa := reports.MulDiv(gauge.StandardPressurePa(c.r.Options.AltitudeM), 1000+c.r.Options.AirPermille, 1000)
	odd := []string{}
	for _, kPa := range []*int64{b.BeforeFilterKPa, b.AfterFilterKPa} {
		if kPa != nil && *kPa*1000 > airPa {
			c.find(reports.VacuumImpossible, e.Job, e.Occurred, e.Positions, "a gauge shows a vacuum of %d kPa; the air at %d m is at most %s kPa",
				*kPa, c.r.Options.AltitudeM, reports.Decimal(airPa, 3, 1))
			odd = append(odd, "deeper than the air allows")
		}
	}
	return odd
}
