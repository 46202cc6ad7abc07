package billable

import (
	"cmp"
	"slices"

	"github.com/shopspring/decimal"

	"spoilbook/events"
	"spoilbook/reports"
)

// Effect says what became of an invoice line.
type Effect string

// The effects.
const (
	Added   Effect = "added"
	Removed Effect = "removed"
	Changed Effect = "changed"
)

// Change is a line that is not what it was when the invoice was issued. Old is nil for
// one that was added, New for one that was removed.
type Change struct {
	Effect   Effect
	Old, New *Line
	Causes   []uint64 // events recorded after the issue that brought it about
}

// Line returns the line as it is now, or as it was when it is no more.
func (c *Change) Line() *Line {
	if c.New != nil {
		return c.New
	}
	return c.Old
}

// DifferenceCents returns how much more is charged now.
func (c *Change) DifferenceCents() int64 { return amountOf(c.New) - amountOf(c.Old) }

// DifferenceTaxCents returns how much more tax is reckoned by line now.
func (c *Change) DifferenceTaxCents() int64 { return taxOf(c.New) - taxOf(c.Old) }

func amountOf(l *Line) int64 {
	if l == nil {
		return 0
	}
	return l.AmountCents
}

func taxOf(l *Line) int64 {
	if l == nil {
		return 0
	}
	return l.TaxCents
}

// AdjustmentTotal is what one client's invoice in one currency under one tax was and
// is.
type AdjustmentTotal struct{ Old, New Invoice }

// NetCents returns the difference of the net amounts.
func (t *AdjustmentTotal) NetCents() int64 { return t.New.NetCents - t.Old.NetCents }

// TaxCents returns the difference of the taxes.
func (t *AdjustmentTotal) TaxCents() int64 { return t.New.TaxCents - t.Old.TaxCents }

// GrossCents returns the difference of net and tax together.
func (t *AdjustmentTotal) GrossCents() int64 { return t.NetCents() + t.TaxCents() }

// Adjustment is the difference between an invoice as it was issued and the same query
// at a later position. Nothing in the issued invoice changes. For example an on-site
// line of 2 h at 60.00 whose leaving was corrected to an hour later gives
//
//	changed  J-1/TM-01/...  2:00 -> 3:00   120.00 -> 180.00   +60.00, tax +13.80   because of 17
//
// Lines are compared by their keys, which are the same for the same work.
type Adjustment struct {
	Number  string // of the issued report
	Issued  uint64 // position at which it was issued
	Changes []Change
	Totals  []AdjustmentTotal

	now *Report
}

// Adjust compares an issued report with the same query at a later position.
func Adjust(number string, issued, now *Report) Adjustment {
	a := Adjustment{Number: number, Issued: issued.Position, now: now}
	old := map[string]*Line{}
	for i := range issued.Lines {
		old[issued.Lines[i].Key] = &issued.Lines[i]
	}
	for i := range now.Lines {
		l := &now.Lines[i]
		was := old[l.Key]
		delete(old, l.Key)
		switch {
		case was == nil:
			a.Changes = append(a.Changes, Change{Effect: Added, New: l})
		case was.Currency != l.Currency || was.Client != l.Client:
			// Another invoice gets the line.
			a.Changes = append(a.Changes, Change{Effect: Removed, Old: was}, Change{Effect: Added, New: l})
		case !sameCharge(was, l):
			a.Changes = append(a.Changes, Change{Effect: Changed, Old: was, New: l})
		}
	}
	for i := range issued.Lines {
		if l := &issued.Lines[i]; old[l.Key] != nil {
			a.Changes = append(a.Changes, Change{Effect: Removed, Old: l})
		}
	}
	slices.SortStableFunc(a.Changes, func(x, y Change) int {
		return cmp.Or(compareLines(*x.Line(), *y.Line()), -cmp.Compare(x.Effect, y.Effect))
	})
	a.findCauses(issued)
	a.Totals = totalsOf(issued.Invoices, now.Invoices)
	return a
}

