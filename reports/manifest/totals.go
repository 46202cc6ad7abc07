package manifest

import (
	"cmp"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

// JobTotal is what a job had loaded, decanted and tipped in the period. Solids and
// water are those of the account's movements, volumes those of its shares. Under a
// filter all jobs not asked for are one total with Other set.
type JobTotal struct {
	Job          events.JobID // "" for what is nobody's
	Other        bool
	Name, Client string
	Loads        int64
	Loaded       Amount
	Decanted     Amount // without what the tank did not hold
	Tipped       Amount
	Returned     Amount // by facilities, in the period
	DocketG      int64  // of the consignments with a docket
	Consignments int64
}

type jobKey struct {
	job   events.JobID
	other bool
}

// Receipt is what a facility received of a waste code in the period.
type Receipt struct {
	Facility     events.FacilityID
	Name         string
	Code         string // "" when the material is not known or not asked for
	Other        bool   // material of jobs not asked for
	Hazardous    bool
	Amount       Amount
	DocketG      int64
	Consignments int64
}

type receiptKey struct {
	facility         events.FacilityID
	code             string
	hazardous, other bool
}

// job returns the total that spoil of a job at a time belongs to.
func (b *builder) job(id events.JobID, at events.Time) *JobTotal {
	k := jobKey{id, !b.wants(id, at)}
	if k.other {
		k.job = ""
	}
	t := b.jobs[k]
	if t == nil {
		t = &JobTotal{Job: k.job, Other: k.other}
		b.jobs[k] = t
	}
	if job, ok := b.j.Book.Job(id, at); ok && !k.other {
		t.Name, t.Client = job.Name, string(job.Client)
		if client, known := b.j.Book.Client(job.Client, at); known {
			t.Client = client.Name
		}
	}
	return t
}

// receive counts what the facility of a consignment received: once for each code.
func (b *builder) receive(c *Consignment, parts []part) {
	seen := map[receiptKey]bool{}
	jobs := map[*JobTotal]bool{}
	for i := range parts {
		p := &parts[i]
		k := receiptKey{facility: c.Facility, other: !p.wanted}
		if p.wanted {
			k.code, k.hazardous = p.Spoil.WasteCode, p.Spoil.Hazardous
		}
		r := b.receipts[k]
		if r == nil {
			r = &Receipt{Facility: c.Facility, Code: k.code, Other: k.other, Hazardous: k.hazardous}
			b.receipts[k] = r
		}
		r.Name = c.Receiver.Name
		r.Amount = r.Amount.Plus(p.Amount)
		t := b.job(p.Job, c.at)
		if p.DocketG != nil {
			r.DocketG += *p.DocketG
			t.DocketG += *p.DocketG
		}
		if !seen[k] {
			seen[k] = true
			r.Consignments++
		}
		if !jobs[t] {
			jobs[t] = true
			t.Consignments++
		}
	}
}

// totals adds what the account says of the tips listed, and of the loads and
// decants of the jobs asked for.
func (b *builder) totals(a *account, listed []int) {
	tips := map[uint64]bool{}
	for _, i := range listed {
		t := &a.Tips[i]
		tips[t.Entry.Positions[0]] = true
		b.r.Totals.Consignments++
		b.r.Totals.Tipped.VolumeML += t.VolumeML
		b.tipVolumes(t)
		if t.Docket != nil {
			b.r.Totals.DocketNetG += t.Docket.NetG
			b.r.Totals.DifferenceG += t.Docket.DifferenceG
			if t.MassG() > 0 {
				b.r.Totals.SharedG += t.Docket.NetG
			}
		}
	}
	for i := range a.Movements {
		if m := &a.Movements[i]; tips[m.Positions[0]] && isFacility(m.To) {
			b.tipped(m)
		}
	}
	b.workOf(a)
}

func isFacility(n tank.AccountName) bool {
	return strings.HasPrefix(string(n), string(tank.FacilityAccount("")))
}

// tipped counts a movement into a facility.
func (b *builder) tipped(m *tank.Movement) {
	moved := Amount{SolidsG: m.SolidsG, WaterG: m.WaterG}
	b.r.Totals.Tipped = b.r.Totals.Tipped.Plus(moved)
	id := m.Job
	if m.From == tank.Unaccounted {
		id = "" // more than the tank held is nobody's, whoever entered the tip
	}
	if b.wants(id, m.At) {
		b.r.Totals.Asked = b.r.Totals.Asked.Plus(moved)
	}
	t := b.job(id, m.At)
	t.Tipped = t.Tipped.Plus(moved)
}

func (b *builder) tipVolumes(t *tank.Tip) {
	rest := t.VolumeML
	count := func(id events.JobID, volumeML int64) {
		b.job(id, t.Entry.Occurred).Tipped.VolumeML += volumeML
		if b.wants(id, t.Entry.Occurred) {
			b.r.Totals.Asked.VolumeML += volumeML
		}
	}
	for i := range t.Shares {
		count(t.Shares[i].Job, t.Shares[i].VolumeML)
		rest -= t.Shares[i].VolumeML
	}
	if rest != 0 {
		count("", rest)
	}
}

// workOf counts the loads and decants of the jobs asked for in the period.
func (b *builder) workOf(a *account) {
	for i := range a.Loads {
		l := &a.Loads[i]
		if !b.q.Period.Contains(l.Entry.Occurred) || !b.wants(l.Job, l.Entry.Occurred) {
			continue
		}
		t := b.job(l.Job, l.Entry.Occurred)
		t.Loads++
		t.Loaded = t.Loaded.Plus(Amount{l.SolidsG, l.WaterG, l.VolumeML})
	}
	for i := range a.Decants {
		d := &a.Decants[i]
		if !b.q.Period.Contains(d.Entry.Occurred) {
			continue
		}
		for k := range d.Shares {
			s := &d.Shares[k]
			if b.wants(s.Job, d.Entry.Occurred) {
				t := b.job(s.Job, d.Entry.Occurred)
				t.Decanted = t.Decanted.Plus(Amount{s.SolidsG, s.WaterG, s.VolumeML})
			}
		}
	}
}

// orderTotals puts the totals gathered by key in a fixed order.
func (b *builder) orderTotals() {
	for _, t := range b.jobs {
		b.r.Jobs = append(b.r.Jobs, *t)
	}
	slices.SortFunc(b.r.Jobs, func(x, y JobTotal) int {
		return cmp.Or(last(x.Other, y.Other), last(x.Job == "", y.Job == ""), cmp.Compare(x.Job, y.Job))
	})
	for _, r := range b.receipts {
		b.r.Receipts = append(b.r.Receipts, *r)
	}
	slices.SortFunc(b.r.Receipts, func(x, y Receipt) int {
		return cmp.Or(cmp.Compare(x.Facility, y.Facility), last(x.Other, y.Other), cmp.Compare(x.Code, y.Code),
			last(x.Hazardous, y.Hazardous))
	})
}

// last orders what is true after what is not.
func last(x, y bool) int {
	switch {
	case x == y:
		return 0
	case x:
		return 1
	}
	return -1
}
