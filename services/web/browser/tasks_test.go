package browser

import (
	"archive/zip"
	"bytes"
	"strings"
	"testing"
	"time"
)

// period fills in the invented month.
func (w *tab) period() {
	w.t.Helper()
	w.set("[name=from]", "2026-10-01")
	w.set("[name=to]", "2026-10-31")
}

// workbook fails unless a file is a workbook with sheets of these names.
func workbook(t *testing.T, file []byte, sheets ...string) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(file), int64(len(file)))
	if err != nil {
		t.Fatalf("the file of %d bytes is no workbook: %v: %.200s", len(file), err, file)
	}
	f, err := z.Open("xl/workbook.xml")
	if err != nil {
		t.Fatal(err)
	}
	var text bytes.Buffer
	if _, err := text.ReadFrom(f); err != nil {
		t.Fatal(err)
	}
	for _, sheet := range sheets {
		if !strings.Contains(text.String(), `name="`+sheet+`"`) {
			t.Errorf("the workbook has no sheet %q", sheet)
		}
	}
}

// The office charges the month: from signing in to the workbook that invoices are written from, by way of a line that it asks about.
func TestOfficeChargesTheMonth(t *testing.T) {
	w := shared.signedIn(t, "office")
	w.press(w.named("Reports"))
	w.period()
	w.press(w.named("Billable hours"))
	w.sees("Billable hours", "To look at", "Kestrelgate Civil")
	w.press("main tbody a")
	w.sees("How this line came about")
	w.back()
	w.sees("To look at")
	workbook(t, w.download(w.named("xlsx")), "Cover", "Findings", "Workings")
}

// The officer reads the record, follows a consignment to its events, and takes the workbook along; prices and people are none of its business.
func TestOfficerAuditsTheManifest(t *testing.T) {
	w := shared.signedIn(t, "officer")
	w.press(w.named("Reports"))
	if strings.Contains(w.text(), "Billable") {
		t.Error("the officer is offered prices")
	}
	w.period()
	w.press(w.named("Spoil manifest"))
	w.sees("consignments", "docket-over-ten-percent", "To settle")
	w.press("main tbody a")
	w.sees("How this line came about", "TG01-0001")
	w.back()
	workbook(t, w.download(w.named("xlsx")), "Consignments", "Findings", "Events")
	w.open("/reports/billable?" + month)
	if w.status() != 403 {
		t.Errorf("the officer is shown prices, status %d", w.status())
	}
	w.sees("does not include prices")
}

// The yard looks at its trucks and takes the time split along.
func TestYardRunsTheDay(t *testing.T) {
	w := shared.signedIn(t, "yard")
	w.sees("TM-01", "TM-02", "TM-03", "Debris tank", "Fresh water")
	w.press(w.named("Reports"))
	w.period()
	w.press(w.named("Time split"))
	w.sees("To look at", "Take along")
	workbook(t, w.download(w.named("xlsx")), "Cover", "Workings")
}

// The crew sees its own truck and no other, and takes its own water figures along.
func TestCrewSeesItsTruck(t *testing.T) {
	w := shared.signedIn(t, "crew")
	w.sees("TM-01")
	if strings.Contains(w.text(), "TM-02") {
		t.Error("the crew of TM-01 sees TM-02")
	}
	w.press(w.named("Reports"))
	w.period()
	w.press(w.named("Water"))
	w.sees("TM-01")
	if file := string(w.download(w.named("csv"))); !strings.HasPrefix(file, "date,") {
		t.Errorf("the CSV begins %.80q", file)
	}
	w.open("/reports/water?truck=TM-02&" + month)
	if w.status() != 403 {
		t.Errorf("the crew of TM-01 reads the water of TM-02, status %d", w.status())
	}
}

// The administrator lets somebody in, makes a token for a truck, and signs out; the newcomer signs in with the first password.
func TestAdministratorLetsSomebodyIn(t *testing.T) {
	w := shared.signedIn(t, "administrator")
	w.press(w.named("People"))
	form := `form:has(> h3 + label [name=name]) `
	w.fill(form+"[name=name]", "newcomer")
	w.fill(form+"[name=full]", "Nora Quill")
	w.set(form+"[name=role]", "officer")
	w.fill(form+"[name=password]", password)
	w.press(form + "button")
	w.sees("newcomer")
	w.fill("#for", "controller of TM-02")
	w.set("#role", "truck")
	w.fill("#trucks", "TM-02")
	w.set("#ends", time.Now().AddDate(0, 2, 0).Format(time.DateOnly))
	w.press(`form[action="/people/token"] button`)
	w.sees("Copy it now", "sbk_", "controller of TM-02")
	w.press("form.who button")
	w.sees("Sign in")
	w.open("/people")
	w.sees("Sign in")

	next := shared.window(t, shared.address)
	next.open("/sign-in")
	next.fill("#name", "newcomer")
	next.fill("#password", password)
	next.press("main form button")
	next.sees("Nora Quill", "officer")
}
