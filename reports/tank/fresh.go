package tank

import (
	"spoilbook/events"
	"spoilbook/reports"
)

// refill draws water from a source into the fresh tank. A measured volume counts;
// otherwise the meter's difference does where it is not negative, across a change of the
// meter too.
func (f *fold) refill(e *reports.Entry, b events.WaterRefilled) {
	source, ok := f.journal.Book.WaterSource(b.WaterSource, e.Occurred)
	if !ok {
		f.unknown(e, events.WaterSourceRegister, string(b.WaterSource), "its kind, meter and cap are not known")
	}
	r := Refill{Entry: e, Source: b.WaterSource, Use: source.Use}
	if b.MeterStartML != nil && b.MeterEndML != nil {
		drawn := f.metered(e, b)
		r.MeterML = &drawn
	}
	if b.Volume != nil {
		r.StatedML = &b.Volume.VolumeML
		r.VolumeML, r.Basis, r.ToleranceML = b.Volume.VolumeML, b.Volume.Basis, b.Volume.ToleranceML
	}
	if plausible := r.MeterML != nil && *r.MeterML >= 0; plausible && (b.Volume == nil || b.Volume.Basis != events.Measured) {
		r.VolumeML, r.Basis, r.ByMeter = *r.MeterML, events.Measured, true
		r.ToleranceML = mulDiv(r.VolumeML, source.MeterTolerancePermille, 1000)
	}
	f.move(e, f.waterSource(b.WaterSource), FreshTank, 0, r.VolumeML, "")
	f.freshML += r.VolumeML
	f.freshSquare.addTolerance(r.ToleranceML)
	f.checkFreshCapacity(e)
	r.AfterML = f.freshML
	f.account.Refills = append(f.account.Refills, r)
	f.checkLimits(e)
}

// metered returns what passed the meter between a refill's two readings. A reading that
// fell is explained by a change of that source's meter while the refill lasted.
func (f *fold) metered(e *reports.Entry, b events.WaterRefilled) int64 {
	drawn := *b.MeterEndML - *b.MeterStartML
	if drawn >= 0 {
		return drawn
	}
	start, end := e.Interval()
	for _, m := range f.journal.MeterChanges(b.WaterSource) {
		if !m.Entry.Occurred.Before(start) && !end.Before(m.Entry.Occurred) {
			drawn += m.FinalML - m.StartML
		}
	}
	return drawn
}

// checkFreshCapacity finds a fresh tank over its capacity, once each time.
func (f *fold) checkFreshCapacity(e *reports.Entry) {
	truck, ok := f.journal.Book.Truck(e.Truck, e.Occurred)
	was := f.freshOver
	f.freshOver = ok && f.freshML > truck.FreshCapacityL*1000
	if f.freshOver && !was {
		f.find(reports.FreshOverCapacity, e, "the fresh tank would hold %s L; its capacity is %d L", litres(f.freshML), truck.FreshCapacityL)
	}
}

// use lets fresh water out of the truck, or into its debris tank as a parcel of
// water alone.
func (f *fold) use(e *reports.Entry, b events.WaterUsed) {
	f.takeFresh(e, b.Volume.VolumeML)
	f.freshSquare.addTolerance(b.Volume.ToleranceML)
	if b.IntoDebrisTank {
		f.move(e, FreshTank, DebrisTank, 0, b.Volume.VolumeML, string(b.Purpose))
		f.addParcel(Parcel{Job: e.Job, Position: e.Positions[0], Cites: e.Positions, WaterG: b.Volume.VolumeML,
			Basis: b.Volume.Basis, own: waterDoubt(b.Volume.ToleranceML, b.Volume.VolumeML)})
	} else {
		f.move(e, FreshTank, f.used(b.Purpose), 0, b.Volume.VolumeML, "")
	}
	f.account.Uses = append(f.account.Uses, Use{Entry: e, Purpose: b.Purpose, VolumeML: b.Volume.VolumeML,
		IntoDebrisTank: b.IntoDebrisTank, AfterML: f.freshML})
	f.checkLimits(e)
}

// takeFresh takes water out of the fresh tank for the movements that the caller
// posts. What the tank does not hold is moved in from unaccounted first, so that it
// never holds less than nothing.
func (f *fold) takeFresh(e *reports.Entry, volumeML int64) {
	if short := volumeML - f.freshML; short > 0 {
		f.find(reports.FreshOverdrawn, e, "%s L were taken from the fresh tank, which held %s L by the account", litres(volumeML), litres(f.freshML))
		f.move(e, Unaccounted, FreshTank, 0, short, "fresh water that no refill explains")
		f.freshML += short
	}
	f.freshML -= volumeML
	f.freshOver = false
}
