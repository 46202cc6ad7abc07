package web

import (
	"net/http"
	"net/url"

	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// askedCookieAge is how long, in seconds, a browser keeps what it asked an issuer.
const askedCookieAge = 600

// askedCookie is what a browser keeps while it is at the issuer. It must come along when the issuer sends the browser back, so it is Lax.
func askedCookie(value string, secure bool) http.Cookie {
	c := http.Cookie{Name: "spoilbook-asked", Value: value, Path: "/", HttpOnly: true, SameSite: http.SameSiteLaxMode, Secure: secure, MaxAge: askedCookieAge}
	if secure {
		c.Name = "__Host-spoilbook-asked"
	}
	if value == "" {
		c.MaxAge = -1
	}
	return c
}

// issuerName is what people call where they can sign in as well, or nothing.
func (s *site) issuerName() string {
	if s.Issuer == nil || s.Access == nil {
		return ""
	}
	return s.Issuer.Name()
}

// signInElsewhere sends a browser to the issuer.
func (s *site) signInElsewhere(w http.ResponseWriter, r *http.Request) {
	to := localPath(r.URL.Query().Get("to"))
	if s.issuerName() == "" {
		http.Redirect(w, r, "/sign-in?to="+url.QueryEscape(to), http.StatusSeeOther)
		return
	}
	address, keep, err := s.Issuer.Begin(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	c := askedCookie(url.Values{"keep": {keep}, "to": {to}}.Encode(), access.IsSecure(r))
	http.SetCookie(w, &c)
	http.Redirect(w, r, address, http.StatusSeeOther)
}

// signInReturn lets in whom the issuer sent back. The session's cookie is not sent by a browser that another site has led here, so the way on
// begins at a page of our own.
func (s *site) signInReturn(w http.ResponseWriter, r *http.Request) {
	if s.issuerName() == "" {
		http.Redirect(w, r, "/sign-in", http.StatusSeeOther)
		return
	}
	var asked url.Values
	secure := access.IsSecure(r)
	gone := askedCookie("", secure)
	if c, err := r.Cookie(gone.Name); err == nil {
		if asked, err = url.ParseQuery(c.Value); err != nil {
			asked = nil
		}
	}
	http.SetCookie(w, &gone)
	f := form{To: localPath(asked.Get("to")), Issuer: s.issuerName()}
	subject, err := s.Issuer.Finish(r.Context(), asked.Get("keep"), r.URL.Query())
	var in access.SignedIn
	if err == nil {
		in, err = s.Access.SignInAs(r.Context(), subject, access.OriginOf(r))
	}
	if err != nil {
		s.again(w, r, "sign-in", "Sign in", f, err)
		return
	}
	s.remember(w, r, in)
	w.Header().Set("Refresh", "0; url="+f.To)
	s.show(w, r.WithContext(access.With(r.Context(), in.Who)), http.StatusOK, "welcome", "You are signed in", f)
}

// mePage is one's own password and sessions.
type mePage struct {
	Who         access.Identity
	Sessions    []access.SessionView
	Site        *site
	Done        string
	Wrong, Do   string
	MinPassword int
}

func (s *site) meRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /me", s.me)
	mux.HandleFunc("POST /me/password", s.changePassword)
	mux.HandleFunc("POST /me/end", s.endSession)
}

func (s *site) me(w http.ResponseWriter, r *http.Request) {
	if s.allowed(w, r, access.OwnSessions, access.Object{}) {
		s.showMe(w, r, nil, "")
	}
}

// showMe shows the page with what became of a form.
func (s *site) showMe(w http.ResponseWriter, r *http.Request, err error, done string) {
	if s.Access == nil {
		s.fail(w, r, ledger.Fail(ledger.Conflict, "this service was started with --open: nobody has a password"))
		return
	}
	page, status := mePage{Who: access.From(r.Context()), Site: s, Done: done, MinPassword: access.MinPassword}, http.StatusOK
	if err != nil {
		outcome := ledger.OutcomeOf(ledger.CodeOf(err))
		if status = outcome.Status; status >= 500 {
			s.fail(w, r, err)
			return
		}
		page.Done, page.Wrong, page.Do = "", err.Error(), mannersOf(r).Tongue.Say(outcome.Do)
	}
	if page.Sessions, err = s.Access.Sessions(r.Context(), page.Who, sessionIn(r)); err != nil {
		s.fail(w, r, err)
		return
	}
	s.show(w, r, status, "me", "Your password and sessions", page)
}

func (s *site) changePassword(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.SetPassword, access.Object{}) {
		return
	}
	if _, ok := s.filled(w, r); !ok {
		return
	}
	fresh := r.PostFormValue("new")
	if fresh != r.PostFormValue("again") {
		s.showMe(w, r, ledger.Fail(ledger.BadRequest, "the new password was not typed the same way twice"), "")
		return
	}
	err := s.Access.SetOwnPassword(r.Context(), access.From(r.Context()), r.PostFormValue("old"), fresh, sessionIn(r))
	if ledger.CodeOf(err) == ledger.SignInNeeded {
		err = ledger.Fail(ledger.BadRequest, "the old password is not right")
	}
	s.showMe(w, r, err, mannersOf(r).Tongue.Say("Your password is changed, and your other sessions have ended."))
}

func (s *site) endSession(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.EndSession, access.Object{}) {
		return
	}
	if _, ok := s.filled(w, r); !ok {
		return
	}
	n, err := s.Access.EndSession(r.Context(), access.From(r.Context()), r.PostFormValue("id"), sessionIn(r))
	s.showMe(w, r, err, mannersOf(r).Tongue.Say("%d sessions have ended.", n))
}
