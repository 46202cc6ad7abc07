package billable

import (
	"cmp"
	"fmt"
	"slices"

	"github.com/shopspring/decimal"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
	"spoilbook/reports/timesplit"
)

// share is what one job had in a tip.
type share struct {
	job      events.JobID
	accountG int64
	settledG int64 // the job's part of the docket's net, or accountG
	volumeML int64
	cites    []uint64 // the loads that it came from
}

// sharesOf sums a tip's shares by job, in the order of the jobs' first loads, and
// divides the docket's net among them by mass.
func sharesOf(t *tank.Tip) []share {
	list := []share{}
	for i := range t.Shares {
		s := &t.Shares[i]
		n := slices.IndexFunc(list, func(x share) bool { return x.job == s.Job })
		if n < 0 {
			n = len(list)
			list = append(list, share{job: s.Job})
		}
		list[n].accountG += s.MassG()
		list[n].volumeML += s.VolumeML
		list[n].cites = reports.Union(list[n].cites, s.Cites)
	}
	weights := make([]int64, len(list))
	for i := range list {
		weights[i], list[i].settledG = list[i].accountG, list[i].accountG
	}
	if t.Docket == nil {
		return list
	}
	settled, left := reports.Apportion(t.Docket.NetG, weights)
	if left == 0 {
		for i := range list {
			list[i].settledG = settled[i]
		}
	}
	return list
}

// tip charges one tip to the jobs whose spoil it held.
func (b *builder) tip(truck events.TruckID, t *tank.Tip) {
	cites := t.Entry.Positions
	if t.Docket != nil {
		cites = reports.Union(cites, t.Docket.Entry.Positions)
	}
	list := sharesOf(t)
	totalG := int64(0)
	for i := range list {
		totalG += list[i].accountG
	}
	for i := range list {
		s := &list[i]
		if s.job == "" {
			if b.wants("", t.Entry.Occurred) {
				b.r.Findings = append(b.r.Findings, reports.NewFinding(reports.NotBillable, truck, t.Entry.Occurred, b.j.Cited(cites),
					"%d kg of the tip belong to no job and are charged to nobody", s.settledG/1000))
			}
			continue
		}
		if !b.wants(s.job, t.Entry.Occurred) {
			continue
		}
		terms := b.termsOf(s.job, t.Entry.Occurred, truck, cites)
		if terms == nil {
			b.unpricedTip(truck, t, s, cites)
			continue
		}
		why := &trace{t: terms, tip: t, share: *s, shares: list}
		b.spoil(why, truck, cites)
		b.gateFee(why, truck, cites)
		b.tipFees(why, truck, totalG, cites)
	}
}

// tipLine returns a line of a tip.
func (t *terms) tipLine(kind Kind, truck events.TruckID, tip *tank.Tip, what string, cites []uint64) Line {
	l := t.line(kind, truck, cites)
	l.What, l.Day = what, t.day(tip.Entry.Occurred)
	l.From, l.To = tip.Entry.Interval()
	l.Key = fmt.Sprintf("%s/%s/tip-%s/%s", t.id, truck, tip.Entry.Ref(), kind)
	return l
}

// spoil charges disposal by the tonne or the cubic metre.
func (b *builder) spoil(why *trace, truck events.TruckID, cites []uint64) {
	terms, t, s := why.t, why.tip, &why.share
	rate := terms.card.Spoil
	if rate.Rate == "" {
		return
	}
	basis := "by the tank's account"
	if t.Docket != nil && rate.Per == "tonne" {
		basis = "by docket " + t.Docket.Number
	}
	l := terms.tipLine(ForSpoil, truck, t, "spoil tipped at "+string(t.Facility)+", "+basis, cites)
	l.Micro, l.Unit, l.Rate = s.settledG, "t", number(rate.Rate)
	if rate.Per == "m3" {
		l.Micro, l.Unit = s.volumeML, "m³"
	}
	l.price(l.Micro, 1_000_000)
	b.put(l, why)
}

// gateFee passes the facility's fee on, with the card's mark-up.
func (b *builder) gateFee(why *trace, truck events.TruckID, cites []uint64) {
	terms, t, s := why.t, why.tip, &why.share
	if !terms.card.GateFees.PassOn {
		return
	}
	facility, ok := b.j.Book.Facility(t.Facility, t.Entry.Occurred)
	lacks := ""
	switch {
	case !ok || facility.GateFeePerTonne == "":
		lacks = "the register states no gate fee of " + string(t.Facility)
	case t.Docket == nil:
		lacks = "no docket came from " + string(t.Facility)
	case facility.Currency != terms.card.Currency:
		lacks = fmt.Sprintf("%s charges in %s and the rate card is in %s", t.Facility, facility.Currency, terms.card.Currency)
	}
	if lacks != "" {
		f := reports.NewFinding(reports.GateFeeUnknown, truck, t.Entry.Occurred, b.j.Cited(cites), "the gate fee is not passed on: %s", lacks)
		f.Job = terms.id
		b.r.Findings = append(b.r.Findings, f)
		return
	}
	markup := number(cmp.Or(terms.card.GateFees.MarkupPercent, "0"))
	l := terms.tipLine(ForGateFee, truck, t, fmt.Sprintf("gate fee of %s, docket %s", t.Facility, t.Docket.Number), cites)
	l.Micro, l.Unit, l.Rate = s.settledG, "t", number(facility.GateFeePerTonne)
	l.Multiplier = markup.Add(decimal.NewFromInt(100)).Shift(-2)
	l.price(l.Micro, 1_000_000)
	b.put(l, why)
}

