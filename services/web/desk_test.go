package web_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"html"
	"io"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
	book "spoilbook/reports/register"
	"spoilbook/services/access"
	"spoilbook/services/access/accesstest"
	"spoilbook/services/broker"
	"spoilbook/services/demo"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
	"spoilbook/services/register"
	"spoilbook/services/rigtest"
	"spoilbook/services/sheets"
	"spoilbook/services/store"
	"spoilbook/services/web"
)

// newDesk is the pages over a real broker, intake and store that hold the demo's month, so that what is entered is recorded. It is the morning of
// 5 November 2026.
func newDesk(t *testing.T, signIn bool) *rig {
	t.Helper()
	r := &rig{t: t}
	e := rigtest.Engine(t)
	b, err := broker.Open(t.Context(), broker.Options{Dir: t.TempDir(), MaxStoreBytes: 1 << 30})
	r.must(err)
	t.Cleanup(func() { r.must(b.Close(context.Background())) })
	r.store, err = store.Open(t.Context(), store.Options{Transport: e.Transport()})
	r.must(err)
	t.Cleanup(func() { r.must(r.store.Close()) })
	r.take(b)
	now := func() time.Time { return events.MustTime("2026-11-05T09:00:00.000Z").Std() }
	l := ledger.New(ledger.Config{Publisher: rigtest.Publisher{Broker: b}, Store: r.store, Now: now})
	month, err := demo.Build()
	r.must(err)
	var last ledger.Ticket
	for _, batch := range month.Batches {
		msgs, err := ledger.MessagesOf(batch.Events)
		r.must(err)
		last, err = l.Submit(t.Context(), msgs)
		r.must(err)
	}
	_, err = l.Await(t.Context(), last)
	r.must(err)
	config := web.Config{Ledger: l, Zone: demo.ZoneName, Formats: []string{"xlsx", "csv"}, Files: exchange{}, Export: export, Version: "test", Now: now}
	if signIn {
		r.book, err = access.New(access.Config{Vault: accesstest.NewVault(), HashKiB: 64})
		r.must(err)
		config.Access = r.book
	}
	pages, err := web.New(config)
	r.must(err)
	r.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		who := access.Everyone()
		if signIn {
			who = access.Identity{}
			if c, err := req.Cookie(access.CookieName(false)); err == nil {
				who, _ = r.book.BySession(req.Context(), c.Value) // over is as none
			}
		}
		pages.ServeHTTP(w, req.WithContext(access.With(req.Context(), who)))
	}))
	t.Cleanup(r.server.Close)
	r.ledger = l
	return r
}

// TestEntering is what people enter at one desk, one after another.
func TestEntering(t *testing.T) {
	r := newDesk(t, false)
	for _, step := range []struct {
		name string
		try  func(*testing.T, *rig)
	}{{"paper that is wrong", paperThatIsWrong}, {"paper from form to ledger", paperFromFormToLedger}, {"register forms say what is wrong at the field", registerFormsSayWhatIsWrong},
		{"register as files", registerAsFiles}, {"register is revised, looked at and undone", registerIsRevised}, {"in German", enteringInGerman}} {
		t.Run(step.name, func(t *testing.T) {
			own := *r
			own.t = t
			step.try(t, &own)
		})
	}
}

// TestWhoMayEnter is the same for those who have signed in.
func TestWhoMayEnter(t *testing.T) {
	r := newDesk(t, true)
	t.Run("paper", func(t *testing.T) { own := *r; own.t = t; whoMayHandPaperIn(t, &own) })
	t.Run("prices and revisions", func(t *testing.T) { own := *r; own.t = t; pricesAndRevisions(t, &own) })
}

// enteringInGerman looks for words that were left in English.
func enteringInGerman(t *testing.T, r *rig) {
	for path, words := range map[string][]string{"/paper": {"Tagesblatt holen", "Formular abgeben"}, "/register": {"Fahrzeuge", "Preislisten", "Mitnehmen"}, "/register/truck/TM-01": {"Verlauf", "Aushubtank fasst", "Achsen"},
		"/register/rate-card/RC-STD/revise": {"Ab wann es gilt", "Stundensätze", "Warten auf Auftraggeber", "Sehen, was sich ändert"}} {
		req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, r.server.URL+path, nil)
		r.must(err)
		req.Header.Set("Accept-Language", "de")
		res, err := http.DefaultClient.Do(req)
		r.must(err)
		text, err := io.ReadAll(res.Body)
		r.must(errors.Join(err, res.Body.Close()))
		wants(t, string(text), append(words, `lang="de"`)...)
	}
}

// take runs the intake until the test ends.
func (r *rig) take(b *broker.Broker) {
	r.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	stream, err := rigtest.Publisher{Broker: b}.Stream(ctx)
	r.must(err)
	in, err := intake.New(ctx, intake.Config{Store: r.store, Receipts: b, Stream: stream})
	r.must(err)
	c, err := b.Consume(ctx, broker.ConsumeOptions{From: in.Handled() + 1})
	r.must(err)
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx, rigtest.Feed{Consumer: c}) }()
	r.t.Cleanup(func() {
		cancel()
		r.must(<-ended)
	})
}

// exchange is the files of the pages, as the program wires them.
type exchange struct{}

