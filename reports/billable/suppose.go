package billable

import (
	"cmp"
	"slices"

	"spoilbook/events"
)

// Comparison is what a period would come to under another rate card, beside what it comes to. It is for looking ahead: nothing is recorded.
type Comparison struct {
	Rows   []Compared
	Totals []Compared // by currency alone
}

// Compared is what is charged for one thing of one job, as it is and as it would be.
type Compared struct {
	Job          events.JobID
	Kind         Kind
	What         string
	Currency     string
	IsMS         int64 // time charged
	WouldMS      int64
	IsCents      int64
	WouldBeCents int64
}

// DifferenceCents returns what more would be charged; less is negative.
func (c *Compared) DifferenceCents() int64 { return c.WouldBeCents - c.IsCents }

// Compare sets two reports on the same journal, period and filter beside each other: one by the cards agreed, one computed with [Options.Card]. Lines
// of a job are added up by what they charge for, over all bands, because cards cut the week differently and a line's key says its rate. Where the currencies differ, each has rows of its own.
func Compare(is, would *Report) Comparison {
	type key struct {
		job            events.JobID
		kind           Kind
		what, currency string
	}
	rows, totals := map[key]*Compared{}, map[key]*Compared{}
	at := func(m map[key]*Compared, k key) *Compared {
		if m[k] == nil {
			m[k] = &Compared{Job: k.job, Kind: k.kind, What: k.what, Currency: k.currency}
		}
		return m[k]
	}
	for i := range is.Lines {
		l := &is.Lines[i]
		for _, c := range []*Compared{at(rows, key{l.Job, l.Kind, l.What, l.Currency}), at(totals, key{currency: l.Currency})} {
			c.IsMS, c.IsCents = c.IsMS+l.ChargedMS, c.IsCents+l.AmountCents
		}
	}
	for i := range would.Lines {
		l := &would.Lines[i]
		for _, c := range []*Compared{at(rows, key{l.Job, l.Kind, l.What, l.Currency}), at(totals, key{currency: l.Currency})} {
			c.WouldMS, c.WouldBeCents = c.WouldMS+l.ChargedMS, c.WouldBeCents+l.AmountCents
		}
	}
	return Comparison{sorted(rows), sorted(totals)}
}

func sorted[K comparable](m map[K]*Compared) []Compared {
	list := make([]Compared, 0, len(m))
	for _, c := range m {
		list = append(list, *c)
	}
	slices.SortFunc(list, func(a, b Compared) int {
		return cmp.Or(cmp.Compare(a.Job, b.Job), cmp.Compare(a.Currency, b.Currency), cmp.Compare(kindOrder(a.Kind), kindOrder(b.Kind)), cmp.Compare(a.What, b.What))
	})
	return list
}
