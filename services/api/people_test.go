package api_test

import (
	"context"
	"encoding/json"
	"errors"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/broker"
	"spoilbook/services/ledger"
)

// vault keeps the records of people in the broker, as the program does.
type vault struct{ r *broker.Records }

func vaultError(err error) error {
	switch {
	case errors.Is(err, broker.ErrNoRecord):
		return access.ErrMissing
	case errors.Is(err, broker.ErrRecordChanged):
		return access.ErrChanged
	}
	return err
}

func (v vault) Get(ctx context.Context, key string) (access.Entry, error) {
	e, err := v.r.Get(ctx, key)
	return access.Entry(e), vaultError(err)
}

func (v vault) Put(ctx context.Context, key string, value []byte, revision uint64) (uint64, error) {
	at, err := v.r.Put(ctx, key, value, revision)
	return at, vaultError(err)
}

func (v vault) Delete(ctx context.Context, key string) error { return v.r.Delete(ctx, key) }

func (v vault) List(ctx context.Context, prefix string) ([]access.Entry, error) {
	list, err := v.r.List(ctx, prefix)
	out := make([]access.Entry, len(list))
	for i, e := range list {
		out[i] = access.Entry(e)
	}
	return out, vaultError(err)
}

// guarded is a rig whose API asks who somebody is, and a token of each role; crews and trucks have TM-01.
type guarded struct {
	*rig
	book   *access.Book
	tokens map[access.Role]string
}

func newGuarded(t *testing.T) *guarded {
	t.Helper()
	r := &guarded{rig: newRig(t), tokens: map[access.Role]string{}}
	shelf, err := r.broker.Records(t.Context(), "TEST_ACCESS")
	r.must(err)
	r.book, err = access.New(access.Config{Vault: vault{shelf}, HashKiB: 64})
	r.must(err)
	r.config.Access, r.config.Registry = r.book, nil
	r.serve()
	r.record()
	for _, role := range access.Roles() {
		token := access.Token{Role: role, For: "test of " + string(role), Ends: time.Now().Add(time.Hour)}
		if role == access.Truck || role == access.Crew {
			token.Trucks = []events.TruckID{"TM-01"}
		}
		_, secret, err := r.book.MakeToken(t.Context(), access.Everyone(), token)
		r.must(err)
		r.tokens[role] = secret
	}
	return r
}

// as sends a request with a role's token, of nobody for the empty role, and returns the status of the answer.
func (r *guarded) as(role access.Role, method, path, media, body string) int {
	r.t.Helper()
	req, err := http.NewRequest(method, r.server.URL+path, strings.NewReader(body))
	r.must(err)
	if media != "" {
		req.Header.Set("Content-Type", media)
	}
	if role != "" {
		req.Header.Set("Authorization", "Bearer "+r.tokens[role])
	}
	res, err := http.DefaultClient.Do(req)
	r.must(err)
	r.check(res.Body.Close())
	return res.StatusCode
}

// Every operation of the description, asked by every role and by nobody: it is refused just where the table of roles says so.
func TestEveryOperationAsksWhoMay(t *testing.T) {
	r := newGuarded(t)
	d := r.description()
	if status := r.as(access.Office, "POST", "/v1/events", lines, truckRevision(t, 1, "TM-01")); status != 200 { // the event that the examples read
		t.Fatal(status)
	}
	asked := 0
	for _, path := range slices.Sorted(maps.Keys(d.Paths)) {
		for method, op := range d.Paths[path] {
			known := slices.Contains(access.Operations(), access.Operation(op.OperationID))
			if !known {
				t.Errorf("%s is not in the table of roles, so it is nobody's", op.OperationID)
			}
			for _, role := range append(access.Roles(), "") {
				r.askedBy(role, method, path, op)
				asked++
			}
		}
	}
	if want := len(access.Operations()) * (len(access.Roles()) + 1); asked != want {
		t.Errorf("%d requests, want %d: an operation of the table is not in the description", asked, want)
	}
}

