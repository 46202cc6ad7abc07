package web

import (
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/billable"
	"spoilbook/services/ledger"
)

// whatIfPage is what a client's days would come to under another rate card.
type whatIfPage struct {
	From, To, Client, Card string
	Clients                []option
	Cards                  []option
	Rates                  []rateField
	Position               uint64
	Compared               bool
	Rows, Totals           []comparedRow
	More                   int
	Wrong, Do              string
}

type option struct{ Value, Name string }

// rateField is an hourly rate of the card as it is tried.
type rateField struct {
	Activity events.Activity
	Field    string
	Rate     string // as it is tried
	Agreed   string // as the card has it
}

type comparedRow struct {
	Job, What, Currency         string
	IsMS, WouldMS               int64
	Timed                       bool
	Is, Would, Difference, Sign string
}

const shownCompared = 400

// whatIf sets what a client is charged in a period beside what it would be under another card, one of the register or a changed copy of it. It
// records nothing, so it is a page to read.
func (s *site) whatIf(w http.ResponseWriter, r *http.Request) {
	if !s.prices(w, r) {
		return
	}
	q := r.URL.Query()
	from, to, err := s.periodOf(q)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	client := q.Get("client")
	report, is, err := s.billed(r.Context(), client, from, to, 0)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	m := mannersOf(r)
	page := whatIfPage{From: from, To: to, Client: client, Card: q.Get("card"), Position: report.Position}
	at := events.TimeOf(report.Query.Period.To.Std().Add(-time.Millisecond))
	page.choices(report.Journal, at)
	status := http.StatusOK
	if page.Card != "" {
		if err := page.compare(report, is, at, q, m); err != nil {
			outcome := ledger.OutcomeOf(ledger.CodeOf(err))
			page.Wrong, page.Do, status = err.Error(), m.Tongue.Say(outcome.Do), outcome.Status
		}
	}
	s.show(w, r, status, "what-if", "What if", page)
}

// choices lists the clients and cards of the register.
func (p *whatIfPage) choices(j *reports.Journal, at events.Time) {
	for _, key := range j.Book.Keys(events.ClientRegister) {
		name := key
		if c, ok := j.Book.Client(events.ClientID(key), at); ok && c.Name != "" {
			name = c.Name
		}
		p.Clients = append(p.Clients, option{key, name})
	}
	for _, key := range j.Book.Keys(events.RateCardRegister) {
		if c, ok := j.Book.RateCard(events.RateCardID(key), at); ok {
			p.Cards = append(p.Cards, option{key, strings.TrimSpace(c.Name + " (" + key + ")")})
		}
	}
}

// compare computes the period under the card asked for, with the hourly rates that were changed.
func (p *whatIfPage) compare(report *ledger.Report, is *billable.Report, at events.Time, q url.Values, m manners) error {
	card, ok := report.Journal.Book.RateCard(events.RateCardID(p.Card), at)
	if !ok {
		return ledger.Fail(ledger.NotFound, "rate card: the register has no %q in force on the last day of the period", p.Card)
	}
	card.Rates = slices.Clone(card.Rates)
	for i := range card.Rates {
		rate := &card.Rates[i]
		f := rateField{Activity: rate.Activity, Field: "rate-" + string(rate.Activity), Agreed: string(rate.HourlyRate)}
		if tried := strings.TrimSpace(q.Get(f.Field)); tried != "" {
			rate.HourlyRate = events.Decimal(strings.Replace(tried, ",", ".", 1))
		}
		f.Rate = string(rate.HourlyRate)
		p.Rates = append(p.Rates, f)
	}
	check := &events.Check{}
	if card.Check(check); check.Err() != nil {
		return ledger.Wrap(ledger.BadRequest, check.Err(), "this card can not be applied")
	}
	would := billable.Compute(report.Journal, reports.Request{Period: report.Query.Period, Filter: report.Query.Filter}, billable.Options{Zones: time.LoadLocation, Card: &card})
	c := billable.Compare(is, would)
	p.Compared = true
	for i := range c.Rows {
		if len(p.Rows) == shownCompared {
			p.More = len(c.Rows) - i
			break
		}
		p.Rows = append(p.Rows, comparedOf(&c.Rows[i], m))
	}
	for i := range c.Totals {
		p.Totals = append(p.Totals, comparedOf(&c.Totals[i], m))
	}
	return nil
}

func comparedOf(c *billable.Compared, m manners) comparedRow {
	row := comparedRow{Job: string(c.Job), What: m.Tongue.Say(strings.ReplaceAll(c.What, "-", " ")), Currency: c.Currency, IsMS: c.IsMS, WouldMS: c.WouldMS,
		Timed: c.IsMS != 0 || c.WouldMS != 0, Is: m.money(c.IsCents, ""), Would: m.money(c.WouldBeCents, ""), Difference: m.money(c.DifferenceCents(), "")}
	switch d := c.DifferenceCents(); {
	case d > 0:
		row.Sign = "+"
	case d < 0:
		row.Sign = "−"
		row.Difference = strings.TrimPrefix(row.Difference, "-")
	}
	return row
}
