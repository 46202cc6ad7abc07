package billable

import (
	"cmp"
	"slices"

	"github.com/shopspring/decimal"

	"spoilbook/events"
)

// Invoice sums the lines of one client in one currency under one tax. Tax by line
// is the sum of the lines' taxes; tax by invoice is reckoned on the sum.
type Invoice struct {
	Client     events.ClientID
	Currency   string
	Tax        events.TaxID
	TaxPercent decimal.Decimal
	TaxKnown   bool // false: the tax was not in force, and none is reckoned
	TaxPerLine bool
	HalfEven   bool
	Lines      int
	NetCents   int64
	TaxCents   int64
}

// GrossCents returns net and tax together.
func (v *Invoice) GrossCents() int64 { return v.NetCents + v.TaxCents }

// invoicesOf sums lines, sorted by client, currency and tax.
func invoicesOf(lines []Line) []Invoice {
	list := []Invoice{}
	for i := range lines {
		l := &lines[i]
		n := slices.IndexFunc(list, func(v Invoice) bool { return v.holds(l) })
		if n < 0 {
			n = len(list)
			list = append(list, Invoice{Client: l.Client, Currency: l.Currency, Tax: l.Tax, TaxPercent: l.TaxPercent,
				TaxKnown: l.TaxKnown, TaxPerLine: l.TaxPerLine, HalfEven: l.HalfEven})
		}
		v := &list[n]
		v.Lines++
		v.NetCents += l.AmountCents
		v.TaxCents += l.TaxCents
	}
	for i := range list {
		if v := &list[i]; v.TaxKnown && !v.TaxPerLine {
			v.TaxCents = cents(v.TaxPercent.Mul(decimal.New(v.NetCents, -2)), 100, v.HalfEven)
		}
	}
	slices.SortStableFunc(list, func(x, y Invoice) int {
		return cmp.Or(cmp.Compare(x.Client, y.Client), cmp.Compare(x.Currency, y.Currency), cmp.Compare(x.Tax, y.Tax), x.TaxPercent.Cmp(y.TaxPercent))
	})
	return list
}

// holds reports whether a line is summed in the invoice.
func (v *Invoice) holds(l *Line) bool {
	return v.Client == l.Client && v.Currency == l.Currency && v.Tax == l.Tax && v.TaxPercent.Equal(l.TaxPercent) &&
		v.TaxKnown == l.TaxKnown && v.TaxPerLine == l.TaxPerLine && v.HalfEven == l.HalfEven
}

// Currencies returns the currencies of the lines, sorted.
func (r *Report) Currencies() []string {
	list := []string{}
	for i := range r.Lines {
		if c := r.Lines[i].Currency; !slices.Contains(list, c) {
			list = append(list, c)
		}
	}
	slices.Sort(list)
	return list
}

// Sum is what was billed and not billed of one client or one job, in one
// currency; time without a card in force has no currency.
type Sum struct {
	Client      events.ClientID
	Job         events.JobID
	OrderNumber string
	Currency    string
	BilledMS    int64
	ChargedMS   int64
	NotBilledMS int64
	NetCents    int64
}

// ByJob sums lines and time not billed by client, job and currency.
func (r *Report) ByJob() []Sum {
	return r.sums(func(client events.ClientID, job events.JobID, currency string) Sum {
		return Sum{Client: client, Job: job, Currency: currency}
	})
}

// ByClient sums lines and time not billed by client and currency.
func (r *Report) ByClient() []Sum {
	return r.sums(func(client events.ClientID, _ events.JobID, currency string) Sum {
		return Sum{Client: client, Currency: currency}
	})
}

func (r *Report) sums(key func(events.ClientID, events.JobID, string) Sum) []Sum {
	list := []Sum{}
	find := func(k Sum) *Sum {
		n := slices.IndexFunc(list, func(s Sum) bool { return s.Client == k.Client && s.Job == k.Job && s.Currency == k.Currency })
		if n < 0 {
			n = len(list)
			list = append(list, k)
		}
		return &list[n]
	}
	for i := range r.Lines {
		l := &r.Lines[i]
		s := find(key(l.Client, l.Job, l.Currency))
		if s.Job != "" {
			s.OrderNumber = cmp.Or(s.OrderNumber, l.OrderNumber)
		}
		s.BilledMS += l.BilledMS
		s.ChargedMS += l.ChargedMS
		s.NetCents += l.AmountCents
	}
	for i := range r.NotBilled {
		n := &r.NotBilled[i]
		s := find(key(n.Client, n.Job, n.Currency))
		s.NotBilledMS += n.LengthMS()
	}
	slices.SortStableFunc(list, func(x, y Sum) int {
		return cmp.Or(cmp.Compare(x.Client, y.Client), cmp.Compare(x.Job, y.Job), cmp.Compare(x.Currency, y.Currency))
	})
	return list
}
