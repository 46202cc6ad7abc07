package web_test

import (
	"context"
	"fmt"
	"html"
	"io"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
	"spoilbook/services/sheets"
	"spoilbook/services/web"
)

// export writes what was picked as the program does.
func export(ctx context.Context, w io.Writer, r *ledger.Report, e web.Export) error {
	p := sheets.Provenance{Period: r.Query.Period, Position: r.Position, LedgerHash: r.Root, By: e.By, At: r.AsOf.Std().UTC(), Program: "test", Count: r.Journal.Count}
	if e.Format == "csv" {
		return sheets.CSV(w, r.Document, r.Document.Tables[0].Name, p)
	}
	return sheets.Workbook(ctx, w, r.Document, p, sheets.Behind{Cited: r.Cited(), Workings: r.Explainer()})
}

// auditRig is a desk that holds the demo's month, with a person of each role that matters.
type auditRig struct{ *rig }

func newAuditRig(t *testing.T) *auditRig {
	t.Helper()
	r := &auditRig{newDesk(t, true)}
	for _, role := range []access.Role{access.Office, access.Officer, access.Yard, access.Administrator} {
		_, err := r.book.Change(t.Context(), access.Everyone(), access.User{Name: string(role) + "-1", Full: "Person of the " + string(role), Role: role}, password)
		r.must(err)
	}
	return r
}

// submit enters events and waits until each is recorded.
func (r *auditRig) submit(list []events.Event) {
	r.t.Helper()
	msgs, err := ledger.MessagesOf(list)
	r.must(err)
	ticket, err := r.ledger.Submit(r.t.Context(), msgs)
	r.must(err)
	if _, err := r.ledger.Await(r.t.Context(), ticket); err != nil {
		r.t.Fatal(err)
	}
}

// as is a visitor who has signed in.
func (r *auditRig) as(role access.Role) *visitor {
	r.t.Helper()
	v := r.visitor()
	v.send("/sign-in", url.Values{"name": {string(role) + "-1"}, "password": {password}}, 200)
	return v
}

// where takes the addresses out of a page that begin with a path.
func where(text, path string) []string {
	var list []string
	for _, m := range regexp.MustCompile(`(?:href|action)="(`+regexp.QuoteMeta(path)+`[^"]*)"`).FindAllStringSubmatch(text, -1) {
		list = append(list, html.UnescapeString(m[1]))
	}
	return list
}

// TestAudit walks the pages of the audit over one ledger; the steps that enter something come last.
func TestAudit(t *testing.T) {
	r := newAuditRig(t)
	t.Run("for auditors", r.auditIsForAuditors)
	t.Run("register", r.theRegisterOfConsignments)
	t.Run("sheet", r.aConsignmentAsASheet)
	t.Run("balance", r.theBalance)
	t.Run("changes", r.whatChanged)
	t.Run("answers", r.answeringAFinding)
	r.t = t
}

func (r *auditRig) auditIsForAuditors(t *testing.T) {
	r.t = t
	for role, status := range map[access.Role]int{access.Office: 200, access.Officer: 200, access.Administrator: 200, access.Yard: 403} {
		v := r.as(role)
		for _, path := range []string{"/audit/consignments" + october, "/audit/consignments/TG02-0008" + october, "/audit/findings" + october, "/audit/event/1", "/audit/balance" + october, "/audit/changes" + october + "&since=900"} {
			v.read(path, status)
		}
	}
	stranger := r.visitor()
	wants(t, stranger.read("/audit/findings", 200), "<h1>Sign in</h1>")
	officer := r.as(access.Officer)
	priced := regexp.MustCompile(`gateFee|"rateCard"|invoice`)
	cards, err := r.ledger.Events(t.Context(), ledger.EventQuery{Kind: events.KindRegisterRevised, Limit: 1000})
	r.must(err)
	denied := 0
	for _, e := range cards {
		body := e.Event.Body.(events.RegisterRevised)
		path := fmt.Sprintf("/audit/event/%d", e.Position)
		if g := body.Document.Register(); g == events.RateCardRegister || g == events.TaxRegister {
			officer.read(path, 403)
			denied++
		} else if text := officer.read(path, 200); strings.Contains(text, "gateFee") {
			t.Errorf("the officer sees a price at %s: %s", path, priced.FindString(text))
		}
	}
	if denied == 0 {
		t.Error("the month has no rate card to keep from the officer")
	}
	if text := officer.read("/audit/findings"+october, 200); strings.Contains(text, "no-rate-card") || strings.Contains(text, "billable") {
		t.Error("the officer sees findings about prices")
	}
}

