package manifest

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
)

// Refusal is a load that a facility refused at its gate. Nothing was tipped.
type Refusal struct {
	Truck    events.TruckID
	Plate    string
	Facility events.FacilityID
	Name     string // the facility's; "" when the register does not know it
	Reason   events.RefusalReason
	Note     string
	Held     Amount // what the tank held, all jobs
	Next     string // the consignment that the load went with in the end; "" when none did
	NextTo   string // its facility
	Cites    []uint64

	at events.Time
}

// Return is spoil that a facility gave back.
type Return struct {
	Truck    events.TruckID
	Facility events.FacilityID
	Of       string // the consignment that had brought it; "" when it matches none
	Reason   events.RefusalReason
	Note     string
	Amount   Amount // all of it
	Asked    Amount // the part of the jobs asked for; all of it when none was
	Untipped Amount // of it, what had not been tipped there
	// ToleranceG is of the part that had been tipped, two standard uncertainties.
	ToleranceG int64
	Cites      []uint64

	at events.Time
}

// refusals adds those of the period. Under a filter they are shown with the consignment
// that the load went with, or when they name a job asked for.
func (b *builder) refusals(a *account, listed []int) {
	for i := range a.Refusals {
		x := &a.Refusals[i]
		e := x.Entry
		if !b.q.Period.Contains(e.Occurred) || !b.wants(e.Job, e.Occurred) && !slices.Contains(listed, x.NextTip) {
			continue
		}
		body, _ := e.Body.(events.SpoilRefused)
		line := Refusal{Truck: a.Truck, Facility: x.Facility, Reason: x.Reason, Note: body.Note, Cites: e.Positions, at: e.Occurred,
			Held: Amount{x.Held.SolidsG, x.Held.WaterG, x.Held.VolumeML}}
		if truck, ok := b.j.Book.Truck(a.Truck, e.Occurred); ok {
			line.Plate = truck.Registration
		}
		if f, ok := b.j.Book.Facility(x.Facility, e.Occurred); ok {
			line.Name = f.Name
		}
		if x.NextTip >= 0 {
			t := &a.Tips[x.NextTip]
			line.Next, line.NextTo = a.number(x.NextTip), string(t.Facility)
			if f, ok := b.j.Book.Facility(t.Facility, t.Entry.Occurred); ok {
				line.NextTo = f.Name
			}
		}
		b.r.Refusals = append(b.r.Refusals, line)
	}
}

// returns adds those of the period. Under a filter they are shown when some of what
// came is of a job asked for.
func (b *builder) returns(a *account) {
	for i := range a.Returns {
		x := &a.Returns[i]
		e := x.Entry
		if !b.q.Period.Contains(e.Occurred) {
			continue
		}
		body, _ := e.Body.(events.SpoilReturned)
		line := Return{Truck: a.Truck, Facility: x.Facility, Reason: x.Reason, Note: body.Note, Cites: e.Positions, at: e.Occurred,
			Amount: Amount{x.SolidsG, x.WaterG, x.VolumeML}, Untipped: Amount{SolidsG: x.UntippedSolidsG, WaterG: x.UntippedWaterG}}
		line.ToleranceG = tank.Together(x.Shares).MassG
		line.Asked, line.Untipped.VolumeML = line.Amount, line.Amount.VolumeML
		for k := range x.Shares {
			line.Untipped.VolumeML -= x.Shares[k].VolumeML
		}
		if b.narrowed {
			line.Asked = b.askedOf(x.Shares, e.Occurred)
		}
		if b.narrowed && line.Asked == (Amount{}) {
			continue
		}
		if x.Tip >= 0 {
			line.Of = a.number(x.Tip)
			line.Cites = reports.Union(e.Positions, a.Tips[x.Tip].Entry.Positions)
		}
		b.countReturn(x, &line)
		b.r.Returns = append(b.r.Returns, line)
	}
}

// askedOf sums the shares of the jobs asked for.
func (b *builder) askedOf(shares []tank.Share, at events.Time) Amount {
	sum := Amount{}
	for i := range shares {
		if s := &shares[i]; b.wants(s.Job, at) {
			sum = sum.Plus(Amount{s.SolidsG, s.WaterG, s.VolumeML})
		}
	}
	return sum
}

// countReturn adds a return to the totals of the report and of the jobs.
func (b *builder) countReturn(x *tank.Return, line *Return) {
	b.r.Totals.Returned = b.r.Totals.Returned.Plus(line.Amount)
	b.r.Totals.ReturnedAsked = b.r.Totals.ReturnedAsked.Plus(line.Asked)
	for i := range x.Shares {
		s := &x.Shares[i]
		t := b.job(s.Job, line.at)
		t.Returned = t.Returned.Plus(Amount{s.SolidsG, s.WaterG, s.VolumeML})
	}
}

// number returns the number of the consignment of a tip.
func (a *account) number(tip int) string {
	body, _ := a.Tips[tip].Entry.Body.(events.SpoilTipped)
	return cmp.Or(trimmed(body.Consignment), a.numbers[tip])
}

// orderReturns puts what was gathered by truck in the order in which it occurred.
func (b *builder) orderReturns() {
	slices.SortStableFunc(b.r.Refusals, func(x, y Refusal) int {
		return cmp.Or(cmp.Compare(x.at.UnixMS, y.at.UnixMS), cmp.Compare(x.Truck, y.Truck))
	})
	slices.SortStableFunc(b.r.Returns, func(x, y Return) int {
		return cmp.Or(cmp.Compare(x.at.UnixMS, y.at.UnixMS), cmp.Compare(x.Truck, y.Truck))
	})
}
