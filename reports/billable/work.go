package billable

import (
	"fmt"
	"slices"

	"github.com/shopspring/decimal"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/timesplit"
)

// visitKey identifies a visit; work of a job without one is gathered by shift.
type visitKey struct {
	truck events.TruckID
	job   events.JobID
	began int64
	shift bool
}

// lineKey identifies the time that makes one line.
type lineKey struct {
	visit    visitKey
	day      string
	activity events.Activity
	cause    string
	band     string
	offset   int
	rate     string // and multiplier: a card can change under work without a visit
}

// groupKey identifies what rounding and minimum are applied to: a visit, or a
// truck's local day on a job, with an empty day for a visit.
type groupKey struct {
	visit visitKey
	day   string
}

// allowance is what is left of a visit's free standby and capped travel, and how much
// of both there was in all.
type allowance struct {
	freeMS, travelMS          int64
	allStandbyMS, allTravelMS int64
}

// piece is time of one slice, within one band of one local day.
type piece struct {
	s        *timesplit.Slice
	t        *terms
	visit    visitKey
	visitAt  events.Time
	from, to events.Time
	day      string
	offset   int
	band     string
	factor   decimal.Decimal
	inside   bool // within the period
}

func (p *piece) lengthMS() int64 { return p.to.UnixMS - p.from.UnixMS }

// work turns one truck's slices into lines.
type work struct {
	b      *builder
	truck  events.TruckID
	left   map[visitKey]*allowance
	lines  map[lineKey]*Line
	whys   map[lineKey]*trace
	order  []lineKey // in which lines began
	groups map[groupKey]*group
	queue  []groupKey // in which groups began
	seen   map[visitKey]bool
}

// slice bills one slice, or lists why not.
func (w *work) slice(s *timesplit.Shift, c *timesplit.Slice) {
	visit := visitKey{truck: w.truck, job: c.Job, began: s.From.UnixMS, shift: true}
	at, visitAt := c.From, events.Time{}
	if c.Visit >= 0 {
		visitAt = s.Visits[c.Visit].Arrived
		visit.began, visit.shift, at = visitAt.UnixMS, false, visitAt
	}
	if !w.b.wants(c.Job, at) {
		return
	}
	var t *terms
	if c.Job != "" {
		t = w.b.termsOf(c.Job, at, w.truck, c.Positions)
	}
	for _, p := range w.cut(c, t) {
		p.visit, p.visitAt = visit, visitAt
		if p.inside {
			w.b.r.ShiftMS += p.lengthMS()
		}
		if p.inside && t == nil && c.Job != "" {
			w.b.unpriced(Unpriced{Job: c.Job, Truck: w.truck, Kind: ForTime, What: describe(c), From: p.from, To: p.to, Unit: "h",
				Micro: reports.MulDiv(p.lengthMS(), 1_000_000, hourMS), Positions: c.Positions}, at)
		}
		w.dayFee(&p)
		w.settle(p)
	}
}

// cut divides a slice at the period's edges and at the job's bands, midnights and
// clock changes.
func (w *work) cut(c *timesplit.Slice, t *terms) []piece {
	list := []piece{}
	period := w.b.q.Period
	bounds := []events.Time{c.From}
	for _, edge := range []events.Time{period.From, period.To} {
		if c.From.Before(edge) && edge.Before(c.To) {
			bounds = append(bounds, edge)
		}
	}
	bounds = append(bounds, c.To)
	for i := 0; i+1 < len(bounds); i++ {
		inside := period.Contains(bounds[i])
		if t == nil {
			list = append(list, piece{s: c, from: bounds[i], to: bounds[i+1], inside: inside})
			continue
		}
		for _, part := range timesplit.LocalParts(bounds[i], bounds[i+1], t.zone, t.edges) {
			name, factor := t.bandAt(part.Day, part.Minute)
			if n := len(list); n > 0 && list[n-1].inside == inside && list[n-1].day == part.Day &&
				list[n-1].band == name && list[n-1].offset == part.OffsetSeconds {
				list[n-1].to = part.To
				continue
			}
			list = append(list, piece{s: c, t: t, from: part.From, to: part.To, day: part.Day, offset: part.OffsetSeconds,
				band: name, factor: factor, inside: inside})
		}
	}
	return list
}

// settle bills a piece, or the part of it that is billed.
func (w *work) settle(p piece) {
	if why := notBillable(&p); why != "" {
		w.refuse(p, why)
		return
	}
	left := w.left[p.visit]
	if left == nil {
		left = &allowance{freeMS: p.t.card.FreeStandbyMinutes * 60_000, travelMS: p.t.card.TravelCapMinutes * 60_000}
		w.left[p.visit] = left
	}
	switch p.s.Activity {
	case events.Standby:
		left.allStandbyMS += p.lengthMS()
	case events.Travel:
		left.allTravelMS += p.lengthMS()
	}
	switch {
	case p.s.Activity == events.Standby && left.freeMS > 0:
		free, rest := p.split(left.freeMS)
		left.freeMS -= free.lengthMS()
		w.refuse(free, "within the free standby of the visit")
		w.bill(rest)
	case p.s.Activity == events.Travel && p.t.card.TravelCapMinutes > 0:
		paid, rest := p.split(left.travelMS)
		left.travelMS -= paid.lengthMS()
		w.bill(paid)
		w.refuse(rest, "travel beyond the cap of the visit")
	default:
		w.bill(p)
	}
}

