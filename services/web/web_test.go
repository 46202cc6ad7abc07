package web_test

import (
	"bufio"
	"cmp"
	"html"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/access"
	"spoilbook/services/access/accesstest"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
	"spoilbook/services/oidc"
	"spoilbook/services/oidc/oidctest"
	"spoilbook/services/rigtest"
	"spoilbook/services/store"
	"spoilbook/services/web"
)

const password = "gravel over clay over rock"

// rig is the pages over a real store that holds the demo's month, mounted as the API mounts them.
type rig struct {
	t      *testing.T
	store  *store.Store
	book   *access.Book
	server *httptest.Server
	ledger *ledger.Ledger // where what is entered is recorded
	pages  http.Handler
	issuer *oidctest.Issuer
	last   uint64
	clock  func() time.Time // of the pages
}

func newRig(t *testing.T, signIn bool) *rig {
	t.Helper()
	r := &rig{t: t, clock: time.Now}
	var err error
	r.store, err = store.Open(t.Context(), store.Options{Transport: rigtest.Engine(t).Transport()})
	r.must(err)
	t.Cleanup(func() { r.must(r.store.Close()) })
	month, err := demo.Build()
	r.must(err)
	var list []events.Event
	for _, b := range month.Batches {
		list = append(list, b.Events...)
	}
	r.record(list)
	config := web.Config{Ledger: ledger.New(ledger.Config{Store: r.store}), Zone: demo.ZoneName, Formats: []string{"xlsx", "csv"}, Version: "test", Now: func() time.Time { return r.clock() },
		Files: exchange{}}
	if signIn {
		r.book, err = access.New(access.Config{Vault: accesstest.NewVault(), HashKiB: 64})
		r.must(err)
		config.Access = r.book
	}
	r.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, req *http.Request) {
		who := access.Everyone()
		if signIn {
			who = access.Identity{}
			if c, err := req.Cookie(access.CookieName(false)); err == nil {
				who, _ = r.book.BySession(req.Context(), c.Value) // over is as none
			}
		}
		r.pages.ServeHTTP(w, req.WithContext(access.With(req.Context(), who)))
	}))
	t.Cleanup(r.server.Close)
	if signIn {
		r.issuer = oidctest.New(t)
		config.Issuer, err = oidc.New(oidc.Config{Issuer: r.issuer.URL, ClientID: oidctest.ClientID, Secret: oidctest.Secret, Return: r.server.URL + "/sign-in/return", Called: "Tarnmoor staff"})
		r.must(err)
	}
	r.pages, err = web.New(config)
	r.must(err)
	return r
}

func (r *rig) must(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
}

// record stores events as one block.
func (r *rig) record(list []events.Event) {
	r.t.Helper()
	b := &ledger.Block{Stream: "TEST@1", FirstSeq: r.last + 1, LastSeq: r.last + uint64(len(list)), Position: r.last + uint64(len(list)), Frontier: []byte{1}, At: time.Now()}
	for i := range list {
		e := &list[i]
		body, err := wire.Encode(e)
		r.must(err)
		r.last++
		b.Records = append(b.Records, ledger.Record{Position: r.last, Stream: b.Stream, StreamSeq: r.last, Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(), Truck: e.Truck, Job: e.Job,
			Operator: e.Operator, Occurred: e.Occurred, Recorded: time.UnixMilli(e.Occurred.UnixMS), Body: body, Hash: chain.LeafHash(body)})
	}
	r.must(r.store.Append(r.t.Context(), b))
}

// visitor is a browser without scripts.
type visitor struct {
	*rig
	client *http.Client
	tongue string // in which the pages have to be; empty is English
}

func (r *rig) visitor() *visitor {
	jar, err := cookiejar.New(nil)
	r.must(err)
	return &visitor{rig: r, client: &http.Client{Jar: jar}}
}

// read gets a page, wants a status, and looks at what every page has to have.
func (v *visitor) read(path string, status int) string {
	v.t.Helper()
	res, err := v.client.Get(v.server.URL + path)
	v.must(err)
	return v.page(res, status)
}

func (v *visitor) send(path string, fields url.Values, status int) string {
	v.t.Helper()
	res, err := v.client.PostForm(v.server.URL+path, fields)
	v.must(err)
	return v.page(res, status)
}

var inputs = regexp.MustCompile(`<(?:input|select)[^>]*>`)