func (r *guarded) askedBy(role access.Role, method, path string, op operation) {
	r.t.Helper()
	target := exampleTarget(path, op, "")
	media, body := "", ""
	for name, m := range op.RequestBody.Content {
		media, body = name, exampleBody(r.t, m.Example)
	}
	parsed, err := url.Parse(target)
	r.must(err)
	o := access.Object{Truck: events.TruckID(parsed.Query().Get("truck"))}
	if rest, ok := strings.CutPrefix(parsed.Path, "/v1/reports/"); ok {
		o.Report, _, _ = strings.Cut(rest, "/")
	}
	who := access.Identity{Role: role}
	if role == access.Truck || role == access.Crew {
		who.Trucks = []events.TruckID{"TM-01"}
	}
	if op.OperationID == "submit-events" {
		o.Kind, o.Source, o.Truck = events.KindEntryVoided, "/office/example-desk", ""
	}
	want := 0
	if err := who.May(access.Operation(op.OperationID), o); err != nil {
		want = ledger.OutcomeOf(ledger.CodeOf(err)).Status
	}
	status := r.as(role, strings.ToUpper(method), target, media, body)
	refused := status == http.StatusForbidden || status == http.StatusUnauthorized && op.OperationID != "sign-in" && op.OperationID != "begin" && op.OperationID != "set-own-password"
	if want != 0 && status != want || want == 0 && refused {
		r.t.Errorf("%s %s %s as %q: %d, want %d", op.OperationID, method, target, role, status, want)
	}
}

func TestPricesAreHidden(t *testing.T) {
	r := newGuarded(t)
	card := encode(t, events.Event{ID: "r-9", Source: "/office/register", Seq: 2, Occurred: events.MustTime("2026-10-01T08:00:00.000+01:00"), Origin: events.FromOffice,
		Body: events.RegisterRevised{Key: "VAT", EffectiveFrom: events.MustTime("2026-09-01T00:00:00.000+01:00"), Author: "Yard office", Document: tax()}})
	if status := r.as(access.Office, "POST", "/v1/events", lines, truckRevision(t, 1, "TM-01")+"\n"+card+"\n"+siteArrival(t, "TM-01", 1, "J-1")); status != 200 {
		t.Fatalf("the office submits: %d", status)
	}
	for role, want := range map[access.Role]int{access.Administrator: 3, access.Office: 3, access.Officer: 2, access.Yard: 2} {
		var page struct{ Events []json.RawMessage }
		r.getAs(role, "/v1/events", &page)
		if len(page.Events) != want {
			t.Errorf("%s sees %d events, want %d", role, len(page.Events), want)
		}
	}
	for role, want := range map[access.Role]int{access.Office: 200, access.Officer: 403, access.Yard: 403, access.Crew: 403, access.Truck: 403} {
		if status := r.as(role, "GET", "/v1/events/2", "", ""); status != want {
			t.Errorf("%s reads the tax entry: %d, want %d", role, status, want)
		}
		if status := r.as(role, "GET", "/v1/reports/billable?from=2026-10-01&to=2026-10-31&tz=Europe/Dublin&truck=TM-01", "", ""); status != want {
			t.Errorf("%s reads the billable report: %d, want %d", role, status, want)
		}
	}
	// A page that ends at hidden events still says how to go on.
	var page struct {
		Events []json.RawMessage
		Next   uint64
	}
	r.getAs(access.Officer, "/v1/events?after=1&limit=1", &page)
	if len(page.Events) != 0 || page.Next != 2 {
		t.Errorf("page of a hidden event: %+v", page)
	}
}

func tax() events.Tax { return events.Tax{Name: "VAT", RatePercent: "13.5"} }

func (r *guarded) getAs(role access.Role, path string, v any) {
	r.t.Helper()
	req, err := http.NewRequest("GET", r.server.URL+path, nil)
	r.must(err)
	req.Header.Set("Authorization", "Bearer "+r.tokens[role])
	r.send(req, 200).into(r.t, v)
}

