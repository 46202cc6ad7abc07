package tank

import (
	"spoilbook/events"
	"spoilbook/reports"
)

// dockets applies every docket to its tip. The first docket for a tip counts; the
// difference from the account's mass moves between the facility and unaccounted, in
// the tip's own mixture.
func (f *fold) dockets(entries []reports.Entry) {
	var tipAt map[uint64]int // built when there is a docket at all
	for i := range entries {
		b, ok := entries[i].Body.(events.DocketReceived)
		if !ok {
			continue
		}
		if tipAt == nil {
			tipAt = f.tipPositions()
		}
		f.docket(&entries[i], b, tipAt)
	}
}

// tipPositions returns the index of each tip by its own position and by those of
// its corrections: a docket may refer to either.
func (f *fold) tipPositions() map[uint64]int {
	at := make(map[uint64]int, len(f.account.Tips))
	for i := range f.account.Tips {
		for _, p := range f.account.Tips[i].Entry.Positions {
			at[p] = i
		}
	}
	return at
}

func (f *fold) docket(e *reports.Entry, b events.DocketReceived, tipAt map[uint64]int) {
	d := Docket{Entry: e, Number: b.Number, Facility: b.Facility, WeighedAt: b.WeighedAt, NetG: b.NetG, Tip: -1}
	position, recorded := f.journal.PositionOf(b.Tip)
	index, matched := tipAt[position]
	switch {
	case !recorded || !matched:
		f.find(reports.DocketUnmatched, e, "docket %s is for %s, which is no standing tip of this truck", b.Number, b.Tip)
	case f.account.Tips[index].Facility != b.Facility:
		f.find(reports.DocketUnmatched, e, "docket %s is from %s; the tip was at %s", b.Number, b.Facility, f.account.Tips[index].Facility)
		matched = false
	}
	if recorded && matched {
		f.applyDocket(e, &d, b, index)
	}
	f.account.Dockets = append(f.account.Dockets, d)
}

func (f *fold) applyDocket(e *reports.Entry, d *Docket, b events.DocketReceived, index int) {
	t := &f.account.Tips[index]
	d.Tip, d.ReturnedG = index, f.returnedBy(t, b.WeighedAt)
	d.AccountG = t.MassG() - d.ReturnedG
	d.DifferenceG = b.NetG - d.AccountG
	limits := f.weighingLimits(t, b, d)
	d.ToleranceG = limits.root()
	if whole := t.MassG(); whole > 0 { // of a part as certain as the whole
		limits.add(mulDiv(t.ToleranceG, max(0, d.AccountG), whole))
	} else {
		limits.add(t.ToleranceG)
	}
	d.Unexplained = limits.exceededBy(d.DifferenceG)
	if combined := limits.root(); combined > 0 {
		d.EnMilli = mulDiv(int64(magnitude(d.DifferenceG)), 1000, combined)
	}
	if t.Docket != nil {
		t.Repeated = append(t.Repeated, *d)
		f.find(reports.DocketRepeated, e, "docket %s is for the same tip as docket %s, which counts", d.Number, t.Docket.Number)
		f.cite(t.Docket.Entry.Positions)
		f.cite(t.Entry.Positions)
		return
	}
	d.Counts = true
	effective := *d
	t.Docket = &effective
	f.moveDifference(e, t, d.DifferenceG)
	f.judgeDocket(e, t, d, limits)
}

func (f *fold) judgeDocket(e *reports.Entry, t *Tip, d *Docket, limits square) {
	accountG := d.AccountG
	if d.Unexplained {
		f.find(reports.DocketDiffers, e, "docket %s says %s kg, the account %s kg; the difference of %s kg is beyond the combined tolerance of %s kg",
			d.Number, litres(d.NetG), litres(accountG), litres(d.DifferenceG), litres(limits.root()))
		f.cite(t.Entry.Positions)
	}
	if difference := int64(magnitude(d.DifferenceG)); difference*10 > accountG {
		f.find(reports.DocketOverTenPercent, e, "docket %s says %s kg, the account %s kg; the difference is more than 10 %% of the account",
			d.Number, litres(d.NetG), litres(accountG))
		f.cite(t.Entry.Positions)
	}
}

// returnedBy returns the mass that a facility had given back of a tip when it weighed:
// by returns that had ended by then.
func (f *fold) returnedBy(t *Tip, weighed events.Time) int64 {
	sum := int64(0)
	for _, i := range t.Returns {
		r := &f.account.Returns[i]
		if _, end := r.Entry.Interval(); !weighed.Before(end) {
			sum += r.MassG() - r.UntippedSolidsG - r.UntippedWaterG
		}
	}
	return sum
}

// moveDifference moves what the docket says beyond the account, or short of it.
func (f *fold) moveDifference(e *reports.Entry, t *Tip, differenceG int64) {
	if differenceG == 0 {
		return
	}
	from, to := Unaccounted, f.facility(t.Facility)
	if differenceG < 0 {
		from, to = to, from
	}
	amount := int64(magnitude(differenceG))
	p := Phases{0, amount}
	if t.MassG() > 0 {
		p = Phases{t.SolidsG, t.WaterG}.part(amount)
	}
	f.move(e, from, to, p.SolidsG, p.WaterG, "docket")
}

// weighingLimits returns the limits of the two weighings behind a docket. Without
// gross and tare they are taken to be the truck's tare and that with the net; without
// a scale interval the weighbridge counts as exact.
func (f *fold) weighingLimits(t *Tip, b events.DocketReceived, d *Docket) square {
	intervalG := b.ScaleIntervalG
	if facility, ok := f.journal.Book.Facility(b.Facility, t.Entry.Occurred); ok && intervalG == 0 {
		intervalG = facility.WeighbridgeIntervalKg * 1000
	}
	var tareG int64
	if truck, ok := f.journal.Book.Truck(t.Entry.Truck, t.Entry.Occurred); ok {
		tareG = truck.TareKg * 1000
	}
	if b.TareG != nil {
		tareG = *b.TareG
	}
	grossG := tareG + b.NetG
	if b.GrossG != nil {
		grossG = *b.GrossG
	}
	d.GrossG, d.TareG, d.IntervalG = grossG, tareG, intervalG
	s := square(0)
	s.addLimit(WeighingLimitG(grossG, intervalG))
	s.addLimit(WeighingLimitG(tareG, intervalG))
	return s
}

// WeighingLimitG returns the limit of error, plus or minus, of a class III
// weighbridge in service with verification interval e: 1 e up to 500 e, 2 e up to
// 2000 e, 3 e beyond (UK SI 1995/1907, twice the limits of OIML R 76).
func WeighingLimitG(loadG, intervalG int64) int64 {
	switch {
	case loadG <= 500*intervalG:
		return intervalG
	case loadG <= 2000*intervalG:
		return 2 * intervalG
	}
	return 3 * intervalG
}
