package web

import (
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// peoplePage is who may sign in, and which tokens hold.
type peoplePage struct {
	Users  []access.User
	Tokens []access.Token
	Roles  []access.Role // of persons
	Locked map[string]*lockedUser
	Issuer string // where people can sign in as well
	Now    time.Time
	Site   *site
	Secret string // of a token that was just made, shown this once
	Done   string
	Wrong  string
	Do     string
}

// lockedUser is somebody who waits after wrong passwords.
type lockedUser struct{ Name, Wait string }

// When writes a time of day as pages do.
func (s *site) When(t time.Time) string { return t.In(s.zone).Format("2006-01-02 15:04") }

func (s *site) peopleRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /people", s.people)
	mux.HandleFunc("POST /people/user", s.changeUser)
	mux.HandleFunc("POST /people/unlock", s.unlockUser)
	mux.HandleFunc("POST /people/token", s.makeToken)
	mux.HandleFunc("POST /people/revoke", s.revokeToken)
}

func (s *site) people(w http.ResponseWriter, r *http.Request) {
	if s.allowed(w, r, access.ListUsers, access.Object{}) {
		s.showPeople(w, r, http.StatusOK, peoplePage{})
	}
}

// showPeople shows the page with what became of a form.
func (s *site) showPeople(w http.ResponseWriter, r *http.Request, status int, page peoplePage) {
	if s.Access == nil {
		s.fail(w, r, ledger.Fail(ledger.Conflict, "this service was started without sign-in: there are no users and tokens"))
		return
	}
	var err error
	if page.Users, err = s.Access.Users(r.Context()); err == nil {
		page.Tokens, err = s.Access.Tokens(r.Context())
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	locked, err := s.Access.Locked(r.Context())
	if err != nil {
		s.fail(w, r, err)
		return
	}
	page.Locked = map[string]*lockedUser{}
	for name, wait := range locked {
		page.Locked[name] = &lockedUser{name, max(wait.Round(time.Second), time.Second).String()}
	}
	page.Now, page.Site, page.Issuer = s.Now(), s, s.issuerName()
	page.Roles = slices.DeleteFunc(access.Roles(), func(role access.Role) bool { return role == access.Truck })
	s.show(w, r, status, "people", "People and tokens", page)
}

// settle shows what became of a change: done, or what is wrong with it.
func (s *site) settle(w http.ResponseWriter, r *http.Request, err error, done peoplePage) {
	if err == nil {
		s.showPeople(w, r, http.StatusOK, done)
		return
	}
	outcome := ledger.OutcomeOf(ledger.CodeOf(err))
	if outcome.Status >= 500 {
		s.fail(w, r, err)
		return
	}
	s.showPeople(w, r, outcome.Status, peoplePage{Wrong: err.Error(), Do: mannersOf(r).Tongue.Say(outcome.Do)})
}

func (s *site) changeUser(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.ChangeUser, access.Object{}) {
		return
	}
	if _, ok := s.filled(w, r); !ok {
		return
	}
	revision, err := strconv.ParseUint(r.PostFormValue("revision"), 10, 64)
	if err != nil {
		s.settle(w, r, ledger.Fail(ledger.BadRequest, "the form is not whole: load the page again"), peoplePage{})
		return
	}
	u := access.User{Name: strings.TrimSpace(r.PostFormValue("name")), Full: strings.TrimSpace(r.PostFormValue("full")), Role: access.Role(r.PostFormValue("role")),
		Trucks: trucksIn(r.PostFormValue("trucks")), Disabled: r.PostFormValue("disabled") != "", Subject: strings.TrimSpace(r.PostFormValue("subject")), Revision: revision}
	password := r.PostFormValue("password")
	if revision == 0 && password == "" && u.Subject == "" {
		s.settle(w, r, ledger.Fail(ledger.BadRequest, "a new user needs a first password, which they can change"), peoplePage{})
		return
	}
	set, err := s.Access.Change(r.Context(), access.From(r.Context()), u, password)
	s.settle(w, r, err, peoplePage{Done: mannersOf(r).Tongue.Say("%s is kept as %s.", set.Name, mannersOf(r).Tongue.Say(string(set.Role)))})
}

func (s *site) unlockUser(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.UnlockUser, access.Object{}) {
		return
	}
	if _, ok := s.filled(w, r); !ok {
		return
	}
	name := strings.TrimSpace(r.PostFormValue("name"))
	s.settle(w, r, s.Access.Unlock(r.Context(), name), peoplePage{Done: mannersOf(r).Tongue.Say("%s may try again at once.", name)})
}

func trucksIn(text string) []events.TruckID {
	var list []events.TruckID
	for _, name := range strings.FieldsFunc(text, func(c rune) bool { return c == ',' || c == ' ' || c == ';' }) {
		list = append(list, events.TruckID(name))
	}
	return list
}

func (s *site) makeToken(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.MakeToken, access.Object{}) {
		return
	}
	if _, ok := s.filled(w, r); !ok {
		return
	}
	ends, err := time.ParseInLocation(time.DateOnly, r.PostFormValue("ends"), s.zone)
	if err != nil {
		s.settle(w, r, ledger.Fail(ledger.BadRequest, "last day: found %q; allowed: a day such as 2027-10-05", r.PostFormValue("ends")), peoplePage{})
		return
	}
	t, secret, err := s.Access.MakeToken(r.Context(), access.From(r.Context()), access.Token{For: strings.TrimSpace(r.PostFormValue("for")), Role: access.Role(r.PostFormValue("role")),
		Trucks: trucksIn(r.PostFormValue("trucks")), Ends: ends.AddDate(0, 0, 1), ReadOnly: r.PostFormValue("read") != ""})
	s.settle(w, r, err, peoplePage{Secret: secret, Done: mannersOf(r).Tongue.Say("The token %s for %s is made.", t.ID, t.For)})
}

func (s *site) revokeToken(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, access.RevokeToken, access.Object{}) {
		return
	}
	if _, ok := s.filled(w, r); !ok {
		return
	}
	id := r.PostFormValue("id")
	s.settle(w, r, s.Access.Revoke(r.Context(), id), peoplePage{Done: mannersOf(r).Tongue.Say("The token %s holds no longer.", id)})
}
