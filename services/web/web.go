// Package web is the ledger for people with a browser: pages made on the server from the same use cases as the API, readable without
// scripts, with one small script that keeps the yard page fresh. For example
//
//	GET /yard                       how every truck stands, live
//	GET /yard/day?day=2026-10-05    a day of the trucks, drawn out hour by hour
//	GET /yard/today                 what a crew has recorded today and what is still missing
//	GET /reports                    which reports there are, and for which period
//	GET /reports/water?from=2026-10-01&to=2026-10-31&tz=Europe/Dublin
//	GET /reports/water/line?...&table=Sources&line=KEY   how a line came about, step by step
//	GET /paper                      forms for paper and spreadsheets, and what was filled in
//	GET /register                   the register: history, revisions, what a revision would change
//	GET /audit/consignments, /findings, /balance, /changes   for who audits: from every figure to the events behind it
//	GET /office                     what there is to invoice, by client; drafts, issued invoices and their adjustments
//	GET /people                     who may sign in, and tokens of programs
//	GET /me                         one's own password and sessions
//	GET /sign-in, /begin            for those who are not known yet
//
// Who asks stands in the request's context (package access), put there by whoever mounts these pages; each page asks the table of roles
// before it shows anything. What a page shows is what is recorded at the ledger position at its foot. Nothing is loaded from elsewhere.
package web

import (
	"context"
	"embed"
	"errors"
	"html/template"
	"io/fs"
	"log/slog"
	"net/http"
	"net/url"
	"sync"
	"time"

	"spoilbook/reports"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

//go:embed page static
var files embed.FS

// Config is what the pages are made of.
type Config struct {
	Ledger  *ledger.Ledger
	Access  *access.Book // nil where nobody need sign in
	Issuer  Issuer       // lets people sign in who are known elsewhere; may be nil
	Zone    string       // time zone of the pages, where the request names none; empty means UTC
	Formats []string     // export formats, for links to the API
	Files   Files        // workbooks and register files
	Export  Exporter     // writes what the pages pick as files; nil where they offer none
	Logger  *slog.Logger
	Version string
	Now     func() time.Time // nil means the clock
}

// Issuer is a service that knows people, by OpenID Connect (package oidc).
type Issuer interface {
	// Begin returns the address at which to sign in, and a text that the browser keeps meanwhile.
	Begin(ctx context.Context) (address, keep string, err error)
	// Finish returns the subject of who came back, with the issuer before a space.
	Finish(ctx context.Context, keep string, came url.Values) (subject string, err error)
	// Name is what people call it.
	Name() string
}

type site struct {
	Config
	zone    *time.Location
	pages   sync.Map // of pages by manners
	watch   *watch
	uploads uploads
	issuing sync.Mutex // one invoice at a time is issued from these pages
}

// New returns the handler of all pages. It fails when the time zone does not exist.
func New(c Config) (http.Handler, error) {
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Zone == "" {
		c.Zone = "UTC"
	}
	zone, err := time.LoadLocation(c.Zone)
	if err != nil {
		return nil, ledger.Wrap(ledger.BadRequest, err, "time zone of the pages")
	}
	s := &site{Config: c, zone: zone, watch: newWatch(c.Ledger)}
	if _, err = s.pagesFor(manners{Measures: reports.Metric()}); err != nil {
		return nil, ledger.Wrap(ledger.Internal, err, "pages")
	}
	static, err := fs.Sub(files, "static")
	if err != nil {
		return nil, ledger.Wrap(ledger.Internal, err, "pages")
	}
	mux := http.NewServeMux()
	mux.Handle("GET /static/", http.StripPrefix("/static/", cached(http.FileServerFS(static))))
	mux.HandleFunc("GET /{$}", s.home)
	s.meRoutes(mux)
	for _, add := range []func(*http.ServeMux){s.signRoutes, s.displayRoutes, s.yardRoutes, s.reportRoutes, s.paperRoutes, s.registerRoutes, s.auditRoutes, s.officeRoutes, s.peopleRoutes} {
		add(mux)
	}
	mux.HandleFunc("/", s.nowhere)
	return guarded(http.NewCrossOriginProtection(), mux), nil
}

// guarded adds what every page says to a browser about itself.
func guarded(origins *http.CrossOriginProtection, next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cache-Control", "no-store")
		if err := origins.Check(r); err != nil { // whatever it is mounted in has asked already, and this is cheap
			http.Error(w, "A page of another site may not send this form.", http.StatusForbidden)
			return
		}
		next.ServeHTTP(w, r)
	})
}

func cached(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Cache-Control", "max-age=3600")
		next.ServeHTTP(w, r)
	})
}

// home leads each role to its page.
func (s *site) home(w http.ResponseWriter, r *http.Request) {
	to := "/reports"
	switch access.From(r.Context()).Role {
	case "":
		to = "/sign-in"
	case access.Officer:
		to = "/audit/consignments"
	case access.Crew:
		to = "/yard/today"
	case access.Yard, access.Administrator:
		to = "/yard"
	}
	http.Redirect(w, r, to, http.StatusSeeOther)
}

func (s *site) nowhere(w http.ResponseWriter, r *http.Request) {
	s.fail(w, r, ledger.Fail(ledger.NotFound, "there is no page %s", r.URL.Path))
}

// allowed asks the table of roles and answers where the answer is no. Who has not signed in is led to do so and back again.
func (s *site) allowed(w http.ResponseWriter, r *http.Request, op access.Operation, o access.Object) bool {
	err := access.From(r.Context()).May(op, o)
	switch {
	case err == nil:
		return true
	case ledger.CodeOf(err) == ledger.SignInNeeded && r.Method == http.MethodGet:
		http.Redirect(w, r, "/sign-in?to="+template.URLQueryEscaper(r.URL.RequestURI()), http.StatusSeeOther)
	default:
		s.fail(w, r, err)
	}
	return false
}

// fail shows what went wrong and what to do about it.
func (s *site) fail(w http.ResponseWriter, r *http.Request, err error) {
	code := ledger.CodeOf(err)
	if code == ledger.Internal && (errors.Is(err, context.DeadlineExceeded) || r.Context().Err() != nil) {
		code = ledger.TimedOut
	}
	outcome := ledger.OutcomeOf(code)
	what := err.Error()
	if outcome.Status >= 500 {
		s.Logger.Error("web", "path", r.URL.Path, "error", err)
		what = mannersOf(r).Tongue.Say("The page could not be made.")
		var coded *ledger.Error
		if errors.As(err, &coded) {
			what = coded.What
		}
	}
	s.show(w, r, outcome.Status, "trouble", "That did not work", map[string]any{"What": what, "Do": mannersOf(r).Tongue.Say(outcome.Do), "Code": code})
}
