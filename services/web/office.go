package web

import (
	"cmp"
	"context"
	"io"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/billable"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

const (
	invoiceLines  = 250 // of an invoice on a page; the rest is in the workbook
	shownUnusual  = 60
	shownClients  = 200
	heldPerPage   = 24 // issued invoices that are held against the ledger as it stands, on one page
	shownIssued   = 200
	billingReport = "billable"
)

func (s *site) officeRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /office", s.office)
	mux.HandleFunc("GET /office/invoice", s.invoice)
	mux.HandleFunc("GET /office/what-if", s.whatIf)
	mux.HandleFunc("GET /office/issue", s.confirmIssue)
	mux.HandleFunc("POST /office/issue", s.issueInvoice)
	mux.HandleFunc("GET /office/issued", s.issuedList)
	mux.HandleFunc("GET /office/issued/{number}", s.issuedInvoice)
}

// prices asks whether somebody may see prices, and answers where not.
func (s *site) prices(w http.ResponseWriter, r *http.Request) bool {
	return s.allowed(w, r, access.IssueReport, access.Object{Report: billingReport})
}

// money writes hundredths as the reader's language does.
func (m manners) money(cents int64, currency string) string {
	return strings.TrimSpace(m.Tongue.Number(reports.Money(cents, "")) + " " + currency)
}

// digested writes what the digest of an issued report is taken of.
func (s *site) digested(ctx context.Context, w io.Writer, r *ledger.Report) error {
	if s.Export == nil {
		return ledger.Fail(ledger.Internal, "these pages were started without a way to write reports")
	}
	return s.Export(ctx, w, r, Export{Format: "json"})
}

// officePage is what there is to invoice in a period.
type officePage struct {
	From, To, Month, Previous, Next string
	Position                        uint64
	Clients                         []clientRow
	More                            int // clients that are not shown
	Totals                          []currencyTotal
	NotBilled                       []unpaidTime
	NotBilledMS                     int64
}

// clientRow is a client in one currency.
type clientRow struct {
	ID, Name, Hours, Net string
	Lines, Unusual       int
	Draft                string // its page
	Issued               []issuedBrief
}

// issuedBrief is an issued invoice with what has changed since.
type issuedBrief struct {
	Number, Path string
	Changes      int
	Due          []string
	Unread       bool // it was not held against the ledger here
}

type currencyTotal struct{ Currency, Net, Tax, Gross string }

// unpaidTime is time that nobody pays for, by why.
type unpaidTime struct {
	Reason string
	MS     int64
	Times  int
}

// periodOf reads the days of a page: a month, or first and last day; this month where nothing is said.
func (s *site) periodOf(q url.Values) (from, to string, err error) {
	if from, to = q.Get("from"), q.Get("to"); from != "" || to != "" {
		return from, to, nil
	}
	first := s.Now().In(s.zone)
	if month := q.Get("month"); month != "" {
		if first, err = time.Parse("2006-01", month); err != nil {
			return "", "", ledger.Fail(ledger.BadRequest, "month: found %.20q; allowed: a month such as 2026-10", month)
		}
	}
	first = time.Date(first.Year(), first.Month(), 1, 0, 0, 0, 0, time.UTC)
	return first.Format(time.DateOnly), first.AddDate(0, 1, -1).Format(time.DateOnly), nil
}

// billed computes the charges of a period, of one client or of all.
func (s *site) billed(ctx context.Context, client, from, to string, upTo uint64) (*ledger.Report, *billable.Report, error) {
	p, err := s.Ledger.PeriodOf(from, to, s.Zone)
	if err != nil {
		return nil, nil, err
	}
	r, err := s.Ledger.Report(ctx, ledger.ReportQuery{Name: billingReport, Period: p, UpTo: upTo, Filter: reports.Filter{Client: events.ClientID(client)}})
	if err != nil {
		return nil, nil, err
	}
	b, ok := r.Computed.(*billable.Report)
	if !ok {
		return nil, nil, ledger.Fail(ledger.Internal, "a billable report is a %T", r.Computed)
	}
	return r, b, nil
}

