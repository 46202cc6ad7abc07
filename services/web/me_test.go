package web_test

import (
	"net/http"
	"net/url"
	"regexp"
	"strings"
	"testing"

	"spoilbook/services/access"
	"spoilbook/services/oidc/oidctest"
)

func TestOwnPasswordAndSessions(t *testing.T) {
	r := newRig(t, true)
	_, err := r.book.Change(t.Context(), access.Everyone(), access.User{Name: "yan", Full: "Yan of the yard", Role: access.Yard}, password)
	r.must(err)
	in := url.Values{"name": {"yan"}, "password": {password}}
	v, other := r.visitor(), r.visitor()
	v.send("/sign-in", in, 200)
	other.send("/sign-in", in, 200)
	text := v.read("/me", 200)
	wants(t, text, "Yan of the yard, in the role yard", "this one", "End all others", `href="/me"`)
	id := regexp.MustCompile(`name="id" value="([0-9a-f]+)"`).FindStringSubmatch(text)
	if id == nil || strings.Count(text, `name="id"`) != 1 {
		t.Fatal("the page does not offer to end the other session, and only that")
	}
	wants(t, v.send("/me/end", url.Values{"id": {id[1]}}, 200), "1 sessions have ended")
	wants(t, other.read("/me", 200), "<h1>Sign in</h1>")
	wants(t, v.send("/me/end", url.Values{"id": {id[1]}}, 404), "you have no session")
	other.send("/sign-in", in, 200)

	change := url.Values{"old": {"wrong wrong wrong"}, "new": {"silt over sand over till"}, "again": {"silt over sand"}}
	wants(t, v.send("/me/password", change, 400), "the same way twice")
	change.Set("again", "silt over sand over till")
	wants(t, v.send("/me/password", change, 400), "the old password is not right")
	change.Set("old", password)
	wants(t, v.send("/me/password", change, 200), "Your password is changed")
	wants(t, v.read("/me", 200), "this one")
	wants(t, other.read("/me", 200), "<h1>Sign in</h1>")
	wants(t, other.send("/sign-in", in, 401), "not right")
}

func TestAnAdministratorUnlocksOnThePage(t *testing.T) {
	r := newRig(t, true)
	for name, role := range map[string]access.Role{"ann": access.Administrator, "yan": access.Yard} {
		_, err := r.book.Change(t.Context(), access.Everyone(), access.User{Name: name, Role: role}, password)
		r.must(err)
	}
	guesser, admin := r.visitor(), r.visitor()
	for range 5 {
		guesser.send("/sign-in", url.Values{"name": {"yan"}, "password": {"wrong wrong wrong"}}, 401)
	}
	right := url.Values{"name": {"yan"}, "password": {password}}
	wants(t, guesser.send("/sign-in", right, 429), "wait")
	admin.send("/sign-in", url.Values{"name": {"ann"}, "password": {password}}, 200)
	text := admin.read("/people", 200)
	wants(t, text, `action="/people/unlock"><input type="hidden" name="name" value="yan">`)
	if n := strings.Count(text, "waits after wrong passwords"); n != 1 {
		t.Errorf("%d people wait, want yan alone", n)
	}
	wants(t, admin.send("/people/unlock", url.Values{"name": {"yan"}}, 200), "yan may try again at once")
	wants(t, guesser.send("/sign-in", right, 200), "<h1>Yard</h1>")
}

func TestSigningInElsewhere(t *testing.T) {
	r := newRig(t, true)
	u, err := r.book.Change(t.Context(), access.Everyone(), access.User{Name: "ola", Full: "Ola of the office", Role: access.Office, Subject: r.issuer.URL + " 4711"}, "")
	r.must(err)
	comes := func(v *visitor, word oidctest.Word, to string) string {
		t.Helper()
		v.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
		defer func() { v.client.CheckRedirect = nil }()
		res, err := v.client.Get(r.server.URL + "/sign-in/elsewhere?to=" + url.QueryEscape(to))
		r.must(err)
		r.must(res.Body.Close())
		if res.StatusCode != http.StatusSeeOther || !strings.HasPrefix(res.Header.Get("Location"), r.issuer.URL+"/authorize?") {
			t.Fatalf("%s to %s", res.Status, res.Header.Get("Location"))
		}
		return r.issuer.Grant(res.Header.Get("Location"), word).RequestURI()
	}
	v := r.visitor()
	wants(t, v.read("/sign-in", 200), "Sign in with Tarnmoor staff")
	back := comes(v, oidctest.Word{Subject: "4711"}, "/reports")
	wants(t, v.read(back, 200), "You are signed in", `href="/reports"`)
	wants(t, v.read("/", 200), "<h1>Reports</h1>", "Ola of the office")
	wants(t, v.read(back, 401), "begin to sign in again")

	stranger := r.visitor()
	wants(t, stranger.read(comes(stranger, oidctest.Word{Subject: "4712"}, "/"), 403), "nobody here is known as", "4712", "To do")
	wants(t, stranger.read(comes(stranger, oidctest.Word{Subject: "4711", Nonce: "another"}, "/"), 401), "another request")
	taken := comes(stranger, oidctest.Word{Subject: "4711"}, "/")
	wants(t, r.visitor().read(taken, 401), "has not begun to sign in") // led there by somebody who wants them signed in as himself
	wants(t, stranger.read(comes(stranger, oidctest.Word{Subject: "4711"}, "//elsewhere.example"), 200), `href="/"`)

	u.Disabled = true
	_, err = r.book.Change(t.Context(), access.Everyone(), u, "")
	r.must(err)
	shut := r.visitor()
	wants(t, shut.read(comes(shut, oidctest.Word{Subject: "4711"}, "/"), 403), "ola may not sign in any more")
	wants(t, shut.read("/reports", 200), "<h1>Sign in</h1>")
}
