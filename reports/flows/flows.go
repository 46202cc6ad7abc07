// Package flows tells a period of tanks as what flowed into and out of them: from each job's site, from jetting and washing, through a
// truck's debris tank, to outfalls and facilities; what was in the tanks before and after; and, never left out, what is unaccounted for.
// For example a tank that got 4.7 m3 from the site of J-101 with 3 m3 of it jetting water, of which 1.5 m3 were decanted and the rest
// tipped, is
//
//	site J-101     1.742576 m3  ->  TM-01  ->  1.500000 m3  outfall O-SEWER
//	jetting water  3.000000 m3  ->         ->  3.242576 m3  facility F-PIT
//
// Solids and water balance to the gram, for each truck, job and month and for all together. Volumes are the account's own millilitres,
// rounded entry by entry; what that leaves over is a flow of its own, [Rounding]. What was tipped or decanted beyond what a tank held
// enters as unaccounted and leaves as what it was said to be, as nobody's.
//
// Amounts come from the fold's lists of loads, decants, tips, returns and gauges; what the tanks held comes from its double-entry
// movements, so that the balance is a check of one against the other.
package flows

import (
	"cmp"
	"maps"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/manifest"
	"spoilbook/reports/tank"
)

// Amount is solids and water in grams and their volume in millilitres.
type Amount = manifest.Amount

// Kind is what a flow comes from or goes to.
type Kind string

// The kinds. Those up to UnaccountedIn flow into a tank, those after it out of one; Rounding may do either.
const (
	Site           Kind = "site"       // soil and its water
	Jetting        Kind = "jetting"    // jetting water that came with loads
	WashedIn       Kind = "washed-in"  // other fresh water that was let into the tank
	GivenBack      Kind = "given-back" // by a facility
	HeldBefore     Kind = "held-before"
	UnaccountedIn  Kind = "unaccounted-in" // what a gauge added, and what was tipped, decanted or given back beyond what there was
	Outfall        Kind = "outfall"
	Facility       Kind = "facility"
	HeldAfter      Kind = "held-after"
	UnaccountedOut Kind = "unaccounted-out" // what a gauge took
	Rounding       Kind = "rounding"        // of volumes, solids and water are none
)

// Flow is what flowed between a truck's tank and one end, of one job in one month.
type Flow struct {
	Truck  events.TruckID
	Job    events.JobID // "" for what is nobody's
	Month  string       // local month, "2026-10"
	In     bool         // into the tank
	Kind   Kind
	ID     string // of the outfall, the facility, or the job of a site
	Amount Amount
	Cites  []uint64
}

// Unaccounted is what moved to or from the account "unaccounted", by what shows it.
type Unaccounted struct {
	By        string // "gauge", "docket", ...: the movement's note
	Tank      string // "debris", "fresh", or "facility" where only a docket contradicts
	Of        string // truck
	From      bool   // out of unaccounted, so that there was more than the account knew
	Solids, G int64  // solids, and solids and water together, in grams
	Cites     []uint64
}

// Docket is what the dockets of a facility say against the account.
type Docket struct {
	Facility              events.FacilityID
	Dockets               int64
	AccountG, NetG, OverG int64 // OverG is net less account
	Cites                 []uint64
}

// Report is the flows of a period.
type Report struct {
	Request     reports.Request
	Position    uint64
	Flows       []Flow // of the whole period: what the tanks held between two months is left out
	Months      []Month
	Unaccounted []Unaccounted
	Dockets     []Docket

	book names
}

// Month is one local month of the period, as far as it lies in it.
type Month struct {
	Name  string
	Flows []Flow
}

type names interface {
	Job(events.JobID, events.Time) (events.Job, bool)
	Facility(events.FacilityID, events.Time) (events.Facility, bool)
	Outfall(events.OutfallID, events.Time) (events.Outfall, bool)
}

type key struct {
	truck events.TruckID
	job   events.JobID
	in    bool
	kind  Kind
	id    string
}

// Compute tells the flows of the period, trucks and jobs asked for.
func Compute(j *reports.Journal, q reports.Request, o tank.Options) *Report {
	o.OmitMovements = false
	r := &Report{Request: q, Position: j.Position, book: j.Book}
	b := &builder{j: j, q: q, r: r, unaccounted: map[unaccountedKey]*Unaccounted{}, dockets: map[events.FacilityID]*Docket{}}
	accounts := []*tank.Account{}
	for _, id := range q.Trucks(j) {
		a := tank.Fold(j, id, o)
		accounts = append(accounts, a)
		b.contradicted(a)
	}
	for _, p := range months(q.Period) {
		b.period, b.flows = p, map[key]*Flow{}
		for _, a := range accounts {
			b.truck(a)
		}
		r.Months = append(r.Months, Month{Name: p.Day(p.From)[:7], Flows: b.sorted()})
	}
	r.whole()
	for _, k := range slices.SortedFunc(maps.Keys(b.unaccounted), compareUnaccounted) {
		r.Unaccounted = append(r.Unaccounted, *b.unaccounted[k])
	}
	for _, id := range slices.Sorted(maps.Keys(b.dockets)) {
		r.Dockets = append(r.Dockets, *b.dockets[id])
	}
	return r
}

