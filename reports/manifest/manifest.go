// Package manifest accounts for spoil from the site where it was dug to the
// facility where it was tipped: one consignment for each tip, with where it came
// from, what it is, how much, who carried it, when, to whom, and what the record
// still lacks.
//
// A tank holds the loads of several jobs at once. A tip takes from each of them by
// mass, in whole grams by largest remainder, so the contributions of a consignment
// always sum to the consignment. For example a tank with 3600 kg of job J-101 and
// 2000 kg of job J-102, of which 1400 kg are tipped, gives
//
//	TM-01-20261005-1   J-101   900 kg
//	                   J-102   500 kg
//
// A consignment has the register's words of when it was tipped: whose the jobs are,
// how the materials are classified, who carried it, the facility's permit. A material
// that was classified otherwise afterwards, or by an entry that came afterwards, is
// noted with it. What a facility refused is listed with where it went in the end; what
// it gave back is in a later consignment once more, and the one that had brought it
// keeps its figures. A docket is held against what was still there when it weighed.
//
// A code of the List of Wastes that is one of a mirror pair rests on an assessment.
// Who made it and on what basis is the register's to say; nothing here picks one.
//
// The quantity is the account's; the docket's net mass stands beside it and is
// never reduced by water that was decanted or kept. A complete record is not a
// statement of legal compliance: a [Profile] says what a written law or a usual
// note asks for, and what of it this ledger does not hold.
package manifest

import (
	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
	"time"
)

// Options selects how a manifest is made. The zero value is the usual one.
type Options struct {
	// Profile is what completeness is held against; "" is [General].
	Profile Profile
	// Tank selects the rules by which the tank is kept.
	Tank tank.Options
	// ReconcileDays is how long a significant discrepancy may stay open under the
	// US form profile; 0 is 15 days (40 CFR 264.72(c)).
	ReconcileDays int
	// Zones finds a time zone by its name; nil is time.LoadLocation. A place whose
	// zone is not found has its days in the period's zone.
	Zones func(name string) (*time.Location, error)
}

// Report is the manifest of a period. Lists are in a fixed order: consignments by
// the time tipped, the others by their first columns.
type Report struct {
	Request      reports.Request
	Position     uint64 // the last ledger position covered
	Profile      Profile
	Narrowed     bool // a job or a client was asked for: others are shown only as sums
	Consignments []Consignment
	Refusals     []Refusal
	Returns      []Return
	Held         []Holding
	Jobs         []JobTotal
	Receipts     []Receipt
	Balances     []Balance
	Totals       Totals
	Findings     []reports.Finding

	options Options
	journal *reports.Journal
}

// Totals are the report's sums, taken from the movements of the account and not
// from the rows they are held against.
type Totals struct {
	Tipped       Amount // all of the consignments listed
	Asked        Amount // the part of the jobs asked for
	DocketNetG   int64
	SharedG      int64 // the part of DocketNetG that could be divided among jobs
	DifferenceG  int64 // docket net less account, of the consignments with a docket
	Held         Amount
	Consignments int64
	// Returned is what facilities gave back in the period, of the returns listed, and
	// ReturnedAsked the part of the jobs asked for.
	Returned, ReturnedAsked Amount
}

// Amount is a quantity of spoil.
type Amount struct{ SolidsG, WaterG, VolumeML int64 }

// MassG returns solids and water together.
func (a Amount) MassG() int64 { return a.SolidsG + a.WaterG }

// Plus returns the sum of two amounts.
func (a Amount) Plus(b Amount) Amount {
	return Amount{a.SolidsG + b.SolidsG, a.WaterG + b.WaterG, a.VolumeML + b.VolumeML}
}

// Minus returns a less b.
func (a Amount) Minus(b Amount) Amount {
	return Amount{a.SolidsG - b.SolidsG, a.WaterG - b.WaterG, a.VolumeML - b.VolumeML}
}

// Compute makes the manifest of the tips that occurred in the period asked for. A
// request for a job or a client lists the consignments that hold spoil of it, with
// the shares of all others as one sum.
func Compute(j *reports.Journal, q reports.Request, o Options) *Report {
	o = o.withDefaults()
	b := &builder{j: j, q: q, o: o, narrowed: q.Filter.Job != "" || q.Filter.Client != "",
		zones: zones{o.Zones, map[string]*time.Location{}}, jobs: map[jobKey]*JobTotal{}, receipts: map[receiptKey]*Receipt{}}
	b.r = &Report{Request: q, Position: j.Position, Profile: o.Profile, Narrowed: b.narrowed, options: o, journal: j}
	for _, id := range q.Trucks(j) {
		b.truck(id)
	}
	b.finish()
	return b.r
}

func (o Options) withDefaults() Options {
	if !o.Profile.Known() {
		o.Profile = General
	}
	if o.ReconcileDays <= 0 {
		o.ReconcileDays = 15
	}
	if o.Zones == nil {
		o.Zones = time.LoadLocation
	}
	o.Tank.OmitMovements = false // the totals rest on the movements
	return o
}

// builder gathers the report of one request.
type builder struct {
	j        *reports.Journal
	q        reports.Request
	o        Options
	r        *Report
	narrowed bool
	zones    zones
	jobs     map[jobKey]*JobTotal
	receipts map[receiptKey]*Receipt
}

// wants reports whether spoil of a job, loaded at a time, may be shown by name.
func (b *builder) wants(id events.JobID, at events.Time) bool {
	if !b.narrowed {
		return true
	}
	return id != "" && b.q.WantsJob(b.j, id, at)
}

// truck adds what the account of one truck gives.
func (b *builder) truck(id events.TruckID) {
	a := b.account(id)
	listed := b.consignments(a)
	b.refusals(a, listed)
	b.returns(a)
	b.held(a)
	if len(listed) > 0 || !b.narrowed || b.holds(id) {
		b.balance(a)
	}
	b.totals(a, listed)
	b.accountFindings(a, listed)
}

// finish puts in order what was gathered by truck.
func (b *builder) finish() {
	sortConsignments(b.r.Consignments)
	b.markRepeatedNumbers()
	for i := range b.r.Consignments {
		c := &b.r.Consignments[i]
		c.Missing = append(c.Missing, missing(b.o, c)...)
		b.check(c)
		b.checkReclassified(c)
	}
	b.checkClassified()
	b.checkMirrors()
	b.checkPlates()
	b.orderReturns()
	b.orderTotals()
	reports.SortFindings(b.r.Findings)
}