// split divides a piece after ms; either part may be empty.
func (p piece) split(ms int64) (head, tail piece) {
	head, tail = p, p
	if ms < p.lengthMS() {
		head.to = events.Time{UnixMS: p.from.UnixMS + ms, OffsetMinutes: p.from.OffsetMinutes}
	}
	tail.from = head.to
	return head, tail
}

// notBillable says why nothing of a piece is billed, or returns "".
func notBillable(p *piece) string {
	switch {
	case p.s.Job == "":
		return "no job"
	case p.t == nil:
		return "no rate card that can be applied"
	case p.s.Activity == events.Stopped && p.s.Side == events.ByCarrier:
		return "stop on the carrier's side"
	case p.s.Activity == events.Stopped && (p.s.Side == events.ByUnknown || p.s.Side == ""):
		return "stop on an unknown side"
	case p.s.Activity == events.Stopped && slices.Contains(p.t.card.CarrierBearsStops, p.s.Side):
		return "stop that the rate card leaves with the carrier (" + string(p.s.Side) + ")"
	case p.s.Activity == events.Standby && slices.Contains(p.t.card.CarrierBears, events.StandbyCause(p.s.Cause)):
		return "standby that the rate card leaves with the carrier (" + p.s.Cause + ")"
	}
	if _, listed := p.t.rates[p.s.Activity]; !listed {
		return string(p.s.Activity) + " is not on the rate card"
	}
	return ""
}

// refuse lists a piece as not billed; what follows on it for the same reason
// joins it.
func (w *work) refuse(p piece, why string) {
	if !p.inside || p.lengthMS() == 0 {
		return
	}
	n := NotBilled{Job: p.s.Job, Truck: w.truck, Activity: p.s.Activity, Cause: p.s.Cause, From: p.from, To: p.to, Reason: why,
		Positions: p.s.Positions}
	if p.t != nil {
		n.Client, n.Currency = p.t.job.Client, p.t.card.Currency
	}
	list := w.b.r.NotBilled
	if k := len(list); k > 0 && list[k-1].To.UnixMS == n.From.UnixMS && sameTime(&list[k-1], &n) {
		list[k-1].To = n.To
		return
	}
	w.b.r.NotBilled = append(list, n)
}

// sameTime reports whether y goes on with what x lists.
func sameTime(x, y *NotBilled) bool {
	return x.Truck == y.Truck && x.Job == y.Job && x.Activity == y.Activity && x.Cause == y.Cause && x.Reason == y.Reason &&
		x.Currency == y.Currency && slices.Equal(x.Positions, y.Positions)
}

// bill adds a piece to its line and its groups.
func (w *work) bill(p piece) {
	if p.lengthMS() == 0 {
		return
	}
	rate := p.t.rates[p.s.Activity]
	k := lineKey{p.visit, p.day, p.s.Activity, "", p.band, p.offset, rate.String() + "x" + p.factor.String()}
	if p.s.Activity == events.Standby {
		k.cause = p.s.Cause
	}
	l := w.lines[k]
	if l == nil {
		made := p.t.line(ForTime, w.truck, nil)
		l = &made
		l.Key, l.Visit, l.Day, l.Activity, l.Band = k.text(), p.visitAt, p.day, p.s.Activity, p.band
		l.Unit, l.Rate, l.Multiplier, l.What = "h", rate, p.factor, describe(p.s)
		w.lines[k], w.whys[k] = l, &trace{t: p.t, left: w.left[p.visit]}
		w.order = append(w.order, k)
	}
	if p.inside {
		if l.From.IsZero() {
			l.From = p.from
		}
		l.To = p.to
		l.BilledMS += p.lengthMS()
		w.whys[k].parts = append(w.whys[k].parts, part{describe(p.s), p.lengthMS(), p.from, p.to, p.s.Positions})
		l.Positions = reports.Union(l.Positions, p.s.Positions)
	}
	w.gather(&p, k)
}

func describe(s *timesplit.Slice) string {
	if s.Cause != "" {
		return string(s.Activity) + ": " + s.Cause
	}
	return string(s.Activity)
}

// text writes the key of a line.
func (k lineKey) text() string {
	return fmt.Sprintf("%s/%s/%s%s/%s%s/%s", k.visit.text(), k.day, k.activity, dashed(k.cause), k.band, offset(k.offset), k.rate)
}

func (k visitKey) text() string {
	at := events.Time{UnixMS: k.began}.String()
	if k.shift {
		at = "shift-" + at
	}
	return fmt.Sprintf("%s/%s/%s", k.job, k.truck, at)
}

func dashed(s string) string {
	if s == "" {
		return ""
	}
	return "-" + s
}

func offset(seconds int) string { return fmt.Sprintf("%+05d", seconds/3600*100+seconds/60%60) }