func (r *auditRig) theRegisterOfConsignments(t *testing.T) {
	r.t = t
	v := r.as(access.Officer)
	all := v.read("/audit/consignments"+october, 200)
	wants(t, all, "94 of 94", "TG02-0008", "Hollowgorse Landfill", "All 94 that are picked", "654,813 kg", "93 there, 1 missing")
	wants(t, v.read("/audit/consignments", 200), "2026-10-01 to 2026-10-31") // the month of the latest tip
	for query, want := range map[string][]string{
		"&docket=missing":                      {"1 of 94", "missing"},
		"&hazardous=yes":                       {"2 of 94", "hazardous"},
		"&discrepancy=over-ten-percent":        {"1 of 94", "over 10 %"},
		"&record=incomplete":                   {"2 of 94"},
		"&facility=F-FENNICK&truck=TM-01":      {"Fennick Vale"},
		"&text=corrigley+fennick":              {"Fennick Vale"},
		"&text=nothing+is+like+this":           {"None of the 94 consignments"},
		"&order=-mass":                         {`aria-sort="descending"`},
		"&profile=us-hazardous-waste-manifest": {"94 of 94"},
	} {
		wants(t, v.read("/audit/consignments"+october+query, 200), want...)
	}
	wants(t, v.read("/audit/consignments?from=2025-01-01&to=2025-01-31", 200), "Nothing was tipped in this period")
	wants(t, v.read("/audit/consignments"+october+"&at-position=x", 400), "at-position")
	// The pages of the register together are the register, and the file is just what is picked.
	second := v.read(where(all, "/audit/consignments?")[len(where(all, "/audit/consignments?"))-1], 200)
	if n := rows(all) + rows(second); n != 94 {
		t.Errorf("the pages have %d lines, want 94", n)
	}
	picked := v.read("/audit/consignments"+october+"&facility=F-FENNICK&order=number", 200)
	files := where(picked, "/audit/export/consignments?")
	if len(files) != 2 {
		t.Fatalf("files: %v", files)
	}
	for _, path := range files {
		res, err := v.client.Get(r.server.URL + path)
		r.must(err)
		body, err := io.ReadAll(res.Body)
		r.must(err)
		r.must(res.Body.Close())
		if res.StatusCode != 200 || !strings.Contains(res.Header.Get("Content-Disposition"), "attachment; filename=\"consignments-2026-10-01-2026-10-31.") {
			t.Fatalf("%s: %s %v", path, res.Status, res.Header)
		}
		if strings.Contains(path, "csv") {
			if got, want := strings.Count(string(body), "Fennick Vale"), count(t, picked); got < want || strings.Contains(string(body), "Hollowgorse") {
				t.Errorf("the file has %d lines of the facility, the page says %d", got, want)
			}
		}
	}
	v.read("/audit/export/consignments"+october+"&format=exe", 400)
}

func rows(text string) int {
	return strings.Count(text, `<th scope="row"><a href="/audit/consignments/`)
}

// count reads how many consignments a page of the register says are picked.
func count(t *testing.T, text string) int {
	t.Helper()
	m := regexp.MustCompile(`(\d+) of 94`).FindStringSubmatch(text)
	if m == nil {
		t.Fatal("the page does not say how many are picked")
	}
	n, err := strconv.Atoi(m[1])
	if err != nil {
		t.Fatal(err)
	}
	return n
}