func TestTrucksAndCrewsKeepToTheirOwn(t *testing.T) {
	r := newGuarded(t)
	if status := r.as(access.Office, "POST", "/v1/events", lines, truckRevision(t, 1, "TM-01")); status != 200 {
		t.Fatal(status)
	}
	for _, c := range []struct {
		role access.Role
		body string
		want int
	}{
		{access.Truck, siteArrival(t, "TM-01", 1, "J-1"), 200},
		{access.Truck, siteArrival(t, "TM-02", 1, "J-1"), 403},
		{access.Truck, siteArrival(t, "TM-01", 2, "J-1") + "\n" + siteArrival(t, "TM-02", 1, "J-1"), 403},
		{access.Truck, "{ no event", 200}, // it is quarantined whole, not lost
		{access.Truck, truckRevision(t, 1, "TM-01"), 403},
		{access.Crew, siteArrival(t, "TM-02", 1, "J-1"), 403},
		{access.Yard, truckRevision(t, 1, "TM-01"), 403},
		{access.Officer, siteArrival(t, "TM-01", 3, "J-1"), 403},
		{"", siteArrival(t, "TM-01", 3, "J-1"), 401},
	} {
		if status := r.as(c.role, "POST", "/v1/events", lines, c.body); status != c.want {
			t.Errorf("%s submits %.60s: %d, want %d", c.role, c.body, status, c.want)
		}
	}
	for path, want := range map[string]int{"/v1/events?truck=TM-01": 200, "/v1/events?truck=TM-02": 403, "/v1/events": 403,
		"/v1/reports/care?from=2026-10-01&to=2026-10-31&tz=Europe/Dublin&truck=TM-01": 200, "/v1/reports/care?from=2026-10-01&to=2026-10-31&tz=Europe/Dublin": 403} {
		if status := r.as(access.Crew, "GET", path, "", ""); status != want {
			t.Errorf("a crew reads %s: %d, want %d", path, status, want)
		}
	}
}

// TestPeopleFromTheFirstStart goes the way of a new installation with the description's own examples.
func TestPeopleFromTheFirstStart(t *testing.T) {
	r := newGuarded(t)
	d := r.description()
	example := func(path, method string) string {
		return exampleBody(t, d.Paths[path][method].RequestBody.Content["application/json"].Example)
	}
	code, err := r.book.First(t.Context())
	r.must(err)
	begin := example("/v1/begin", "post")
	r.refused("POST", "/v1/begin", "application/json", begin, 401, ledger.SignInNeeded)
	r.call("POST", "/v1/begin", "application/json", strings.Replace(begin, "4KZ2T7M5XQ3WJH6YB2DNR5SV7CAGU4P2", code, 1), 200)
	r.refused("GET", "/v1/users", "", "", 401, ledger.SignInNeeded)

	in := r.call("POST", "/v1/sign-in", "application/json", example("/v1/sign-in", "post"), 200)
	cookies := in.Cookies()
	if len(cookies) != 2 || !cookies[1].HttpOnly || cookies[1].Name != "spoilbook-device" || cookies[1].SameSite != http.SameSiteStrictMode || !cookies[0].HttpOnly || cookies[0].SameSite != http.SameSiteStrictMode || cookies[0].Secure || cookies[0].Path != "/" {
		t.Fatalf("cookies: %+v", cookies)
	}
	do := func(method, path, body string, want int) answer {
		return r.inSession(cookies[0], method, path, body, want)
	}
	var me access.Identity
	do("GET", "/v1/me", "", 200).into(t, &me)
	if me.Name != "m-byrne" || me.Role != access.Administrator || me.Token != "" {
		t.Errorf("me: %+v", me)
	}
	do("PUT", "/v1/users/crew-1", example("/v1/users/{name}", "put"), 200)
	do("PUT", "/v1/users/crew-1", example("/v1/users/{name}", "put"), 409) // as if new
	var users struct{ Users []access.User }
	do("GET", "/v1/users", "", 200).into(t, &users)
	if len(users.Users) != 2 || users.Users[0].Name != "crew-1" || users.Users[0].By != "m-byrne" {
		t.Errorf("users: %+v", users)
	}
	var made struct{ ID, Secret string }
	ends := time.Now().Add(time.Hour).UTC().Format(time.RFC3339)
	do("POST", "/v1/tokens", strings.Replace(example("/v1/tokens", "post"), "2027-10-05T06:00:00Z", ends, 1), 200).into(t, &made)
	r.tokens["made"] = made.Secret
	r.getAs("made", "/v1/head", &struct{}{})
	do("DELETE", "/v1/tokens/"+made.ID, "", 204)
	if status := r.as("made", "GET", "/v1/head", "", ""); status != 401 {
		t.Errorf("a revoked token: %d", status)
	}
	cookies = r.changesPassword(t, cookies, example("/v1/sign-in", "post"), example("/v1/me/password", "post"))
	var copied access.People
	do("GET", "/v1/people/copy", "", 200).into(t, &copied)
	if err := copied.Check(); err != nil || len(copied.People) != 2+len(access.Roles()) {
		t.Errorf("copy of %d: %v", len(copied.People), err)
	}
	r.refused("POST", "/v1/sign-in", "application/json", example("/v1/sign-in", "post"), 401, ledger.SignInNeeded)
	in = r.call("POST", "/v1/sign-in", "application/json", `{"name":"m-byrne","password":"silt over sand over till"}`, 200)
	cookies = in.Cookies()
	do("GET", "/v1/tokens", "", 200)
	if out := do("POST", "/v1/sign-out", "", 204); len(out.Cookies()) != 1 || out.Cookies()[0].MaxAge >= 0 {
		t.Errorf("cookies on signing out: %+v", out.Cookies())
	}
	do("GET", "/v1/tokens", "", 401)
}