func (s *site) office(w http.ResponseWriter, r *http.Request) {
	if !s.prices(w, r) {
		return
	}
	page := officePage{}
	var err error
	if page.From, page.To, err = s.periodOf(r.URL.Query()); err != nil {
		s.fail(w, r, err)
		return
	}
	report, b, err := s.billed(r.Context(), "", page.From, page.To, 0)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	first := report.Query.Period.From.Std().In(s.zone)
	begin := time.Date(first.Year(), first.Month(), 1, 0, 0, 0, 0, time.UTC)
	page.Month, page.Previous, page.Next = begin.Format("2006-01"), begin.AddDate(0, -1, 0).Format("2006-01"), begin.AddDate(0, 1, 0).Format("2006-01")
	page.Position = report.Position
	if err := s.fillClients(r.Context(), mannersOf(r), report, b, &page); err != nil {
		s.fail(w, r, err)
		return
	}
	fillUnpaid(b, &page)
	s.show(w, r, http.StatusOK, "office", "Office", page)
}

// fillClients lists every client of the register and what there is of it.
func (s *site) fillClients(ctx context.Context, m manners, report *ledger.Report, b *billable.Report, page *officePage) error {
	issued, err := s.issuedIn(ctx, report.Query.Period)
	if err != nil {
		return err
	}
	held := 0
	odd := map[events.ClientID]int{}
	for _, u := range b.Unusual() {
		odd[u.Client]++
	}
	sums := b.ByClient()
	keys := report.Journal.Book.Keys(events.ClientRegister)
	page.More = max(0, len(keys)-shownClients)
	for _, key := range keys[:len(keys)-page.More] {
		id := events.ClientID(key)
		row := clientRow{ID: key, Unusual: odd[id], Draft: "/office/invoice?" + url.Values{"client": {key}, "from": {page.From}, "to": {page.To}}.Encode()}
		if c, ok := report.Journal.Book.Client(id, events.Time{UnixMS: report.Query.Period.To.UnixMS - 1}); ok {
			row.Name = c.Name
		}
		hours, nets := int64(0), []string{}
		for _, v := range sums {
			if v.Client == id && v.Currency != "" {
				hours += v.ChargedMS
				nets = append(nets, m.money(v.NetCents, v.Currency))
			}
		}
		for i := range b.Lines {
			if b.Lines[i].Client == id {
				row.Lines++
			}
		}
		row.Hours, row.Net = reports.Clock(hours), strings.Join(nets, " + ")
		for i := range issued {
			if issued[i].Client != id {
				continue
			}
			brief, err := s.briefOf(ctx, m, &issued[i], held < heldPerPage)
			if err != nil {
				return err
			}
			held++
			row.Issued = append(row.Issued, brief)
		}
		page.Clients = append(page.Clients, row)
	}
	page.Totals = totalsIn(m, b.Invoices)
	return nil
}

// totalsIn sums invoices by currency.
func totalsIn(m manners, list []billable.Invoice) []currencyTotal {
	currencies, net, tax := []string{}, map[string]int64{}, map[string]int64{}
	for i := range list {
		c := list[i].Currency
		if !slices.Contains(currencies, c) {
			currencies = append(currencies, c)
		}
		net[c] += list[i].NetCents
		tax[c] += list[i].TaxCents
	}
	slices.Sort(currencies)
	var totals []currencyTotal
	for _, c := range currencies {
		totals = append(totals, currencyTotal{c, m.money(net[c], c), m.money(tax[c], c), m.money(net[c]+tax[c], c)})
	}
	return totals
}

// fillUnpaid sums the time that nobody pays for.
func fillUnpaid(b *billable.Report, page *officePage) {
	for i := range b.NotBilled {
		n := &b.NotBilled[i]
		at := slices.IndexFunc(page.NotBilled, func(u unpaidTime) bool { return u.Reason == n.Reason })
		if at < 0 {
			at = len(page.NotBilled)
			page.NotBilled = append(page.NotBilled, unpaidTime{Reason: n.Reason})
		}
		page.NotBilled[at].MS += n.LengthMS()
		page.NotBilled[at].Times++
		page.NotBilledMS += n.LengthMS()
	}
	slices.SortStableFunc(page.NotBilled, func(x, y unpaidTime) int { return cmp.Compare(y.MS, x.MS) })
}