// months cuts a period where a local month begins.
func months(p reports.Period) []reports.Period {
	list := []reports.Period{}
	for from := p.From; from.Before(p.To); {
		y, m, _ := p.Local(from).Date()
		to := events.TimeOf(reports.StartOfDay(y, m+1, 1, p.Zone))
		if p.To.Before(to) {
			to = p.To
		}
		list = append(list, reports.Period{From: from, To: to, Zone: p.Zone})
		from = to
	}
	return list
}

type builder struct {
	j           *reports.Journal
	q           reports.Request
	r           *Report
	period      reports.Period // a month of it
	flows       map[key]*Flow
	unaccounted map[unaccountedKey]*Unaccounted
	dockets     map[events.FacilityID]*Docket
}

func (b *builder) wants(job events.JobID, at events.Time) bool {
	return b.q.Filter.Job == "" && b.q.Filter.Client == "" || job != "" && b.q.WantsJob(b.j, job, at)
}

// add counts a flow of a job asked for.
func (b *builder) add(a *tank.Account, job events.JobID, at events.Time, in bool, kind Kind, id string, x Amount, cites []uint64) {
	if x == (Amount{}) || !b.wants(job, at) {
		return
	}
	k := key{a.Truck, job, in, kind, id}
	f := b.flows[k]
	if f == nil {
		f = &Flow{Truck: a.Truck, Job: job, Month: b.period.Day(b.period.From)[:7], In: in, Kind: kind, ID: id}
		b.flows[k] = f
	}
	f.Amount = f.Amount.Plus(x)
	f.Cites = append(f.Cites, cites...)
}

func (b *builder) truck(a *tank.Account) {
	b.held(a, b.period.From, true, HeldBefore)
	b.loads(a)
	for i := range a.Decants {
		if d := &a.Decants[i]; b.period.Contains(d.Entry.Occurred) {
			rest := b.shares(a, d.Entry, false, Outfall, string(d.Outfall), d.Shares)
			b.beyond(a, d.Entry, Outfall, string(d.Outfall), Amount{SolidsG: d.UnheldSolidsG, WaterG: d.UnheldWaterG, VolumeML: d.VolumeML - rest})
		}
	}
	for i := range a.Tips {
		if t := &a.Tips[i]; b.period.Contains(t.Entry.Occurred) {
			rest := b.shares(a, t.Entry, false, Facility, string(t.Facility), t.Shares)
			b.beyond(a, t.Entry, Facility, string(t.Facility), Amount{SolidsG: t.UnheldSolidsG, WaterG: t.UnheldWaterG, VolumeML: t.VolumeML - rest})
		}
	}
	for i := range a.Returns {
		if r := &a.Returns[i]; b.period.Contains(r.Entry.Occurred) {
			rest := b.shares(a, r.Entry, true, GivenBack, string(r.Facility), r.Shares)
			b.add(a, "", r.Entry.Occurred, true, UnaccountedIn, "", Amount{SolidsG: r.UntippedSolidsG, WaterG: r.UntippedWaterG, VolumeML: r.VolumeML - rest}, r.Entry.Positions)
		}
	}
	for i := range a.Gauges {
		g := &a.Gauges[i]
		if body, ok := g.Entry.Body.(events.TankGauged); !ok || body.Tank != events.DebrisTank || !b.period.Contains(g.Entry.Occurred) {
			continue
		}
		if g.AdjustedML > 0 {
			b.add(a, "", g.Entry.Occurred, true, UnaccountedIn, "", Amount{WaterG: g.AdjustedML, VolumeML: g.AdjustedML}, g.Entry.Positions)
		}
		b.shares(a, g.Entry, false, UnaccountedOut, "", g.Shares)
	}
	b.held(a, b.period.To, false, HeldAfter)
	b.round(a)
}