func (r *auditRig) aConsignmentAsASheet(t *testing.T) {
	r.t = t
	v := r.as(access.Officer)
	text := v.read("/audit/consignments/TG02-0008"+october, 200)
	wants(t, text, "5,060 kg", "FENNICK-30285", "J-102", "Maeve Corrigley", "Drained in between", "Fuller Street manhole 12", "TM-R-0057", "listed by the permit", "R. Quillane",
		"All 12 items are there", "no statement of legal compliance", "atmospheric pressure", "Merkle root", "Together")
	for _, path := range where(text, "/audit/event/") {
		wants(t, v.read(path, 200), "As it was recorded", "Leaf hash")
	}
	if len(where(text, "/audit/event/")) < 8 {
		t.Error("the sheet does not lead to the events behind its figures")
	}
	wants(t, v.read(where(text, "/reports/manifest/line?")[0], 200), "Step by step")
	wants(t, v.read("/audit/consignments/TG02-0008", 200), "FENNICK-30285") // found without a period
	wants(t, v.read("/audit/consignments/TG02-0028"+october, 200), "hazardous and other material mixed", "hazardous-mixed"[:9])
	wants(t, v.read("/audit/consignments/TG02-0020"+october+"&profile=england-wales-transfer-note", 200), "valid from 2023-10-17 to 2026-10-16", "2011/988")
	wants(t, v.read("/audit/consignments/NONE-1"+october, 404), "no consignment")
	v.read("/audit/event/x", 400)
	v.read("/audit/event/999999", 404)
}

func (r *auditRig) answeringAFinding(t *testing.T) {
	r.t = t
	office, officer, admin := r.as(access.Office), r.as(access.Officer), r.as(access.Administrator)
	list := office.read("/audit/findings"+october+"&code=permit-expired", 200)
	wants(t, list, "To settle", "ask the facility for the permit in force", "Answer it")
	path := where(list, "/audit/findings/answer?")[0]
	form := office.read(path, 200)
	wants(t, form, "Nobody has answered this yet", "Record the answer")
	if text := officer.read(path, 200); strings.Contains(text, "<textarea") || !strings.Contains(text, "Your role reads and does not enter") {
		t.Error("the officer, who only reads, is offered a form")
	}
	to := where(form, "/audit/findings/answer?")
	seen := regexp.MustCompile(`name="seen" value="(\d+)"`).FindStringSubmatch(form)[1]
	fields := url.Values{"seen": {seen}, "outcome": {"reported"}, "text": {"the facility sent its new permit on 21 October"}}
	officer.send(to[len(to)-1], fields, 403)
	wants(t, office.send(to[len(to)-1], url.Values{"seen": {seen}, "outcome": {"guessed"}, "text": {"x"}}, 400), "outcome", ">x</textarea>")
	wants(t, office.send(to[len(to)-1], url.Values{"outcome": {"reported"}, "text": {"x"}}, 400), "load the page again")
	wants(t, office.send(to[len(to)-1], fields, 200), "The answer is recorded", "new permit on 21 October", "Person of the office")
	before := r.head()
	office.send(to[len(to)-1], fields, 200) // again: nothing new
	if r.head() != before {
		t.Error("the same answer was entered twice")
	}
	// Somebody else who had not seen it is told before theirs is entered; both stand afterwards.
	other := url.Values{"seen": {seen}, "outcome": {"accepted"}, "text": {"seen in the annual audit"}}
	told := admin.send(to[len(to)-1], other, 409)
	wants(t, told, "answered meanwhile", "Person of the office", "new permit on 21 October", "seen in the annual audit</textarea>", "Record it all the same")
	if r.head() != before {
		t.Error("an answer was entered that its author was to be asked about")
	}
	other.Set("seen", regexp.MustCompile(`name="seen" value="(\d+)"`).FindStringSubmatch(told)[1])
	wants(t, admin.send(to[len(to)-1], other, 200), "new permit on 21 October", "seen in the annual audit")
	wants(t, officer.read("/audit/findings"+october+"&code=permit-expired", 200), "new permit on 21 October", "seen in the annual audit", "1 found, 0 open")
	wants(t, officer.read("/audit/findings/answer?code=permit-expired&about=1&from=2026-10-01&to=2026-10-31", 404), "nothing of the kind")
}