func (v *visitor) page(res *http.Response, status int) string {
	v.t.Helper()
	body, err := io.ReadAll(res.Body)
	v.must(err)
	v.must(res.Body.Close())
	text, at := string(body), res.Request.URL
	if res.StatusCode != status {
		v.t.Fatalf("%s: %s, want %d: %s", at, res.Status, status, text)
	}
	if len(body) > 300_000 {
		v.t.Errorf("%s has %d bytes, at most 300 kB", at, len(body))
	}
	csp := res.Header.Get("Content-Security-Policy")
	if !strings.Contains(csp, "default-src 'none'") || strings.Contains(csp, "unsafe") || res.Header.Get("X-Content-Type-Options") != "nosniff" {
		v.t.Errorf("%s: header %v", at, res.Header)
	}
	if !strings.HasPrefix(res.Header.Get("Content-Type"), "text/html") {
		return text
	}
	if strings.Count(text, "<h1>") != 1 || strings.Count(text, "<main") != 1 || !strings.Contains(text, `<html lang="`+cmp.Or(v.tongue, "en")+`">`) || !strings.Contains(text, "</html>") {
		v.t.Errorf("%s is not one whole page", at)
	}
	if strings.Contains(text, " style=") || strings.Contains(text, "<style") || strings.Contains(text, "javascript:") || strings.Contains(text, " onclick=") || regexp.MustCompile(`(?:src|href)="(?:https?:)?//`).MatchString(text) {
		v.t.Errorf("%s has what its policy forbids", at)
	}
	if strings.Contains(text, "ZgotmplZ") || strings.Contains(text, "%!") || strings.Contains(text, "&lt;nil&gt;") {
		v.t.Errorf("%s was not filled in well", at)
	}
	for _, in := range inputs.FindAllString(text, -1) {
		id := regexp.MustCompile(` id="([^"]*)"`).FindStringSubmatch(in)
		labelled := id != nil && strings.Contains(text, `<label for="`+id[1]+`"`) || regexp.MustCompile(`<label[^>]*>[^<]*`+regexp.QuoteMeta(in)).MatchString(text)
		if !labelled && !strings.Contains(in, `type="hidden"`) {
			v.t.Errorf("%s: %s has no label", at, in)
		}
	}
	return text
}

func wants(t *testing.T, text string, parts ...string) {
	t.Helper()
	for _, p := range parts {
		if !strings.Contains(text, p) {
			t.Errorf("the page lacks %q", p)
		}
	}
}

const october = "?from=2026-10-01&to=2026-10-31&tz=Europe%2FDublin"

func TestPagesWithoutSignIn(t *testing.T) {
	r := newRig(t, false)
	v := r.visitor()
	wants(t, v.read("/", 200), "<h1>Yard</h1>")
	wants(t, v.read("/yard?at=2026-10-14T10:30", 200), "TM-01", "Big Heron", "Rest", "since 10:10", "5.32", "clear water above the bed", "ledger position")
	wants(t, v.read("/yard?at=nonsense", 400), "nonsense", "2026-10-05T10:00")
	wants(t, v.read("/yard?truck=TM-99", 404), "TM-99")
	wants(t, v.read("/reports", 200), "Spoil manifest", "Billable hours", "Emergency stops")
	for _, name := range ledger.ReportNames() {
		text := v.read("/reports/"+name+october, 200)
		wants(t, text, "ledger position", "/v1/reports/"+name+"?", "<table>", "o look at")
		line := regexp.MustCompile(`href="(/reports/` + name + `/line\?[^"]*)"`).FindStringSubmatch(text)
		if line == nil {
			t.Errorf("no line of %s leads to how it came about", name)
			continue
		}
		wants(t, v.read(html.UnescapeString(line[1]), 200), "Rules and where they come from", "Events it rests on", "Back to the report")
	}
	wants(t, v.read("/reports/nothing"+october, 404), "no report")
	wants(t, v.read("/reports/water?from=2026-10-32&to=2026-10-31", 400), "To do:")
	wants(t, v.read("/reports/water"+october+"&at-position=x", 400), "at-position")
	wants(t, v.read("/reports/water"+october+"&at-position=999999", 404), "position")
	wants(t, v.read("/reports/water/line"+october+"&line=none", 404), "To do:")
	wants(t, v.read("/nowhere", 404), "no page /nowhere")
	wants(t, v.read("/reports/water?from=2025-01-01&to=2025-01-31&tz=UTC", 200), "No water was decanted")
	if strings.Contains(v.read("/yard?at=2026-10-14T10:30&truck=<script>", 404), "<script>alert") {
		t.Error("what was asked for stands in the page as it is")
	}
}

