package web

import (
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/billable"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// lastDigits finds the count in a number: the digits at its end.
var lastDigits = regexp.MustCompile(`^(.*?)(\d+)$`)

// nextNumber proposes a number after the pattern of the last one that was given.
func nextNumber(given []ledger.Issued) string {
	taken, next := map[string]bool{}, ""
	for i := range given {
		taken[given[i].Number] = true
	}
	for i := len(given) - 1; i >= 0 && next == ""; i-- {
		if given[i].Report == billingReport && lastDigits.MatchString(given[i].Number) {
			next = given[i].Number
		}
	}
	if next == "" {
		next = "INV-0"
	}
	for {
		parts := lastDigits.FindStringSubmatch(next)
		n, err := strconv.ParseUint(parts[2], 10, 63)
		if err != nil {
			return ""
		}
		next = fmt.Sprintf("%s%0*d", parts[1], len(parts[2]), n+1)
		if !taken[next] {
			return next
		}
	}
}

func (s *site) confirmIssue(w http.ResponseWriter, r *http.Request) {
	if s.prices(w, r) {
		s.showConfirm(w, r, http.StatusOK, "", "")
	}
}

// showConfirm shows what is about to be issued and under which number.
func (s *site) showConfirm(w http.ResponseWriter, r *http.Request, status int, wrong, number string) {
	page, err := s.draft(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	given, err := s.Ledger.IssuedReports(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	page.Number, page.Wrong, page.Author = cmp.Or(number, nextNumber(given)), wrong, access.From(r.Context()).Author()
	page.Do = mannersOf(r).Tongue.Say("look at what it is now, then issue it again if it is right")
	s.show(w, r, status, "issue", "Issue an invoice", page)
}

func (s *site) issueInvoice(w http.ResponseWriter, r *http.Request) {
	if !s.prices(w, r) || !s.formRead(w, r) {
		return
	}
	q := url.Values{}
	for _, name := range []string{"client", "from", "to"} {
		q.Set(name, r.PostFormValue(name))
	}
	r.URL.RawQuery = q.Encode()
	number := strings.TrimSpace(r.PostFormValue("number"))
	already, err := s.issueOnce(r.Context(), q, number, r.PostFormValue("position"), access.From(r.Context()).Author())
	switch code := ledger.CodeOf(err); {
	case err == nil:
		done := "?done=1"
		if already {
			done = ""
		}
		http.Redirect(w, r, "/office/issued/"+url.PathEscape(number)+done, http.StatusSeeOther)
	case code == ledger.Conflict || code == ledger.BadRequest:
		s.showConfirm(w, r, ledger.OutcomeOf(code).Status, err.Error(), number)
	default:
		s.fail(w, r, err)
	}
}

// issueOnce issues an invoice unless it was issued already: the same one sent twice is the same, another of these days is a conflict, and so is one
// whose lines are not those that were looked at.
func (s *site) issueOnce(ctx context.Context, q url.Values, number, seen, author string) (already bool, err error) {
	s.issuing.Lock()
	defer s.issuing.Unlock()
	position, err := strconv.ParseUint(seen, 10, 64)
	if err != nil || position == 0 {
		return false, ledger.Fail(ledger.BadRequest, "the form is not whole: load the page again")
	}
	client := q.Get("client")
	if client == "" {
		return false, ledger.Fail(ledger.BadRequest, "client: say whose invoice; choose one on the page Office")
	}
	now, is, err := s.billed(ctx, client, q.Get("from"), q.Get("to"), 0)
	if err != nil {
		return false, err
	}
	issued, err := s.issuedIn(ctx, now.Query.Period)
	if err != nil {
		return false, err
	}
	for i := range issued {
		g := &issued[i]
		switch {
		case g.Client != events.ClientID(client):
			continue
		case g.Number == number && g.Author == author && g.From.UnixMS == now.Query.Period.From.UnixMS && g.To.UnixMS == now.Query.Period.To.UnixMS:
			return true, nil
		}
		return false, ledger.Fail(ledger.Conflict, "%s has issued %s to this client for days of this period already; what changed since is adjusted there", g.Author, g.Number)
	}
	if now.Position != position {
		_, was, err := s.billed(ctx, client, q.Get("from"), q.Get("to"), position)
		if err != nil {
			return false, err
		}
		if a := billable.Adjust(number, was, is); len(a.Changes) > 0 {
			return false, ledger.Fail(ledger.Conflict, "%d lines have changed since you looked at this draft", len(a.Changes))
		}
	}
	_, err = s.Ledger.Issue(ctx, ledger.ReportQuery{Name: billingReport, Period: now.Query.Period, Filter: now.Query.Filter}, number, author, s.digested)
	return false, err
}

// issuedPage lists what was issued.
type issuedPage struct {
	Issued []issuedRow
	More   int
}

type issuedRow struct{ Number, Path, Client, From, To, At, Author string }

func (s *site) issuedList(w http.ResponseWriter, r *http.Request) {
	if !s.prices(w, r) {
		return
	}
	list, err := s.Ledger.IssuedReports(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	list = slices.DeleteFunc(list, func(i ledger.Issued) bool { return i.Report != billingReport })
	slices.Reverse(list)
	page, m := issuedPage{More: max(0, len(list)-shownIssued)}, mannersOf(r)
	for i := range list[:len(list)-page.More] {
		g := &list[i]
		page.Issued = append(page.Issued, issuedRow{Number: g.Number, Path: "/office/issued/" + url.PathEscape(g.Number), Client: string(g.Client), From: s.dayOf(g.From),
			To: s.dayOf(events.Time{UnixMS: g.To.UnixMS - 1}), At: m.moment(g.At.Std().In(s.zone)), Author: g.Author})
	}
	s.show(w, r, http.StatusOK, "issued", "Issued invoices", page)
}

func (s *site) dayOf(t events.Time) string { return t.Std().In(s.zone).Format(time.DateOnly) }

// issuedInvoice shows an invoice as it was issued, and what it would be now.
func (s *site) issuedInvoice(w http.ResponseWriter, r *http.Request) {
	if !s.prices(w, r) {
		return
	}
	page, err := s.issuedPageOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, http.StatusOK, "issued-invoice", "Issued invoice", page)
}

func (s *site) issuedPageOf(r *http.Request) (*invoicePage, error) {
	ctx, m, number := r.Context(), mannersOf(r), r.PathValue("number")
	list, err := s.Ledger.IssuedReports(ctx)
	if err != nil {
		return nil, err
	}
	n := slices.IndexFunc(list, func(i ledger.Issued) bool { return i.Number == number && i.Report == billingReport })
	if n < 0 {
		return nil, ledger.Fail(ledger.NotFound, "no invoice was issued under number %.40q", number)
	}
	g := list[n]
	zone, err := time.LoadLocation(g.TimeZone)
	if err != nil {
		return nil, ledger.Wrap(ledger.Damaged, err, "the time zone of %s", number)
	}
	report, err := s.Ledger.Report(ctx, ledger.ReportQuery{Name: billingReport, Period: reports.Period{From: g.From, To: g.To, Zone: zone}, UpTo: g.Position,
		Filter: reports.Filter{Truck: g.Truck, Job: g.Job, Client: g.Client}, Choices: g.Choices()})
	if err != nil {
		return nil, err
	}
	b, ok := report.Computed.(*billable.Report)
	if !ok {
		return nil, ledger.Fail(ledger.Internal, "a billable report is a %T", report.Computed)
	}
	page := s.invoiceOf(m, report, b)
	page.Given, page.Done = &g, r.URL.Query().Get("done") != ""
	adjusted, err := s.Ledger.Adjustment(ctx, number, 0, s.digested)
	if err != nil {
		return nil, err
	}
	a, ok := adjusted.Computed.(*billable.Adjustment)
	if !ok {
		return nil, ledger.Fail(ledger.Internal, "an adjustment is a %T", adjusted.Computed)
	}
	page.Changed = slices.ContainsFunc(adjusted.Document.Notes, func(n string) bool { return strings.Contains(n, "and not the one that it was issued with") })
	for i := range a.Changes {
		c := &a.Changes[i]
		l := c.Line()
		row := changeRow{Effect: string(c.Effect), Day: l.Day, Job: string(l.Job), Truck: string(l.Truck), What: l.What, Difference: m.money(c.DifferenceCents(), l.Currency), Causes: c.Causes}
		if c.Old != nil {
			row.Was = m.money(c.Old.AmountCents, "")
		}
		if c.New != nil {
			row.Is = m.money(c.New.AmountCents, "")
		}
		if len(page.Changes) < invoiceLines {
			page.Changes = append(page.Changes, row)
		}
	}
	for _, d := range a.Due() {
		if len(a.Changes) > 0 {
			page.Due = append(page.Due, m.money(d.GrossCents(), d.Currency))
		}
	}
	for k := range page.Exports {
		page.Exports[k].Path += "&" + url.Values{"by": {access.From(ctx).Author()}}.Encode()
	}
	for _, format := range s.Formats {
		q := url.Values{"format": {format}}
		m.ask(q)
		page.Exports = append(page.Exports, link{Name: m.Tongue.Say("adjustment as %s", format), Path: "/v1/issued/" + url.PathEscape(number) + "/adjustment?" + q.Encode()})
	}
	return page, nil
}