func (r *auditRig) head() uint64 {
	r.t.Helper()
	h, err := r.ledger.Head(r.t.Context())
	r.must(err)
	return h.Position
}

func (r *auditRig) theBalance(t *testing.T) {
	r.t = t
	v := r.as(access.Officer)
	text := v.read("/audit/balance"+october, 200)
	wants(t, text, `role="img"`, "Jetting water", "Weir Road lagoon", "Hollowgorse Landfill", "J-101 Mill Lane", "hatched: unaccounted for", "390.25 m³", "By truck", "By job", "By month", "dockets against the account")
	numbers, _, _ := strings.Cut(text, `id="unaccounted"`)
	if drawn, listed := strings.Count(text, `class="ribbon`), strings.Count(numbers, "<td>TM-0"); drawn != listed || drawn == 0 {
		t.Errorf("%d ribbons are drawn, %d flows are listed", drawn, listed)
	}
	wants(t, v.read("/audit/balance"+october+"&of=solids", 200), "Solids from site to facility, by mass", "422,691 kg")
	one := v.read("/audit/balance"+october+"&truck=TM-02", 200)
	if wants(t, one, "TM-02 · "); strings.Contains(one, "TM-01 · ") {
		t.Error("the balance of one truck draws another")
	}
	wants(t, v.read("/audit/balance"+october+"&job=J-102", 200), "Fuller Street manhole 12")
	wants(t, v.read("/audit/balance"+october+"&job=J-999", 404), "J-999")
	wants(t, v.read("/audit/balance?from=2025-01-01&to=2025-01-31", 200), "Nothing flowed in this period")
	for _, path := range where(text, "/audit/balance?") {
		v.read(path, 200)
	}
	// A gauge that shows less than the account is drawn as what it is.
	b := events.TankGauged{Tank: events.DebrisTank, Volume: events.Volume{VolumeML: 1_000_000, Basis: events.Measured, ToleranceML: 20_000}}
	r.submit([]events.Event{{ID: "gauge-audit", Source: events.OfficeSource("audit-test"), Seq: 1, Truck: "TM-01", Occurred: events.MustTime("2026-10-05T03:00:00Z"), Origin: events.FromOffice, Body: b}})
	wants(t, v.read("/audit/balance"+october, 200), "Unaccounted: from nowhere known", "ribbon unaccounted", "more than the account knew", "debris tank")
}

func (r *auditRig) whatChanged(t *testing.T) {
	r.t = t
	v := r.as(access.Officer)
	list, err := r.ledger.Events(t.Context(), ledger.EventQuery{Kind: events.KindEntryCorrected, Limit: 1})
	r.must(err)
	at := list[0].Position
	text := v.read(fmt.Sprintf("/audit/changes%s&since=%d&at-position=%d", october, at-1, at), 200)
	wants(t, text, "1 events came in between", "TG01-0005", "5.857", "5.839", fmt.Sprintf(`href="/audit/event/%d"`, at), "volume typed with a wrong first digit")
	if strings.Contains(text, "TG02-") {
		t.Error("a consignment of another truck changed by the correction")
	}
	head := r.head()
	wants(t, v.read(fmt.Sprintf("/audit/changes%s&since=%d", october, head), 200), "Nothing of the period changed")
	wants(t, v.read("/audit/changes"+october, 200), "Enter a ledger position")
	wants(t, v.read("/audit/changes"+october+"&since=999999", 400), "To do", `value="999999"`)
	wants(t, v.read("/audit/changes"+october+"&since=x", 400), "whole number")
	wants(t, v.read("/audit/changes"+october+"&since-at=yesterday", 400), "2026-10-31T18:00")
	wants(t, v.read("/audit/changes"+october+"&since-at=2020-01-01T00:00", 400), "choose a later moment")
	wants(t, v.read("/audit/changes"+october+"&since-at=2099-01-01T00:00", 200), fmt.Sprintf("Position %d", head)) // all was recorded by then
	v.read("/audit/changes"+october+"&since=200", 200)
}