func TestSigningIn(t *testing.T) {
	r := newRig(t, true)
	v := r.visitor()
	wants(t, v.read("/", 200), "<h1>Sign in</h1>")
	wants(t, v.read("/reports/water"+october, 200), "<h1>Sign in</h1>", `value="/reports/water?from=2026-10-01`)
	code, err := r.book.First(t.Context())
	r.must(err)
	fields := url.Values{"code": {"wrong"}, "name": {"ann"}, "full": {"Ann of the office"}, "password": {password}}
	wants(t, v.send("/begin", fields, 401), "the code is not right", `value="ann"`)
	fields.Set("code", code)
	fields.Set("password", "short")
	wants(t, v.send("/begin", fields, 400), "12 or more", `value="`+code+`"`)
	fields.Set("password", password)
	wants(t, v.send("/begin", fields, 200), "<h1>Yard</h1>", "Ann of the office", "Sign out")
	wants(t, v.send("/sign-out", nil, 200), "<h1>Sign in</h1>")
	in := url.Values{"name": {"ann"}, "password": {"wrong wrong wrong"}, "to": {"/reports"}}
	wants(t, v.send("/sign-in", in, 401), "the name or the password is not right", `value="/reports"`)
	in.Set("password", password)
	wants(t, v.send("/sign-in", in, 200), "<h1>Reports</h1>")
	for _, elsewhere := range []string{"https://elsewhere.example/", "//elsewhere.example/", "/\\elsewhere.example", "x"} {
		in.Set("to", elsewhere)
		wants(t, v.send("/sign-in", in, 200), "<h1>Yard</h1>") // home, and nowhere else
	}
}

func TestEachRoleSeesItsOwn(t *testing.T) {
	r := newRig(t, true)
	for name, c := range map[string]struct {
		role   access.Role
		trucks []events.TruckID
		home   string
		seen   []string
		not    []string
		status map[string]int
	}{
		"office":  {access.Office, nil, "Reports", []string{"Billable hours"}, nil, map[string]int{"/reports/billable" + october: 200}},
		"officer": {access.Officer, nil, "Consignments", []string{"Manifest register"}, []string{"Billable hours"}, map[string]int{"/reports/billable" + october: 403, "/reports/manifest" + october: 200, "/reports/billable/line" + october + "&line=x": 403}},
		"yardman": {access.Yard, nil, "Yard", []string{"TM-02", "TM-03"}, nil, map[string]int{"/reports/billable" + october: 403}},
		"crew-2":  {access.Crew, []events.TruckID{"TM-02"}, "Today", []string{"TM-02"}, []string{"TM-01", "TM-03"}, map[string]int{"/reports/water" + october: 403, "/reports/water" + october + "&truck=TM-02": 200, "/reports/water" + october + "&truck=TM-01": 403, "/yard?truck=TM-01": 403}},
		"crew-12": {access.Crew, []events.TruckID{"TM-01", "TM-02", "TM-77"}, "Today", []string{"TM-01", "TM-02"}, []string{"TM-03"}, map[string]int{"/yard?truck=TM-03": 403}},
	} {
		_, err := r.book.Change(t.Context(), access.Everyone(), access.User{Name: name, Role: c.role, Trucks: c.trucks}, password)
		r.must(err)
		v := r.visitor()
		v.send("/sign-in", url.Values{"name": {name}, "password": {password}}, 200)
		home := v.read("/", 200)
		wants(t, home, append([]string{"<h1>" + c.home + "</h1>"}, c.seen...)...)
		for _, not := range c.not {
			if strings.Contains(home, not) {
				t.Errorf("%s sees %s", name, not)
			}
		}
		for path, status := range c.status {
			v.read(path, status)
		}
	}
}

func TestTheYardIsLive(t *testing.T) {
	r := newRig(t, false)
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, r.server.URL+"/yard/live", nil)
	r.must(err)
	res, err := http.DefaultClient.Do(req)
	r.must(err)
	defer res.Body.Close()
	if got := res.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Fatalf("content type %q", got)
	}
	lines := bufio.NewScanner(res.Body)
	next := func() string {
		for lines.Scan() {
			if data, ok := strings.CutPrefix(lines.Text(), "data: "); ok {
				return data
			}
		}
		t.Fatalf("the stream ended: %v", lines.Err())
		return ""
	}
	before := next()
	r.record([]events.Event{{ID: "live-1", Source: "/truck/TM-01", Seq: 999_999, Truck: "TM-01", Occurred: events.MustTime("2026-11-02T07:00:00.000Z"), Origin: events.FromCrew, Body: events.ShiftStarted{}}})
	if after := next(); after == before {
		t.Errorf("the position stays %s", after)
	}
	wants(t, r.visitor().read("/yard?at=2026-11-02T07:30", 200), "Travel", "since 07:00")
}

func TestLiveIsForThoseWhoMay(t *testing.T) {
	r := newRig(t, true)
	res, err := http.Get(r.server.URL + "/yard/live")
	r.must(err)
	defer res.Body.Close()
	if res.StatusCode != http.StatusUnauthorized {
		t.Errorf("a stranger is told where the ledger stands: %s", res.Status)
	}
}