// issuedIn lists the invoices that were given out for days of a period.
func (s *site) issuedIn(ctx context.Context, p reports.Period) ([]ledger.Issued, error) {
	all, err := s.Ledger.IssuedReports(ctx)
	return slices.DeleteFunc(all, func(i ledger.Issued) bool {
		return i.Report != billingReport || !i.From.Before(p.To) || !p.From.Before(i.To)
	}), err
}

// briefOf says what has become of an issued invoice since.
func (s *site) briefOf(ctx context.Context, m manners, i *ledger.Issued, look bool) (issuedBrief, error) {
	out := issuedBrief{Number: i.Number, Path: "/office/issued/" + url.PathEscape(i.Number), Unread: !look}
	if !look {
		return out, nil
	}
	r, err := s.Ledger.Adjustment(ctx, i.Number, 0, s.digested)
	if err != nil {
		return out, err
	}
	if a, ok := r.Computed.(*billable.Adjustment); ok && len(a.Changes) > 0 {
		out.Changes = len(a.Changes)
		for _, d := range a.Due() {
			out.Due = append(out.Due, m.money(d.GrossCents(), d.Currency))
		}
	}
	return out, nil
}

// invoicePage is an invoice as a draft or as it was issued.
type invoicePage struct {
	Client, Name, From, To string
	Position               uint64
	Jobs                   []invoiceJob
	Lines, Hidden          int
	Totals                 []currencyTotal
	Unusual                []unusualRow
	MoreUnusual            int
	Findings               []findingView
	MoreFindings           int
	NotBilled              []unpaidTime
	NotBilledMS            int64
	Unpriced               []billable.Unpriced
	Issued                 []issuedBrief
	Exports                []link
	Confirm                string
	Number                 string // proposed
	Wrong, Do              string
	Author                 string
	// of an issued one
	Given   *ledger.Issued
	Changed bool // computed again it does not have the digest any more
	Changes []changeRow
	Due     []string
	Done    bool
}

// invoiceJob is the lines of one job.
type invoiceJob struct {
	ID, Name, OrderNumber, Net string
	Lines                      []invoiceLine
	Count                      int
}

type invoiceLine struct {
	billable.Line
	Quantity, Price, Amount, Path string
	Odd                           bool
}

type unusualRow struct{ Day, Job, Truck, Reason, Path string }

type changeRow struct {
	Effect, Day, Job, Truck, What, Was, Is, Difference string
	Causes                                             []uint64
}

func (s *site) invoice(w http.ResponseWriter, r *http.Request) {
	if !s.prices(w, r) {
		return
	}
	page, err := s.draft(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "invoice", "Draft invoice", page)
}

// draft computes the invoice that an address asks for, as the ledger stands.
func (s *site) draft(r *http.Request) (*invoicePage, error) {
	q := r.URL.Query()
	from, to, err := s.periodOf(q)
	if err != nil {
		return nil, err
	}
	client := q.Get("client")
	if client == "" {
		return nil, ledger.Fail(ledger.BadRequest, "client: say whose invoice; choose one on the page Office")
	}
	report, b, err := s.billed(r.Context(), client, from, to, 0)
	if err != nil {
		return nil, err
	}
	page := s.invoiceOf(mannersOf(r), report, b)
	issued, err := s.issuedIn(r.Context(), report.Query.Period)
	if err != nil {
		return nil, err
	}
	for i := range issued {
		if issued[i].Client == events.ClientID(client) {
			brief, err := s.briefOf(r.Context(), mannersOf(r), &issued[i], len(page.Issued) < heldPerPage)
			if err != nil {
				return nil, err
			}
			page.Issued = append(page.Issued, brief)
		}
	}
	if len(page.Issued) == 0 && page.Lines > 0 {
		page.Confirm = "/office/issue?" + url.Values{"client": {client}, "from": {from}, "to": {to}}.Encode()
	}
	return page, nil
}