// inSession sends a request with a session's cookie.
func (r *guarded) inSession(c *http.Cookie, method, path, body string, want int) answer {
	r.t.Helper()
	req, err := http.NewRequest(method, r.server.URL+path, strings.NewReader(body))
	r.must(err)
	if body != "" {
		req.Header.Set("Content-Type", "application/json")
	}
	req.AddCookie(c)
	return r.send(req, want)
}

// changesPassword changes it in one of two sessions, and ends a third by name.
func (r *guarded) changesPassword(t *testing.T, cookies []*http.Cookie, signIn, change string) []*http.Cookie {
	t.Helper()
	do := func(method, path, body string, want int) answer {
		return r.inSession(cookies[0], method, path, body, want)
	}
	other := r.call("POST", "/v1/sign-in", "application/json", signIn, 200).Cookies()
	var sessions struct{ Sessions []access.SessionView }
	do("GET", "/v1/me/sessions", "", 200).into(t, &sessions)
	if len(sessions.Sessions) != 2 || sessions.Sessions[0].Here == sessions.Sessions[1].Here {
		t.Errorf("sessions: %+v", sessions)
	}
	do("POST", "/v1/users/m-byrne/unlock", "", 204)
	do("POST", "/v1/users/nobody/unlock", "", 404)
	do("POST", "/v1/me/password", change, 204)
	do("GET", "/v1/users", "", 200)
	mine := cookies
	cookies = other
	do("GET", "/v1/users", "", 401) // the new password ended the other session
	cookies = mine
	third := r.call("POST", "/v1/sign-in", "application/json", `{"name":"m-byrne","password":"silt over sand over till"}`, 200).Cookies()
	do("GET", "/v1/me/sessions", "", 200).into(t, &sessions)
	for _, s := range sessions.Sessions {
		if !s.Here {
			do("DELETE", "/v1/me/sessions/"+s.ID, "", 204)
		}
	}
	cookies = third
	do("GET", "/v1/users", "", 401)
	cookies = mine
	do("DELETE", "/v1/me/sessions/nothing", "", 404)
	return cookies
}

func TestWrongProofs(t *testing.T) {
	r := newGuarded(t)
	for header, path := range map[string]string{"Bearer sbk_nonsense": "/health/live", "Basic YTpi": "/v1/head", "Bearer": "/v1/head"} {
		req, err := http.NewRequest("GET", r.server.URL+path, nil)
		r.must(err)
		req.Header.Set("Authorization", header)
		r.problem(r.send(req, 401), ledger.SignInNeeded)
	}
	req, err := http.NewRequest("GET", r.server.URL+"/health/live", nil)
	r.must(err)
	req.AddCookie(&http.Cookie{Name: "spoilbook-session", Value: "old"})
	r.send(req, 200)
}

// What is entered stands under the name of who signed in, whatever the request says.
func TestAuthorIsWhoSignedIn(t *testing.T) {
	r := newGuarded(t)
	if status := r.as(access.Truck, "POST", "/v1/events", lines, "{ no event"); status != 200 {
		t.Fatal(status)
	}
	if status := r.as(access.Office, "POST", "/v1/quarantine/1/dismiss", "application/json", `{"author":"Somebody Else","note":"a test"}`); status != 204 {
		t.Fatal(status)
	}
	var entry struct{ Settled struct{ Author string } }
	r.getAs(access.Yard, "/v1/quarantine/1", &entry)
	if entry.Settled.Author != "test of office" {
		t.Errorf("author: %q", entry.Settled.Author)
	}
}

func TestWithoutSignInThereAreNoUsers(t *testing.T) {
	r := newRig(t)
	for _, path := range []string{"/v1/users", "/v1/tokens"} {
		r.refused("GET", path, "", "", 409, ledger.Conflict)
	}
	var me access.Identity
	r.call("GET", "/v1/me", "", "", 200).into(t, &me)
	if me.Name != "everyone" {
		t.Errorf("me: %+v", me)
	}
}