// sameCharge reports whether two versions of a line charge the same for the same.
func sameCharge(x, y *Line) bool {
	return x.Job == y.Job && x.OrderNumber == y.OrderNumber && x.What == y.What && x.BilledMS == y.BilledMS && x.ChargedMS == y.ChargedMS &&
		x.Micro == y.Micro && x.Unit == y.Unit && x.Rate.Equal(y.Rate) && x.Multiplier.Equal(y.Multiplier) && x.AmountCents == y.AmountCents &&
		x.Tax == y.Tax && x.TaxPercent.Equal(y.TaxPercent) && x.TaxKnown == y.TaxKnown && x.TaxPerLine == y.TaxPerLine && x.TaxCents == y.TaxCents &&
		x.From.UnixMS == y.From.UnixMS && x.To.UnixMS == y.To.UnixMS
}

// totalsOf pairs the sums of two reports; one that is missing is zero.
func totalsOf(old, now []Invoice) []AdjustmentTotal {
	list := []AdjustmentTotal{}
	at := map[string]int{}
	find := func(v Invoice) *AdjustmentTotal {
		n, ok := at[v.key()]
		if !ok {
			n = len(list)
			at[v.key()] = n
			empty := v
			empty.Lines, empty.NetCents, empty.TaxCents = 0, 0, 0
			list = append(list, AdjustmentTotal{Old: empty, New: empty})
		}
		return &list[n]
	}
	for _, v := range old {
		find(v).Old = v
	}
	for _, v := range now {
		find(v).New = v
	}
	slices.SortStableFunc(list, func(x, y AdjustmentTotal) int {
		return cmp.Or(cmp.Compare(x.New.Client, y.New.Client), cmp.Compare(x.New.Currency, y.New.Currency), cmp.Compare(x.New.key(), y.New.key()))
	})
	return list
}

// Due is what an adjustment comes to in one currency.
type Due struct {
	Currency                     string
	NetCents, TaxCents           int64
	OldGrossCents, NewGrossCents int64
}

// GrossCents returns net and tax together.
func (d *Due) GrossCents() int64 { return d.NetCents + d.TaxCents }

// Due sums the adjustment by currency, sorted.
func (a *Adjustment) Due() []Due {
	list := []Due{}
	for i := range a.Totals {
		t := &a.Totals[i]
		n := slices.IndexFunc(list, func(d Due) bool { return d.Currency == t.New.Currency })
		if n < 0 {
			n = len(list)
			list = append(list, Due{Currency: t.New.Currency})
		}
		d := &list[n]
		d.NetCents, d.TaxCents = d.NetCents+t.NetCents(), d.TaxCents+t.TaxCents()
		d.OldGrossCents, d.NewGrossCents = d.OldGrossCents+t.Old.GrossCents(), d.NewGrossCents+t.New.GrossCents()
	}
	slices.SortFunc(list, func(x, y Due) int { return cmp.Compare(x.Currency, y.Currency) })
	return list
}

// late is an event recorded after the issue, with what it changes.
type late struct {
	position uint64
	changes  uint64 // the entry that it corrects, voids or weighs; 0 for none
	register events.Register
	key      string
	truck    events.TruckID
}

// lateEvents lists what was recorded after the issue, in order.
func (a *Adjustment) lateEvents() []late {
	j, list := a.now.journal, []late{}
	for p := a.Issued + 1; p <= a.now.Position; p++ {
		e := j.Recorded(p)
		if e == nil {
			continue
		}
		l := late{position: p, truck: e.Truck}
		switch b := e.Body.(type) {
		case events.ReportIssued:
			continue
		case events.RegisterRevised:
			if b.Document != nil {
				l.register, l.key = b.Document.Register(), b.Key
			}
		default:
			if l.changes = a.root(p); l.changes > 0 {
				l.truck = j.Recorded(l.changes).Truck // an office event may not name it
			}
		}
		list = append(list, l)
	}
	return list
}