func (b *builder) loads(a *tank.Account) {
	for i := range a.Loads {
		l := &a.Loads[i]
		if !b.period.Contains(l.Entry.Occurred) {
			continue
		}
		jetted := l.JettingML - l.LostML // 1 g is 1 mL
		b.add(a, l.Job, l.Entry.Occurred, true, Site, string(l.Job), Amount{SolidsG: l.SolidsG, WaterG: l.WaterG - jetted, VolumeML: l.VolumeML - jetted}, l.Entry.Positions)
		b.add(a, l.Job, l.Entry.Occurred, true, Jetting, "", Amount{WaterG: jetted, VolumeML: jetted}, l.Entry.Positions)
	}
	for i := range a.Uses {
		if u := &a.Uses[i]; u.IntoDebrisTank && b.period.Contains(u.Entry.Occurred) {
			b.add(a, u.Entry.Job, u.Entry.Occurred, true, WashedIn, "", Amount{WaterG: u.VolumeML, VolumeML: u.VolumeML}, u.Entry.Positions)
		}
	}
}

// shares counts what an entry moved of each parcel and returns the volume of all of them.
func (b *builder) shares(a *tank.Account, e *reports.Entry, in bool, kind Kind, id string, shares []tank.Share) (volumeML int64) {
	for i := range shares {
		s := &shares[i]
		volumeML += s.VolumeML
		b.add(a, s.Job, e.Occurred, in, kind, id, Amount{SolidsG: s.SolidsG, WaterG: s.WaterG, VolumeML: s.VolumeML}, e.Positions)
	}
	return volumeML
}

// beyond counts what left by an entry and was in no parcel: nobody's, and out of nowhere where it has a mass.
func (b *builder) beyond(a *tank.Account, e *reports.Entry, kind Kind, id string, x Amount) {
	if x.SolidsG != 0 || x.WaterG != 0 {
		b.add(a, "", e.Occurred, true, UnaccountedIn, "", x, e.Positions)
	}
	b.add(a, "", e.Occurred, false, kind, id, x, e.Positions)
}

// held counts what the movements leave in the tank at a time, exclusive, as the manifest does.
func (b *builder) held(a *tank.Account, to events.Time, in bool, kind Kind) {
	type parcel struct {
		job      events.JobID
		material events.MaterialID
	}
	type sum struct {
		Amount
		last  events.Time
		cites []uint64
	}
	held := map[parcel]*sum{}
	for i := range a.Movements {
		m := &a.Movements[i]
		if !m.At.Before(to) || m.From != tank.DebrisTank && m.To != tank.DebrisTank {
			continue
		}
		k := parcel{m.Job, m.Material}
		if held[k] == nil {
			held[k] = &sum{}
		}
		s, moved := held[k], Amount{SolidsG: m.SolidsG, WaterG: m.WaterG}
		if m.From == tank.DebrisTank {
			s.Amount = s.Minus(moved)
			continue
		}
		if s.MassG() == 0 {
			s.cites = nil // empty before
		}
		s.Amount, s.last, s.cites = s.Plus(moved), m.At, append(s.cites, m.Positions...)
	}
	for k, s := range held {
		if s.MassG() == 0 {
			continue
		}
		material, _ := b.j.Book.Material(k.material, s.last)
		s.VolumeML = tank.Phases{SolidsG: s.SolidsG, WaterG: s.WaterG}.VolumeML(cmp.Or(material.ParticleDensityKgPerM3, tank.DefaultParticleDensityKgPerM3))
		at := events.Time{UnixMS: to.UnixMS - 1, OffsetMinutes: to.OffsetMinutes}
		b.add(a, k.job, at, in, kind, "", s.Amount, s.cites)
	}
}

// round adds what rounding leaves over of the volumes of one tank, for each job.
func (b *builder) round(a *tank.Account) {
	over := map[events.JobID]int64{}
	for k, f := range b.flows {
		if k.truck != a.Truck {
			continue
		}
		if k.in {
			over[k.job] += f.Amount.VolumeML
		} else {
			over[k.job] -= f.Amount.VolumeML
		}
	}
	for job, ml := range over {
		k := key{a.Truck, job, ml < 0, Rounding, ""}
		if ml != 0 {
			b.flows[k] = &Flow{Truck: a.Truck, Job: job, Month: b.period.Day(b.period.From)[:7], In: ml < 0, Kind: Rounding, Amount: Amount{VolumeML: max(ml, -ml)}}
		}
	}
}

func (b *builder) sorted() []Flow {
	list := make([]Flow, 0, len(b.flows))
	for _, f := range b.flows {
		f.Cites = reports.Union(f.Cites)
		list = append(list, *f)
	}
	slices.SortFunc(list, compareFlows)
	return list
}

func compareFlows(x, y Flow) int {
	side := func(f *Flow) int {
		if f.In {
			return 0
		}
		return 1
	}
	return cmp.Or(cmp.Compare(side(&x), side(&y)), cmp.Compare(x.Kind, y.Kind), cmp.Compare(x.ID, y.ID), cmp.Compare(x.Truck, y.Truck), cmp.Compare(x.Job, y.Job))
}