func (exchange) WriteForm(ctx context.Context, w io.Writer, form *cells.Form) error {
	return sheets.Form(ctx, w, form)
}
func (exchange) ReadWorkbook(content []byte) (*cells.Workbook, error) { return sheets.Read(content) }
func (exchange) RegisterText(revs []events.RegisterRevised) (map[string][]byte, error) {
	return register.Write(revs)
}
func (exchange) RegisterForm(revs []events.RegisterRevised) (*cells.Form, error) {
	return register.Workbook(revs)
}
func (exchange) ReadRegisterText(files map[string][]byte, known *book.Book) ([]events.RegisterRevised, error) {
	return register.Loader{Known: known}.ReadFiles(files)
}
func (exchange) ReadRegisterWorkbook(wb *cells.Workbook, known *book.Book, author string, zone *time.Location) ([]events.RegisterRevised, error) {
	return register.Loader{Known: known}.Workbook(wb, author, zone)
}
func (exchange) Standing(known *book.Book) []events.RegisterRevised { return register.Standing(known) }
func (exchange) Changed(revs []events.RegisterRevised, known *book.Book) ([]events.RegisterRevised, error) {
	return register.Changed(revs, known)
}
func (exchange) Verify(revs []events.RegisterRevised, known *book.Book) []events.FieldError {
	var p *register.Problems
	if !errors.As(register.Loader{Known: known}.Verify(revs), &p) {
		return nil
	}
	list := []events.FieldError{}
	for _, one := range p.List {
		list = append(list, events.FieldError{Field: one.Field, Found: one.Found, Allowed: one.Allowed})
	}
	return list
}
func (exchange) RegisterEvents(revs []events.RegisterRevised, known *book.Book, firstSeq uint64, occurred events.Time) ([]events.Event, error) {
	return register.Events(revs, known, ledger.RegisterDesk, firstSeq, occurred)
}

// hand sends files as a form does.
func (v *visitor) hand(path, field string, files map[string][]byte, status int) string {
	v.t.Helper()
	var b bytes.Buffer
	m := multipart.NewWriter(&b)
	for name, content := range files {
		part, err := m.CreateFormFile(field, name)
		v.must(err)
		_, err = part.Write(content)
		v.must(err)
	}
	v.must(m.Close())
	res, err := v.client.Post(v.server.URL+path, m.FormDataContentType(), &b)
	v.must(err)
	return v.page(res, status)
}

// take gets a file.
func (v *visitor) file(path string) []byte {
	v.t.Helper()
	res, err := v.client.Get(v.server.URL + path)
	v.must(err)
	content, err := io.ReadAll(res.Body)
	v.must(errors.Join(err, res.Body.Close()))
	if res.StatusCode != 200 || res.Header.Get("Content-Disposition") == "" {
		v.t.Fatalf("%s: %s %v", path, res.Status, res.Header)
	}
	return content
}

// signedIn is a visitor in a role.
func (r *rig) signedIn(name string, role access.Role, trucks ...events.TruckID) *visitor {
	r.t.Helper()
	_, err := r.book.Change(r.t.Context(), access.Everyone(), access.User{Name: name, Full: name + " of the yard", Role: role, Trucks: trucks}, password)
	r.must(err)
	v := r.visitor()
	v.send("/sign-in", map[string][]string{"name": {name}, "password": {password}}, 200)
	return v
}

var formPart = regexp.MustCompile(`(?s)<(input|select|option|/select)([^>]*)>`)

func attribute(tag, name string) string {
	m := regexp.MustCompile(` ` + name + `="([^"]*)"`).FindStringSubmatch(tag)
	if m == nil {
		return ""
	}
	return html.UnescapeString(m[1])
}

// formIn returns what a browser sends of the form with a mark, as it stands.
func formIn(t *testing.T, text, mark string) url.Values {
	t.Helper()
	_, rest, found := strings.Cut(text, mark)
	if !found {
		t.Fatalf("no form %s in %s", mark, text)
	}
	rest, _, _ = strings.Cut(rest, "</form>")
	q, list := url.Values{}, ""
	for _, m := range formPart.FindAllStringSubmatch(rest, -1) {
		tag := m[2]
		name, v := attribute(tag, "name"), attribute(tag, "value")
		switch m[1] {
		case "select":
			list = name
		case "/select":
			list = ""
		case "option":
			if strings.Contains(tag, " selected") {
				q.Set(list, v)
			}
		case "input":
			if attribute(tag, "type") != "checkbox" || strings.Contains(tag, " checked") {
				q.Add(name, v)
			}
		}
	}
	return q
}

func october2026(t *testing.T, r *rig, name string) ledger.ReportQuery {
	t.Helper()
	p, err := r.ledger.PeriodOf("2026-10-01", "2026-10-31", demo.ZoneName)
	r.must(err)
	return ledger.ReportQuery{Name: name, Period: p}
}

func noExport(_ context.Context, w io.Writer, r *ledger.Report) error {
	_, err := fmt.Fprintln(w, r.Query.Name, r.Position)
	return err
}

func uintText(n uint64) string { return strconv.FormatUint(n, 10) }

func newBook(list []events.Recorded) *book.Book { return book.NewBook(list) }
