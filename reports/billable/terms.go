package billable

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/shopspring/decimal"

	"spoilbook/events"
	"spoilbook/reports"
)

// terms is what was agreed for a job at a time.
type terms struct {
	id       events.JobID
	at       events.Time // for which the register was asked
	job      events.Job
	card     events.RateCard
	zone     *time.Location
	bands    []band
	edges    []int // minutes of the day at which bands begin or end
	holidays map[string]bool
	rates    map[events.Activity]decimal.Decimal
	tax      events.Tax
	taxKnown bool
}

// band is a rate card's band made ready.
type band struct {
	name       string
	days       []string
	from, to   int // minutes of the day
	multiplier decimal.Decimal
}

type agreedKey struct {
	job events.JobID
	at  int64
}

// termsOf returns what was agreed for a job at a time, or nil with a finding when
// the job can not be billed then.
func (b *builder) termsOf(job events.JobID, at events.Time, truck events.TruckID, cites []uint64) *terms {
	key := agreedKey{job, at.UnixMS}
	t, ok := b.agreed[key]
	if !ok {
		var why string
		var code reports.Code
		if t, code, why = b.agree(job, at); t == nil {
			f := reports.NewFinding(code, truck, at, b.j.Cited(cites), "job %s is not billed from %s: %s", job, at, why)
			f.Job = job
			b.once(string(job)+why, f)
			b.lacks[key] = why
		}
		b.agreed[key] = t
	}
	if t != nil && b.q.Period.Contains(at) {
		b.zones[job] = append(b.zones[job], zoneUse{t.job.TimeZone, at, cites})
	}
	if t != nil && !t.taxKnown {
		f := reports.NewFinding(reports.NoTax, truck, at, b.j.Cited(cites), "tax %s of rate card %s was not in force at %s; no tax is reckoned", t.card.Tax, t.job.RateCard, at)
		f.Job = job
		b.once("tax "+string(t.card.Tax), f)
	}
	return t
}

// agree reads the register; why says what is missing when t is nil.
func (b *builder) agree(id events.JobID, at events.Time) (t *terms, code reports.Code, why string) {
	t = &terms{id: id, at: at, holidays: map[string]bool{}, rates: map[events.Activity]decimal.Decimal{}}
	var ok bool
	if t.job, ok = b.j.Book.Job(id, at); !ok {
		return nil, reports.UnknownReference, "the register did not know it then"
	}
	if b.o.Card != nil {
		t.card = *b.o.Card
	} else if t.card, ok = b.j.Book.RateCard(t.job.RateCard, at); !ok {
		return nil, reports.NoRateCard, b.notInForce(events.RateCardRegister, "rate card", string(t.job.RateCard))
	}
	check := &events.Check{}
	if t.card.Check(check); check.Err() != nil {
		return nil, reports.NoRateCard, fmt.Sprintf("rate card %s can not be applied: %v", t.job.RateCard, check.Err())
	}
	var err error
	if t.zone, err = b.zone(t.job.TimeZone); err != nil {
		return nil, reports.UnknownReference, fmt.Sprintf("its time zone %q is not known", t.job.TimeZone)
	}
	if t.card.Calendar != "" {
		calendar, ok := b.j.Book.Calendar(t.card.Calendar, at)
		if !ok {
			return nil, reports.UnknownReference, b.notInForce(events.CalendarRegister, "calendar", string(t.card.Calendar))
		}
		for _, h := range calendar.Holidays {
			t.holidays[h.Date] = true
		}
	}
	for _, r := range t.card.Rates {
		t.rates[r.Activity] = number(r.HourlyRate)
	}
	for _, c := range t.card.Bands {
		from, _ := events.ClockMinutes(c.From)
		to, _ := events.ClockMinutes(c.To)
		t.bands = append(t.bands, band{name: c.Name, days: c.Days, from: from, to: to, multiplier: number(c.Multiplier)})
		t.edges = append(t.edges, from, to)
	}
	t.tax, t.taxKnown = b.j.Book.Tax(t.card.Tax, at)
	return t, "", ""
}

func (b *builder) zone(name string) (*time.Location, error) {
	switch {
	case b.o.Zones != nil:
		return b.o.Zones(name)
	case name == "UTC":
		return time.UTC, nil
	case b.q.Period.Zone != nil && name == b.q.Period.Zone.String():
		return b.q.Period.Zone, nil
	}
	return nil, fmt.Errorf("time zone %q: no way to look it up was given", name)
}

const ordinary = "ordinary"

// bandAt returns the band that counts on a local date at a minute of the day.
func (t *terms) bandAt(date string, minute int) (name string, multiplier decimal.Decimal) {
	for i := range t.bands {
		c := &t.bands[i]
		switch {
		case c.from < c.to && c.from <= minute && minute < c.to && t.falls(c, date),
			c.to < c.from && minute >= c.from && t.falls(c, date),
			c.to < c.from && minute < c.to && t.falls(c, dayBefore(date)):
			return c.name, c.multiplier
		}
	}
	return ordinary, decimal.NewFromInt(1)
}

// falls reports whether a band's days include a date.
func (t *terms) falls(c *band, date string) bool {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return false
	}
	return slices.Contains(c.days, strings.ToLower(d.Weekday().String()[:3])) ||
		t.holidays[date] && slices.Contains(c.days, "holiday")
}

func dayBefore(date string) string {
	d, err := time.Parse(time.DateOnly, date)
	if err != nil {
		return ""
	}
	return d.AddDate(0, 0, -1).Format(time.DateOnly)
}

// day returns the local date of an instant at the job.
func (t *terms) day(at events.Time) string {
	return time.UnixMilli(at.UnixMS).In(t.zone).Format(time.DateOnly)
}

func (t *terms) halfEven() bool { return t.card.MoneyRounding == "half-even" }

// line returns a line of the job with what every line of it has in common.
func (t *terms) line(kind Kind, truck events.TruckID, cites []uint64) Line {
	return Line{Kind: kind, Client: t.job.Client, Job: t.id, OrderNumber: t.job.OrderNumber, Truck: truck,
		Currency: t.card.Currency, Multiplier: decimal.NewFromInt(1), Tax: t.card.Tax, TaxPercent: number(t.tax.RatePercent),
		TaxKnown: t.taxKnown, TaxPerLine: t.card.TaxPer == "line", HalfEven: t.halfEven(), Positions: slices.Clone(cites)}
}

// price sets the amount of a line: rate times multiplier times quantity over per.
func (l *Line) price(quantity, per int64) {
	l.AmountCents = cents(l.Rate.Mul(l.Multiplier).Mul(decimal.NewFromInt(quantity)), per, l.HalfEven)
	if l.TaxPerLine && l.TaxKnown {
		l.TaxCents = cents(l.TaxPercent.Mul(decimal.New(l.AmountCents, -2)), 100, l.HalfEven)
	}
}
