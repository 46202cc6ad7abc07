package care

import (
	"fmt"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
	"spoilbook/reports/gauge"
)

// record explains what was read, held against the limits.
func (x *exposition) record(rec *Record) {
	e := rec.Entry
	x.Says = fmt.Sprintf("%s on %s at %s", rec.Task, e.Truck, x.clock(e.Occurred))
	if e.Operator != "" {
		x.Says += " by " + string(e.Operator)
	}
	if rec.Judgement != "" {
		x.Says += ": " + rec.Judgement
	}
	x.Says += "."
	x.Gather(e.Positions...)
	for i := range x.r.Options.Rules {
		if rule := &x.r.Options.Rules[i]; rule.Task == rec.Task {
			x.due(rule)
		}
	}
	x.Follow(ownRule, "Every check and care entry of the period is listed, whatever it was due for.")
	x.truck(e.Truck, e.Occurred)
	switch b := e.Body.(type) {
	case events.PrestartChecked:
		ok := 0
		for _, it := range b.Items {
			ok += int(truth(it.OK))
		}
		x.Reckon("items not in order: checked less in order", fmt.Sprintf("%d − %d", len(b.Items), ok), fmt.Sprint(len(b.Items)-ok), e.Positions...)
	case events.CareRecorded:
		x.filter(e, &b)
		x.vacuum(e, &b)
		x.oil(e, &b)
		x.flush(e, &b)
	}
}

func truth(b bool) int64 {
	if b {
		return 1
	}
	return 0
}

// filter reckons the gauges before and after the final filter against each other.
func (x *exposition) filter(e *reports.Entry, b *events.CareRecorded) {
	if b.FilterDamaged {
		x.Follow(practice, "A damaged final filter is not refitted; the vacuum pump does not run before a check finds a filter whole.")
	}
	if b.BeforeFilterKPa == nil || b.AfterFilterKPa == nil {
		return
	}
	o, before, after := &x.r.Options, *b.BeforeFilterKPa, *b.AfterFilterKPa
	low, deeper := min(before, after), max(before, after)
	x.Reckon("difference: after the filter less before", fmt.Sprintf("%d − (%d)", after, before), fmt.Sprint(after-before)+" kPa", e.Positions...)
	x.Reckon("apart, less what gauges may differ; they disagree above zero, if the share does too", fmt.Sprintf("%d − (%d) − %d", deeper, low, o.GaugeKPa), fmt.Sprint(deeper-low-o.GaugeKPa)+" kPa")
	x.Reckon("apart, less the share of the deeper reading, in hundredths of kPa; they disagree above zero, if the line before does too",
		fmt.Sprintf("(%d − (%d)) × 100 − %d × (%d)", deeper, low, o.GaugePercent, deeper), fmt.Sprint((deeper-low)*100-o.GaugePercent*deeper))
	x.Follow(practice, fmt.Sprintf("Gauges before and after the final filter that are more than %d kPa apart and by more than %d %% of the deeper reading disagree: the filter is blocking, or a gauge is wrong.", o.GaugeKPa, o.GaugePercent))
}

// vacuum reckons each reading against the air there can be.
func (x *exposition) vacuum(e *reports.Entry, b *events.CareRecorded) {
	o := &x.r.Options
	standardPa := gauge.StandardPressurePa(o.AltitudeM)
	airPa := reports.MulDiv(standardPa, 1000+o.AirPermille, 1000)
	said := false
	for _, g := range []struct {
		where string
		kPa   *int64
	}{{"before", b.BeforeFilterKPa}, {"after", b.AfterFilterKPa}} {
		if g.kPa == nil {
			continue
		}
		if !said {
			x.Reckon(fmt.Sprintf("the most that the air at %d m can be, weather included, in kPa", o.AltitudeM), fmt.Sprintf("round(%d × (1000 + %d) ÷ 1000) ÷ 1000", standardPa, o.AirPermille), reports.Decimal(airPa, 3, 3)+" kPa")
			said = true
		}
		x.Reckon("vacuum "+g.where+" the filter less that; above zero it can not be", fmt.Sprintf("%d − %s", *g.kPa, arithmetic.Number(airPa, 3)), reports.Decimal(*g.kPa*1000-airPa, 3, 3)+" kPa", e.Positions...)
	}
	if said {
		x.Follow("ICAO standard atmosphere", fmt.Sprintf("At %d m the standard air has %d Pa. A vacuum is stated as pressure below the air around it and can not be deeper than that air.", o.AltitudeM, standardPa))
	}
}

func (x *exposition) oil(e *reports.Entry, b *events.CareRecorded) {
	if b.OilDegC == nil {
		return
	}
	o := &x.r.Options
	x.Reckon("hydraulic oil less where the plant shuts down; from zero it is hot", fmt.Sprintf("%d − %d", *b.OilDegC, o.OilStopDegC), fmt.Sprint(*b.OilDegC-o.OilStopDegC)+" °C", e.Positions...)
	x.Reckon("hydraulic oil less where it is worth knowing", fmt.Sprintf("%d − %d", *b.OilDegC, o.OilNoteDegC), fmt.Sprint(*b.OilDegC-o.OilNoteDegC)+" °C", e.Positions...)
	x.Follow(practice, fmt.Sprintf("Hydraulic oil at %d °C shuts the plant down; somebody competent looks into it before the plant runs again.", o.OilStopDegC))
}

func (x *exposition) flush(e *reports.Entry, b *events.CareRecorded) {
	if b.Task != events.VacuumPumpFlushed || b.DurationMS == 0 {
		return
	}
	o := &x.r.Options
	num := func(ms int64) string { return arithmetic.Number(ms, 3) }
	x.Reckon("flush less the least; below zero it is odd", fmt.Sprintf("%s − %s", num(b.DurationMS), num(o.FlushLeastMS)), num(b.DurationMS-o.FlushLeastMS)+" s", e.Positions...)
	x.Reckon("the most less the flush; below zero it is odd", fmt.Sprintf("%s − %s", num(o.FlushMostMS), num(b.DurationMS)), num(o.FlushMostMS-b.DurationMS)+" s", e.Positions...)
	x.Follow(practice, "The vacuum pump is flushed with a short dose of about two seconds at the end of the day; the pump's maker states the dose.")
}