// tipFees charges the job's share of the fees per tip.
func (b *builder) tipFees(why *trace, truck events.TruckID, totalG int64, cites []uint64) {
	terms, t, s := why.t, why.tip, &why.share
	for n, fee := range terms.card.Fees {
		if fee.Per != "tip" || totalG <= 0 {
			continue
		}
		l := terms.tipLine(ForFee, truck, t, fee.Name, cites)
		l.Key += fmt.Sprintf("-%d", n)
		l.Micro, l.Unit, l.Rate = reports.MulDiv(1_000_000, s.accountG, totalG), "each", number(fee.Amount)
		l.price(s.accountG, totalG)
		b.put(l, why)
	}
}

// visitFees charges the fees per visit for the arrivals of a shift.
func (w *work) visitFees(s *timesplit.Shift) {
	for i := range s.Visits {
		v := &s.Visits[i]
		key := visitKey{truck: w.truck, job: v.Job, began: v.Arrived.UnixMS}
		if w.seen[key] || !w.b.q.Period.Contains(v.Arrived) || !w.b.wants(v.Job, v.Arrived) {
			continue
		}
		w.seen[key] = true
		t := w.b.termsOf(v.Job, v.Arrived, w.truck, v.Positions)
		if t == nil {
			w.b.unpriced(Unpriced{Job: v.Job, Truck: w.truck, Kind: ForFee, What: "visit", From: v.Arrived, To: v.Arrived, Micro: 1_000_000, Unit: "each",
				Positions: v.Positions}, v.Arrived)
			continue
		}
		w.fees(t, "visit", key.text(), t.day(v.Arrived), v.Arrived, v.Positions)
	}
}

type dayKey struct {
	truck events.TruckID
	job   events.JobID
	day   string
}

// dayFee charges the fees per day at the first time on the job on a local day.
func (w *work) dayFee(p *piece) {
	if p.t == nil || p.s.Visit < 0 {
		return
	}
	k := dayKey{w.truck, p.s.Job, p.day}
	if w.b.dayFees[k] {
		return
	}
	w.b.dayFees[k] = true
	if p.inside {
		w.fees(p.t, "day", fmt.Sprintf("%s/%s/%s", k.job, k.truck, k.day), p.day, p.visitAt, p.s.Positions)
	}
}

// fees adds the fixed fees of a card for one visit or day.
func (w *work) fees(t *terms, per, key, day string, visit events.Time, cites []uint64) {
	for n, fee := range t.card.Fees {
		if fee.Per != per {
			continue
		}
		l := t.line(ForFee, w.truck, cites)
		l.Key, l.What, l.Day, l.Visit = fmt.Sprintf("%s/fee-%d", key, n), fee.Name, day, visit
		l.Micro, l.Unit, l.Rate = 1_000_000, "each", number(fee.Amount)
		l.price(1, 1)
		w.b.put(l, &trace{t: t, per: per})
	}
}

// water charges the fresh water used on jobs: jetting, and what entries of other
// use name a job for. A line is a truck's local day on a job.
func (b *builder) water(truck events.TruckID, a *tank.Account) {
	lines, whys, order := map[string]*Line{}, map[string]*trace{}, []string{}
	use := func(e *reports.Entry, job events.JobID, ml int64) {
		if ml <= 0 || job == "" || !b.q.Period.Contains(e.Occurred) || !b.wants(job, e.Occurred) {
			return
		}
		t := b.termsOf(job, e.Occurred, truck, e.Positions)
		if t == nil {
			b.unpriced(Unpriced{Job: job, Truck: truck, Kind: ForWater, What: "fresh water used", From: e.Occurred, To: e.Occurred, Micro: ml, Unit: "kL",
				Positions: e.Positions}, e.Occurred)
		}
		if t == nil || t.card.WaterPerKL == "" {
			return
		}
		key := fmt.Sprintf("%s/%s/%s/water/%s", job, truck, t.day(e.Occurred), t.card.WaterPerKL)
		l := lines[key]
		if l == nil {
			made := t.line(ForWater, truck, nil)
			l = &made
			l.Key, l.What, l.Day, l.Unit, l.Rate = key, "fresh water used", t.day(e.Occurred), "kL", number(t.card.WaterPerKL)
			lines[key], whys[key] = l, &trace{t: t}
			order = append(order, key)
		}
		whys[key].uses = append(whys[key].uses, waterUse{ml, string(e.Kind()), e.Occurred, e.Positions})
		l.Micro += ml
		l.Positions = reports.Union(l.Positions, e.Positions)
	}
	for i := range a.Loads {
		use(a.Loads[i].Entry, a.Loads[i].Job, a.Loads[i].JettingML)
	}
	for i := range a.Uses {
		use(a.Uses[i].Entry, a.Uses[i].Entry.Job, a.Uses[i].VolumeML)
	}
	for _, key := range order {
		l := lines[key]
		l.price(l.Micro, 1_000_000)
		b.put(*l, whys[key])
	}
}
