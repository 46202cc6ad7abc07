package web_test

import (
	"html"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"testing"

	"spoilbook/events"
	"spoilbook/reports/billable"
	"spoilbook/services/access"
)

const orlath = "?client=C-ORLATH&from=2026-10-01&to=2026-10-31"

// TestOffice goes from the month to an issued invoice and its adjustment over one ledger.
func TestOffice(t *testing.T) {
	r := newDesk(t, true)
	for _, role := range []access.Role{access.Yard, access.Officer} {
		v := r.signedIn("not-"+string(role), role)
		v.read("/office", 403)
		v.read("/office/invoice"+orlath, 403)
		v.send("/office/issue", url.Values{"client": {"C-ORLATH"}}, 403)
		if strings.Contains(v.read("/reports", 200), `href="/office"`) {
			t.Errorf("%s has the office in the menu", role)
		}
	}
	v, other := r.signedIn("ann", access.Office), r.signedIn("bea", access.Office)
	wants(t, v.read("/office?month=2026-10", 200), "C-ORLATH", "not yet", "Totals by currency", "Time that nobody pays for", "month=2026-09", "month=2026-11", "EUR")
	wants(t, v.read("/office?month=2025-01", 200), "Nothing was billed in this period")
	wants(t, v.read("/office?month=x", 400), "2026-10")
	wants(t, v.read("/office/invoice?client=C-NOBODY&from=2026-10-01&to=2026-10-31", 404), "C-NOBODY")
	wants(t, v.read("/office/invoice?from=2026-10-01&to=2026-10-31", 400), "say whose invoice")
	draft := v.read("/office/invoice"+orlath, 200)
	wants(t, draft, "Unusual", "Issue this invoice", "Net", "Gross")
	v.read(where(draft, "/reports/billable/line?")[0], 200)
	asked := "/office/what-if" + orlath
	wants(t, v.read(asked, 200), "Card to try", "Nothing is recorded")
	wants(t, v.read(asked+"&card=NONE", 404), "rate card", "To do:")
	card := regexp.MustCompile(`<option value="(RC-[^"]+)"`).FindStringSubmatch(v.read(asked, 200))
	if card == nil {
		t.Fatal("no card can be chosen")
	}
	wants(t, v.read(asked+"&card="+card[1], 200), "Net as agreed", "Net under this card", "Line by line", "an hour")
	wants(t, v.read(asked+"&card="+card[1]+"&rate-loading=x", 400), "can not be applied")
	confirm := v.read(where(draft, "/office/issue?")[0], 200)
	fields := formIn(t, confirm, `action="/office/issue"`)
	fields.Set("number", "bad number")
	wants(t, v.send("/office/issue", fields, 400), "bad number", "letters, digits")
	fields.Set("number", "TG-0041")
	var both sync.WaitGroup
	for range 2 { // clicked twice
		both.Go(func() {
			if res, err := v.client.PostForm(v.server.URL+"/office/issue", fields); err != nil || res.StatusCode != 200 || res.Body.Close() != nil {
				t.Errorf("issue: %v %v", res, err)
			}
		})
	}
	both.Wait()
	fields.Set("number", "TG-0042")
	wants(t, html.UnescapeString(other.send("/office/issue", fields, 409)), "ann of the yard has issued TG-0041", "TG-0041")
	issued, err := r.ledger.IssuedReports(t.Context())
	r.must(err)
	count := 0
	for _, i := range issued {
		if i.Client == "C-ORLATH" && i.From.String() >= "2026-09-30" {
			count++
		}
	}
	if count != 1 || issued[len(issued)-1].Author != "ann of the yard" {
		t.Fatalf("%d invoices were issued: %+v", count, issued)
	}
	wants(t, v.read("/office?month=2026-10", 200), "TG-0041")
	wants(t, v.read("/office/issued", 200), "TG-0041", "ann of the yard")
	wants(t, v.read("/office/issued/TG-0041", 200), "it has the digest that it was issued with", "Nothing has changed since it was issued", "/v1/issued/TG-0041/adjustment?")
	wants(t, v.read("/office/issued/NONE", 404), "NONE")
	v.read("/office/issue?client=C-ORLATH&from=2026-10-01&to=2026-10-31", 200)
	r.voidALoad(t)
	wants(t, v.read("/office/issued/TG-0041", 200), "it has the digest that it was issued with", "To charge or, where negative, to credit", "-")
	wants(t, v.read("/office?month=2026-10", 200), "adjustment due")
}

// voidALoad voids the first event behind a line of time of the client's October.
func (r *rig) voidALoad(t *testing.T) {
	t.Helper()
	q := october2026(t, r, "billable")
	q.Filter.Client = "C-ORLATH"
	report, err := r.ledger.Report(t.Context(), q)
	r.must(err)
	for _, l := range report.Computed.(*billable.Report).Lines {
		if l.Kind != billable.ForTime || l.Activity != events.Loading {
			continue
		}
		e := report.Journal.Recorded(l.Positions[0])
		a := &auditRig{r}
		a.submit([]events.Event{{ID: "void-1", Source: events.OfficeSource("office-test"), Seq: 1, Occurred: events.MustTime("2026-11-02T08:00:00.000Z"), Origin: events.FromOffice,
			Body: events.EntryVoided{Refers: e.Ref(), Reason: "entered on the wrong job", Author: "Yard office"}}})
		return
	}
	t.Fatal("the month has no loading of this client")
}