// whole puts the months together. What was in the tanks between two of them flowed nowhere.
func (r *Report) whole() {
	flows, over := map[key]*Flow{}, map[key]int64{}
	for i, m := range r.Months {
		for _, f := range m.Flows {
			k := key{f.Truck, f.Job, f.In, f.Kind, f.ID}
			if f.Kind == Rounding || f.Kind == HeldBefore && i > 0 || f.Kind == HeldAfter && i < len(r.Months)-1 {
				continue
			}
			if flows[k] == nil {
				flows[k] = &Flow{Truck: f.Truck, Job: f.Job, In: f.In, Kind: f.Kind, ID: f.ID}
			}
			flows[k].Amount, flows[k].Cites = flows[k].Amount.Plus(f.Amount), append(flows[k].Cites, f.Cites...)
		}
	}
	for k, f := range flows {
		if k.in {
			over[key{truck: k.truck, job: k.job}] += f.Amount.VolumeML
		} else {
			over[key{truck: k.truck, job: k.job}] -= f.Amount.VolumeML
		}
	}
	for k, ml := range over {
		if ml != 0 {
			flows[key{k.truck, k.job, ml < 0, Rounding, ""}] = &Flow{Truck: k.truck, Job: k.job, In: ml < 0, Kind: Rounding, Amount: Amount{VolumeML: max(ml, -ml)}}
		}
	}
	r.Flows = (&builder{flows: flows}).sorted()
}

type unaccountedKey struct {
	by, tank string
	truck    events.TruckID
	from     bool
}

func compareUnaccounted(x, y unaccountedKey) int {
	side := func(k unaccountedKey) int {
		if k.from {
			return 0
		}
		return 1
	}
	return cmp.Or(cmp.Compare(x.tank, y.tank), cmp.Compare(x.by, y.by), cmp.Compare(x.truck, y.truck), cmp.Compare(side(x), side(y)))
}

// contradicted gathers what the account of a truck has under "unaccounted", and its dockets.
func (b *builder) contradicted(a *tank.Account) {
	for i := range a.Movements {
		m := &a.Movements[i]
		if m.From != tank.Unaccounted && m.To != tank.Unaccounted || !b.q.Period.Contains(m.At) || !b.wants(m.Job, m.At) || m.Note == "opening" {
			continue
		}
		k := unaccountedKey{cmp.Or(m.Note, "gauge"), "facility", a.Truck, m.From == tank.Unaccounted}
		switch (map[bool]tank.AccountName{true: m.To, false: m.From})[k.from] {
		case tank.DebrisTank:
			k.tank = "debris"
		case tank.FreshTank:
			k.tank = "fresh"
		}
		if b.unaccounted[k] == nil {
			b.unaccounted[k] = &Unaccounted{By: k.by, Tank: k.tank, Of: string(a.Truck), From: k.from}
		}
		u := b.unaccounted[k]
		u.Solids, u.G, u.Cites = u.Solids+m.SolidsG, u.G+m.SolidsG+m.WaterG, reports.Union(u.Cites, m.Positions)
	}
	if b.q.Filter.Job != "" || b.q.Filter.Client != "" {
		return // a docket is of a whole load
	}
	for i := range a.Tips {
		t := &a.Tips[i]
		if t.Docket == nil || !b.q.Period.Contains(t.Entry.Occurred) {
			continue
		}
		if b.dockets[t.Facility] == nil {
			b.dockets[t.Facility] = &Docket{Facility: t.Facility}
		}
		d := b.dockets[t.Facility]
		d.Dockets++
		d.AccountG, d.NetG, d.OverG = d.AccountG+t.Docket.AccountG, d.NetG+t.Docket.NetG, d.OverG+t.Docket.DifferenceG
		d.Cites = reports.Union(d.Cites, t.Docket.Entry.Positions)
	}
}

// Sum adds up the flows that a test holds for.
func Sum(flows []Flow, of func(*Flow) bool) Amount {
	sum := Amount{}
	for i := range flows {
		if of(&flows[i]) {
			sum = sum.Plus(flows[i].Amount)
		}
	}
	return sum
}

// Name returns what people call the end of a flow that has a name of its own.
func (r *Report) Name(kind Kind, id string) string {
	at := events.Time{UnixMS: r.Request.Period.To.UnixMS - 1}
	switch kind {
	case Site:
		if job, ok := r.book.Job(events.JobID(id), at); ok {
			return id + " " + cmp.Or(job.SiteAddress, job.Name)
		}
	case Facility, GivenBack:
		if f, ok := r.book.Facility(events.FacilityID(id), at); ok {
			return f.Name
		}
	case Outfall:
		if o, ok := r.book.Outfall(events.OutfallID(id), at); ok {
			return o.Name
		}
	}
	return id
}
