// Package billable turns the time split and the tank's account into invoice
// lines, by the rate card that each job's client agreed to, and lists all time
// that was not billed with the reason: billed and not billed time together are the
// shifts' time in the period.
//
// For example a card with loading at 180.00 an hour, an evening band from 18:00
// at 1.5 and quarter hours rounded up, gives for a load from 17:20 to 18:50
//
//	2026-10-05  loading  ordinary  17:20-18:00  0:40 -> 0:45  180.00 x 1    135.00
//	2026-10-05  loading  evening   18:00-18:50  0:50 -> 1:00  180.00 x 1.5  270.00
//
// # Which card
//
// The job, its rate card, calendar and tax are those in force when the slice's
// visit began, so a visit is charged by one card throughout; time of a job without
// a visit goes by the card in force at its own start, and tips and water by the
// one in force when they occurred. So a version of the card, the calendar, the tax or
// the job's time zone that begins within a visit waits for the next visit. A day's
// rounding and minimum go by the card of its first billed time.
//
// A job without a card in force, or whose card needs a calendar or a zone that is not
// known, is not billed: the finding says what is missing and since when it is there,
// the time is among the time not billed, and all its work (time, spoil, water, visits)
// is listed as unpriced, so that it can be charged once the register is put right.
//
// # Bands
//
// Time is cut at the edges of the card's bands, at midnight and at clock changes,
// all by the clock of the job's time zone, and at the edges of the period. The
// first band in the card's list that matches counts; outside all it is "ordinary"
// at 1. A band that runs past midnight belongs to the day on which it began, on
// holidays too. A holiday is also its weekday, so a holiday band goes first. A
// band that ends when it begins is empty.
//
// # What is not billed
//
// In this order: time of no job; of a job without a card; stops on the carrier's
// side, on an unknown side, and on sides that the card leaves with the carrier;
// standby for causes that the carrier bears; activities that the card does not
// list; the free standby of each visit, its first minutes; travel of each visit
// beyond the cap, its last minutes. A reset does not restart the paid clock: only
// plant.restarted ends a stop.
//
// # Rounding and minimum
//
// Rounding by line rounds each line. By visit or day, the billed time of the
// truck's visit, or of its local day on the job, is rounded and the difference is
// a line of its own, at the rate of the last of that time, whose end it moves.
// The minimum comes after rounding of the same or a finer kind (line, visit, day),
// and before rounding of a coarser kind, which counts it: when some but less than
// the least time was billed, the shortfall is a line at the loading rate of the
// ordinary band; a card without a loading rate has no minimum. Both belong to the
// period in which the visit's or day's billed time ends, so that periods which
// follow each other add up.
//
// # Units, money, tax
//
// A tip is shared among the jobs whose spoil it held, by mass; its tonnes are the
// docket's where there is one and the account's otherwise, its cubic metres the
// account's. Gate fees need a docket. A fee per tip is shared in the same way. A
// fee per visit is charged for each visit, where it began; a fee per day for each
// local day on which a truck spent time on a visit to the job. Money is exact until a line's amount is rounded to hundredths,
// half away from zero or half to even. Currencies are never added up.
// Every currency is reckoned to hundredths of its unit.
//
// # Draft, issued, adjusted
//
// A report is a draft until it is issued with the ledger position that it covers. What
// is recorded later changes the next draft and never the issued one; the difference of
// the two, line by line, is an [Adjustment]. Any line can be explained
// ([Report.Explain]).
package billable

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/shopspring/decimal"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/tank"
	"spoilbook/reports/timesplit"
)

// Zones looks a time zone up by its IANA name.
type Zones func(name string) (*time.Location, error)

// Options selects how charges are made.
type Options struct {
	// Zones looks up the time zones of jobs. Without it only UTC and the zone of
	// the period are known.
	Zones Zones
	// Tank selects the rules by which tips are shared.
	Tank tank.Options
	// Card, where given, is applied to every job in the place of the card agreed
	// for it, to see what a period would come to: see [Compare].
	Card *events.RateCard
}

// Kind says what a line charges for.
type Kind string

// The kinds of line, in the order they are shown.
const (
	ForTime     Kind = "time"
	ForRounding Kind = "rounding"
	ForMinimum  Kind = "minimum"
	ForSpoil    Kind = "spoil"
	ForGateFee  Kind = "gate-fee"
	ForWater    Kind = "water"
	ForFee      Kind = "fee"
)