// invoiceOf is a computed invoice as a page shows it.
func (s *site) invoiceOf(m manners, report *ledger.Report, b *billable.Report) *invoicePage {
	first, last := report.Query.Period.Day(report.Query.Period.From), report.Query.Period.Day(events.Time{UnixMS: report.Query.Period.To.UnixMS - 1})
	client := report.Query.Filter.Client
	page := &invoicePage{Client: string(client), Name: cmp.Or(b.Clients[client], string(client)), From: first, To: last, Position: report.Position, Lines: len(b.Lines), Unpriced: b.Unpriced}
	a := asked{Name: billingReport, From: first, To: last, Zone: report.Query.Period.Zone.String(), Client: string(client), Position: report.Position}
	path := func(key string) string {
		q := a.query()
		q.Set("table", "Invoice lines")
		q.Set("line", key)
		return "/reports/billable/line?" + q.Encode()
	}
	unusual, odd := b.Unusual(), map[string]bool{}
	for _, u := range unusual {
		odd[u.Key] = true
		if len(page.Unusual) == shownUnusual {
			page.MoreUnusual++
			continue
		}
		row := unusualRow{Day: u.Day, Job: string(u.Job), Truck: string(u.Truck), Reason: m.Tongue.Say(u.Why, u.Args...)}
		if u.Key != "" {
			row.Path = path(u.Key)
		}
		page.Unusual = append(page.Unusual, row)
	}
	for _, v := range b.ByJob() {
		job := invoiceJob{ID: string(v.Job), Name: b.Jobs[v.Job], OrderNumber: v.OrderNumber, Net: m.money(v.NetCents, v.Currency)}
		for i := range b.Lines {
			l := &b.Lines[i]
			if l.Job != v.Job || l.Currency != v.Currency {
				continue
			}
			if job.Count++; i >= invoiceLines {
				continue
			}
			job.Lines = append(job.Lines, invoiceLine{Line: *l, Quantity: quantityIn(m, l), Price: priceIn(m, l), Amount: m.money(l.AmountCents, ""), Path: path(l.Key), Odd: odd[l.Key]})
		}
		if job.Count > 0 {
			page.Jobs = append(page.Jobs, job)
		}
	}
	page.Hidden = max(0, page.Lines-invoiceLines)
	page.Totals = totalsIn(m, b.Invoices)
	unpaid := officePage{}
	fillUnpaid(b, &unpaid)
	page.NotBilled, page.NotBilledMS = unpaid.NotBilled, unpaid.NotBilledMS
	for _, f := range reports.BySeverity(report.Document.Findings) {
		if f.Severity == reports.Note {
			continue
		}
		if len(page.Findings) == shownFindings/2 {
			page.MoreFindings++
			continue
		}
		page.Findings = append(page.Findings, findingView{Finding: f, When: report.Query.Period.Day(f.At), Answer: f.AnswerText()})
	}
	for _, format := range s.Formats {
		q := a.query()
		q.Set("format", format)
		m.ask(q)
		page.Exports = append(page.Exports, link{Name: format, Path: "/v1/reports/billable?" + q.Encode()})
	}
	accounts := a.query()
	accounts.Set("format", "csv")
	accounts.Set("table", billable.AccountsTable)
	page.Exports = append(page.Exports, link{Name: m.Tongue.Say("CSV for accounting"), Path: "/v1/reports/billable?" + accounts.Encode()})
	return page
}

func quantityIn(m manners, l *billable.Line) string {
	if l.Unit == "h" {
		return reports.Clock(l.ChargedMS) + " h"
	}
	return m.Tongue.Number(reports.Decimal(l.Micro, 6, 3)) + " " + l.Unit
}

func priceIn(m manners, l *billable.Line) string {
	text := m.Tongue.Number(l.Rate.StringFixed(2))
	if l.Multiplier.String() != "1" {
		text += " × " + m.Tongue.Number(l.Multiplier.String())
	}
	return text
}