// root follows what an event corrects, voids or weighs to the entry itself; 0 when it
// does none of these.
func (a *Adjustment) root(p uint64) uint64 {
	j, at := a.now.journal, p
	for {
		var ref events.Ref
		switch b := j.Recorded(at).Body.(type) {
		case events.EntryCorrected:
			ref = b.Refers
		case events.EntryVoided:
			ref = b.Refers
		case events.DocketReceived:
			ref = b.Tip
		}
		next, ok := j.PositionOf(ref)
		if !ok || next >= at || j.Recorded(next) == nil {
			if at == p {
				return 0
			}
			return at
		}
		at = next
	}
}

// basis is what a version of a line rests on.
type basis struct {
	events map[uint64]bool
	uses   []reports.RegisterUse
}

// add notes what the line rests on in a report; a line that is nil rests on nothing.
func (b *basis) add(r *Report, l *Line) {
	if l == nil {
		return
	}
	e := r.explainLine(l)
	b.uses = append(b.uses, e.Register...)
	for _, p := range e.Cites {
		b.events[p] = true
	}
	w := r.traces[l.Key]
	if w.tip == nil {
		return
	}
	b.uses = append(b.uses, reports.RegisterUse{Register: events.TruckRegister, Key: string(l.Truck)})
	for i := range w.tip.Shares {
		b.uses = append(b.uses, reports.RegisterUse{Register: events.MaterialRegister, Key: string(w.tip.Shares[i].Material)})
	}
}

// because reports whether a late event is a cause of what rests on b.
func (b *basis) because(l late) bool {
	if l.register != "" {
		return slices.ContainsFunc(b.uses, func(u reports.RegisterUse) bool { return u.Register == l.register && u.Key == l.key })
	}
	return b.events[l.position] || l.changes > 0 && b.events[l.changes]
}

// findCauses names the late events behind each change: those that its line rests on,
// that correct what it rested on, and that revise what the register said for it. A
// line that lost its time to others has their causes.
func (a *Adjustment) findCauses(issued *Report) {
	all := a.lateEvents()
	for i := range a.Changes {
		c := &a.Changes[i]
		b := basis{events: map[uint64]bool{}}
		b.add(issued, c.Old)
		b.add(a.now, c.New)
		for _, l := range all {
			if b.because(l) {
				c.Causes = append(c.Causes, l.position)
			}
		}
	}
	a.borrowCauses(all)
}

// borrowCauses gives a change without causes of its own those of the truck's other
// changes on the day, else all late events of the truck, else all late events.
func (a *Adjustment) borrowCauses(all []late) {
	type place struct {
		truck events.TruckID
		day   string
	}
	near := map[place][]uint64{}
	for i := range a.Changes {
		l := a.Changes[i].Line()
		near[place{l.Truck, l.Day}] = append(near[place{l.Truck, l.Day}], a.Changes[i].Causes...)
	}
	for i := range a.Changes {
		c := &a.Changes[i]
		if len(c.Causes) > 0 {
			continue
		}
		l := c.Line()
		c.Causes = reports.Union(near[place{l.Truck, l.Day}])
		if len(c.Causes) == 0 {
			c.Causes = positionsOf(all, func(e late) bool { return e.truck == l.Truck })
		}
		if len(c.Causes) == 0 {
			c.Causes = positionsOf(all, func(late) bool { return true })
		}
	}
}

func positionsOf(all []late, wanted func(late) bool) []uint64 {
	list := []uint64{}
	for _, e := range all {
		if wanted(e) {
			list = append(list, e.position)
		}
	}
	return list
}

// rateText writes a rate with its multiplier.
func rateText(l *Line) string {
	if l == nil {
		return ""
	}
	text := l.Rate.String()
	if !l.Multiplier.Equal(decimal.NewFromInt(1)) {
		text += " × " + l.Multiplier.String()
	}
	return text
}
