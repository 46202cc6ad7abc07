package web

import (
	"net/http"
	"strings"

	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// form is a page with fields that somebody filled in, and what was wrong with them.
type form struct {
	To, Name, Full, Code string
	Issuer               string // where one can sign in as well, by name
	Wrong, Do            string
}

// filled reads the fields of a form, which are few; where there is nothing to sign in to it leads home.
func (s *site) filled(w http.ResponseWriter, r *http.Request) (form, bool) {
	if s.Access == nil {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return form{}, false
	}
	if !s.formRead(w, r) {
		return form{}, false
	}
	text := func(name string) string { return strings.TrimSpace(r.PostFormValue(name)) }
	return form{To: localPath(r.PostFormValue("to")), Name: text("name"), Full: text("full"), Code: text("code")}, true
}

// localPath returns a path of this service, for a way back that nobody can turn to another site.
func localPath(to string) string {
	if !strings.HasPrefix(to, "/") || strings.HasPrefix(to, "//") || strings.ContainsAny(to, "\\\r\n") {
		return "/"
	}
	return to
}

func (s *site) signRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /sign-in", s.signInPage)
	mux.HandleFunc("POST /sign-in", s.signIn)
	mux.HandleFunc("POST /sign-out", s.signOut)
	mux.HandleFunc("GET /sign-in/elsewhere", s.signInElsewhere)
	mux.HandleFunc("GET /sign-in/return", s.signInReturn)
	mux.HandleFunc("GET /begin", s.beginPage)
	mux.HandleFunc("POST /begin", s.begin)
}

// maxForm bounds what a form of a few fields may send.
const maxForm = 64 << 10

// formRead reads the fields of a form, and answers where they can not be read.
func (s *site) formRead(w http.ResponseWriter, r *http.Request) bool {
	r.Body = http.MaxBytesReader(w, r.Body, maxForm)
	if err := r.ParseForm(); err != nil {
		s.fail(w, r, ledger.Wrap(ledger.BadRequest, err, "the form can not be read"))
		return false
	}
	return true
}

func (s *site) signInPage(w http.ResponseWriter, r *http.Request) {
	if s.Access == nil {
		http.Redirect(w, r, "/", http.StatusSeeOther)
		return
	}
	s.show(w, r, http.StatusOK, "sign-in", "Sign in", form{To: localPath(r.URL.Query().Get("to")), Issuer: s.issuerName()})
}

func (s *site) signIn(w http.ResponseWriter, r *http.Request) {
	f, ok := s.filled(w, r)
	if !ok {
		return
	}
	in, err := s.Access.SignIn(r.Context(), f.Name, r.PostFormValue("password"), access.OriginOf(r))
	if err != nil {
		s.again(w, r, "sign-in", "Sign in", f, err)
		return
	}
	s.remember(w, r, in)
	http.Redirect(w, r, f.To, http.StatusSeeOther)
}

// remember gives a browser the cookies of its session, and of being known.
func (s *site) remember(w http.ResponseWriter, r *http.Request, in access.SignedIn) {
	secure := access.IsSecure(r)
	for _, c := range []http.Cookie{access.Cookie(in.Secret, secure), access.DeviceCookie(in.Device, secure)} {
		http.SetCookie(w, &c)
	}
}

// sessionIn returns the secret of a request's session, or nothing.
func sessionIn(r *http.Request) string {
	c, err := r.Cookie(access.CookieName(access.IsSecure(r)))
	if err != nil {
		return ""
	}
	return c.Value
}

// again shows a form with what was filled in and what is wrong with it.
func (s *site) again(w http.ResponseWriter, r *http.Request, page, title string, f form, err error) {
	outcome := ledger.OutcomeOf(ledger.CodeOf(err))
	if outcome.Status >= 500 {
		s.fail(w, r, err)
		return
	}
	f.Issuer = s.issuerName()
	f.Wrong, f.Do = err.Error(), mannersOf(r).Tongue.Say(outcome.Do)
	s.show(w, r, outcome.Status, page, title, f)
}

func (s *site) signOut(w http.ResponseWriter, r *http.Request) {
	if secret := sessionIn(r); secret != "" && s.Access != nil {
		if err := s.Access.SignOut(r.Context(), secret); err != nil {
			s.fail(w, r, err)
			return
		}
	}
	c := access.Cookie("", access.IsSecure(r))
	http.SetCookie(w, &c)
	http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
}

func (s *site) beginPage(w http.ResponseWriter, r *http.Request) {
	s.show(w, r, http.StatusOK, "begin", "Make the first administrator", form{Code: r.URL.Query().Get("code")})
}

func (s *site) begin(w http.ResponseWriter, r *http.Request) {
	f, ok := s.filled(w, r)
	if !ok {
		return
	}
	password := r.PostFormValue("password")
	if _, err := s.Access.Redeem(r.Context(), f.Code, f.Name, f.Full, password); err != nil {
		s.again(w, r, "begin", "Make the first administrator", f, err)
		return
	}
	in, err := s.Access.SignIn(r.Context(), f.Name, password, access.OriginOf(r))
	if err != nil {
		s.fail(w, r, err)
		return
	}
	s.remember(w, r, in)
	http.Redirect(w, r, "/", http.StatusSeeOther)
}
