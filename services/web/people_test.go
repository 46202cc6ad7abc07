package web_test

import (
	"net/url"
	"regexp"
	"strings"
	"testing"
	"time"

	"spoilbook/services/access"
)

func TestPeople(t *testing.T) {
	r := newRig(t, true)
	code, err := r.book.First(t.Context())
	r.must(err)
	admin := r.visitor()
	admin.send("/begin", url.Values{"code": {code}, "name": {"ann"}, "full": {"Ann"}, "password": {password}}, 200)
	wants(t, admin.read("/people", 200), "Who may sign in", "ann", "No program has a token yet")

	crew := url.Values{"name": {"crew-1"}, "full": {"Crew one"}, "role": {"crew"}, "trucks": {"TM-02, TM-01"}, "revision": {"0"}}
	wants(t, admin.send("/people/user", crew, 400), "needs a first password")
	crew.Set("password", password)
	text := admin.send("/people/user", crew, 200)
	wants(t, text, "crew-1 is kept as crew", `value="TM-01, TM-02"`)
	wants(t, admin.send("/people/user", crew, 409), "changed by ann meanwhile")
	crew.Set("revision", "x")
	wants(t, admin.send("/people/user", crew, 400), "load the page again")

	// What was seen is changed; what was not is not undone.
	revision := regexp.MustCompile(`value="crew-1"><input type="hidden" name="revision" value="(\d+)"`).FindStringSubmatch(text)
	if revision == nil {
		t.Fatal("the page does not say at which revision it saw crew-1")
	}
	change := url.Values{"name": {"crew-1"}, "full": {"Crew one"}, "role": {"crew"}, "trucks": {"TM-03"}, "revision": {revision[1]}, "disabled": {"on"}}
	wants(t, admin.send("/people/user", change, 200), "may not sign in")
	wants(t, admin.send("/people/user", change, 409), "look at what stands")
	wants(t, r.visitor().send("/sign-in", url.Values{"name": {"crew-1"}, "password": {password}}, 401), "not right")

	token := url.Values{"for": {"controller of TM-01"}, "role": {"truck"}, "trucks": {"TM-01"}, "ends": {"yesterday"}}
	wants(t, admin.send("/people/token", token, 400), "last day")
	token.Set("ends", time.Now().AddDate(0, 1, 0).Format(time.DateOnly))
	text = admin.send("/people/token", token, 200)
	secret := regexp.MustCompile(`sbk_[A-Z0-9]+`).FindString(text)
	if who, err := r.book.ByToken(t.Context(), secret); err != nil || who.Role != access.Truck || !who.Has("TM-01") {
		t.Errorf("the token shown is %+v, %v", who, err)
	}
	if strings.Contains(admin.read("/people", 200), secret) {
		t.Error("the secret is shown again")
	}
	id := regexp.MustCompile(`name="id" value="([0-9a-f]+)"`).FindStringSubmatch(text)
	wants(t, admin.send("/people/revoke", url.Values{"id": {id[1]}}, 200), "holds no longer")
	if _, err := r.book.ByToken(t.Context(), secret); err == nil {
		t.Error("the token holds after it was ended")
	}
	wants(t, admin.send("/people/revoke", url.Values{"id": {id[1]}}, 404), "no token")
}

func TestPeopleIsForTheAdministrator(t *testing.T) {
	r := newRig(t, true)
	for _, role := range []access.Role{access.Yard, access.Office, access.Officer} {
		_, err := r.book.Change(t.Context(), access.Everyone(), access.User{Name: string(role) + "-1", Role: role}, password)
		r.must(err)
		v := r.visitor()
		v.send("/sign-in", url.Values{"name": {string(role) + "-1"}, "password": {password}}, 200)
		v.read("/people", 403)
		for _, path := range []string{"/people/user", "/people/token", "/people/revoke"} {
			v.send(path, url.Values{"name": {"eve"}, "role": {"administrator"}, "password": {password}, "revision": {"0"}}, 403)
		}
	}
	if all, err := r.book.Users(t.Context()); err != nil || len(all) != 3 {
		t.Errorf("users: %+v, %v", all, err)
	}
	stranger := r.visitor()
	wants(t, stranger.send("/people/user", url.Values{"name": {"eve"}}, 401), "signed in")
}