// Line is one line of an invoice.
type Line struct {
	Key         string // the same for the same work in every later report
	Kind        Kind
	Client      events.ClientID
	Job         events.JobID
	OrderNumber string
	Truck       events.TruckID
	Visit       events.Time // when the visit began, zero for none
	Day         string      // local day at the site
	What        string
	Activity    events.Activity // of time
	Band        string          // of time
	From, To    events.Time     // zero for lines that have no times of their own
	BilledMS    int64           // exact time behind the line
	ChargedMS   int64           // after rounding; may be negative on a rounding line
	Micro       int64           // quantity in millionths of Unit, of what is not time
	Unit        string          // "h", "t", "m³", "kL", "each"
	Rate        decimal.Decimal
	Multiplier  decimal.Decimal
	AmountCents int64
	Currency    string
	Tax         events.TaxID
	TaxPercent  decimal.Decimal
	TaxKnown    bool
	TaxPerLine  bool
	TaxCents    int64 // where tax is reckoned by line
	HalfEven    bool  // how money is rounded
	Positions   []uint64
}

// NotBilled is time that no line charges for.
type NotBilled struct {
	Client    events.ClientID
	Job       events.JobID
	Truck     events.TruckID
	Activity  events.Activity
	Cause     string
	From, To  events.Time
	Reason    string
	Currency  string // of the card in force, empty when there was none
	Positions []uint64
}

// LengthMS returns the length in milliseconds.
func (n *NotBilled) LengthMS() int64 { return n.To.UnixMS - n.From.UnixMS }

// Report holds the lines of a period, by client, job, day, truck, kind and time.
type Report struct {
	Request   reports.Request
	Position  uint64
	Lines     []Line
	NotBilled []NotBilled
	ShiftMS   int64 // all time of the shifts in the period that the request asks for
	Invoices  []Invoice
	Unpriced  []Unpriced                 // work of jobs that had no card which can be applied
	Clients   map[events.ClientID]string // names of those that have a line or time, where the register knows them
	Jobs      map[events.JobID]string
	Findings  []reports.Finding

	journal *reports.Journal
	traces  map[string]*trace // by line key
}

// Compute makes the invoice lines of a period.
func Compute(j *reports.Journal, q reports.Request, o Options) *Report {
	o.Tank.OmitMovements = true
	b := &builder{j: j, q: q, o: o, r: &Report{Request: q, Position: j.Position, journal: j, traces: map[string]*trace{}},
		agreed: map[agreedKey]*terms{}, lacks: map[agreedKey]string{}, zones: map[events.JobID][]zoneUse{}, said: map[string]bool{}, dayFees: map[dayKey]bool{}}
	for _, id := range q.Trucks(j) {
		b.truck(id)
	}
	b.finish()
	return b.r
}

// builder gathers the report of one request.
type builder struct {
	j       *reports.Journal
	q       reports.Request
	o       Options
	r       *Report
	agreed  map[agreedKey]*terms
	lacks   map[agreedKey]string // why a job has no terms at a time
	zones   map[events.JobID][]zoneUse
	said    map[string]bool // findings made once
	dayFees map[dayKey]bool // days whose fee has been seen
}

func (b *builder) truck(id events.TruckID) {
	shifts, findings := timesplit.Partition(b.j, id)
	b.keep(findings, shifts)
	w := &work{b: b, truck: id, groups: map[groupKey]*group{}, left: map[visitKey]*allowance{}, lines: map[lineKey]*Line{}, whys: map[lineKey]*trace{}, seen: map[visitKey]bool{}}
	for k := range shifts {
		for i := range shifts[k].Slices {
			w.slice(&shifts[k], &shifts[k].Slices[i])
		}
		w.visitFees(&shifts[k])
	}
	w.finish()
	account := tank.Fold(b.j, id, b.o.Tank)
	for i := range account.Tips {
		if t := &account.Tips[i]; b.q.Period.Contains(t.Entry.Occurred) {
			b.tip(id, t)
		}
	}
	b.water(id, account)
}

// keep takes over the findings of the partition that concern the period.
func (b *builder) keep(findings []reports.Finding, shifts []timesplit.Shift) {
	from, to := b.q.Period.From.UnixMS, b.q.Period.To.UnixMS
	for k := range shifts {
		if _, ok := shifts[k].Clip(b.q.Period); ok {
			from, to = min(from, shifts[k].From.UnixMS), max(to, shifts[k].To.UnixMS)
		}
	}
	for _, f := range findings {
		if f.At.UnixMS >= from && f.At.UnixMS < to && (f.Job == "" || b.wants(f.Job, f.At)) {
			b.r.Findings = append(b.r.Findings, f)
		}
	}
}

// wants reports whether a job is asked for; work of no job only when all are.
func (b *builder) wants(job events.JobID, at events.Time) bool {
	if b.q.Filter.Job == "" && b.q.Filter.Client == "" {
		return true
	}
	return job != "" && b.q.WantsJob(b.j, job, at)
}

// once adds a finding unless one with the same key was made.
func (b *builder) once(key string, f reports.Finding) {
	if !b.said[key] {
		b.said[key] = true
		b.r.Findings = append(b.r.Findings, f)
	}
}

func (b *builder) finish() {
	slices.SortStableFunc(b.r.Lines, compareLines)
	slices.SortStableFunc(b.r.NotBilled, func(x, y NotBilled) int {
		return cmp.Or(cmp.Compare(x.From.UnixMS, y.From.UnixMS), cmp.Compare(x.Truck, y.Truck))
	})
	b.findNotBilled()
	b.finishUnpriced()
	b.findZones()
	b.r.Invoices = invoicesOf(b.r.Lines)
	b.names()
	if list := b.r.Currencies(); len(list) > 1 {
		b.r.Findings = append(b.r.Findings, reports.NewFinding(reports.MixedCurrencies, "", b.q.Period.From, nil,
			"the lines are in %v", list))
	}
	reports.SortFindings(b.r.Findings)
}

// names looks up what clients and jobs are called at the end of the period.
func (b *builder) names() {
	b.r.Clients, b.r.Jobs = map[events.ClientID]string{}, map[events.JobID]string{}
	at := events.Time{UnixMS: b.q.Period.To.UnixMS - 1}
	for _, s := range b.r.ByJob() {
		if c, ok := b.j.Book.Client(s.Client, at); ok {
			b.r.Clients[s.Client] = c.Name
		}
		if job, ok := b.j.Book.Job(s.Job, at); ok {
			b.r.Jobs[s.Job] = job.Name
		}
	}
}

func compareLines(x, y Line) int {
	return cmp.Or(cmp.Compare(x.Client, y.Client), cmp.Compare(x.Job, y.Job), cmp.Compare(x.Day, y.Day), cmp.Compare(x.Truck, y.Truck),
		cmp.Compare(kindOrder(x.Kind), kindOrder(y.Kind)), cmp.Compare(x.Visit.UnixMS, y.Visit.UnixMS),
		cmp.Compare(x.From.UnixMS, y.From.UnixMS), cmp.Compare(x.Key, y.Key))
}

func kindOrder(k Kind) int {
	return slices.Index([]Kind{ForTime, ForRounding, ForMinimum, ForSpoil, ForGateFee, ForWater, ForFee}, k)
}

// findNotBilled notes time that was not billed, once for each truck, job and
// reason.
func (b *builder) findNotBilled() {
	type key struct {
		truck  events.TruckID
		job    events.JobID
		reason string
	}
	sum, first, order := map[key]int64{}, map[key]*NotBilled{}, []key{}
	cites := map[key][]uint64{}
	for i := range b.r.NotBilled {
		n := &b.r.NotBilled[i]
		k := key{n.Truck, n.Job, n.Reason}
		if first[k] == nil {
			first[k] = n
			order = append(order, k)
		}
		sum[k] += n.LengthMS()
		cites[k] = append(cites[k], n.Positions...)
	}
	for _, k := range order {
		f := reports.NewFinding(reports.NotBillable, k.truck, first[k].From, b.j.Cited(cites[k]), "%s not billed: %s", hoursMinutes(sum[k]), k.reason)
		f.Job = k.job
		b.r.Findings = append(b.r.Findings, f)
	}
}

func hoursMinutes(ms int64) string {
	return fmt.Sprintf("%d h %02d min", ms/3_600_000, ms/60_000%60)
}
