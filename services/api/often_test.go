package api_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// Who asks too often is told to wait, and nobody else with them.
func TestAskingTooOften(t *testing.T) {
	r := newGuarded(t)
	now := time.Now()
	r.config.Now, r.config.Registry = func() time.Time { return now }, nil
	r.serve()
	asks := func(role access.Role) (passed int) {
		for range 400 {
			switch status := r.as(role, "GET", "/health/live", "", ""); status {
			case http.StatusOK:
				passed++
			case http.StatusTooManyRequests:
			default:
				t.Fatalf("%q: %d", role, status)
			}
		}
		return passed
	}
	if n := asks(""); n != 119 && n != 120 { // the description was read from this place, too
		t.Errorf("a stranger asks %d times at once, want 120", n)
	}
	if n := asks(access.Yard); n != 300 {
		t.Errorf("the yard asks %d times at once from the same place, want 300", n)
	}
	if n := asks(access.Office); n != 300 {
		t.Errorf("the office asks %d times after the yard, want 300", n)
	}
	p := r.refused("GET", "/health/live", "", "", 429, ledger.TooMany)
	if !strings.Contains(p.Detail, "wait 1s") {
		t.Errorf("detail: %s", p.Detail)
	}
	req, err := http.NewRequest("GET", r.server.URL+"/v1/head", nil)
	r.must(err)
	req.Header.Set("Authorization", "Bearer sbk_WRONG") // guessing at tokens is asking as a stranger
	if a := r.send(req, 429); a.Header.Get("Retry-After") != "1" {
		t.Errorf("header %v", a.Header)
	}
	now = now.Add(time.Second)
	if n := asks(access.Yard); n != 50 {
		t.Errorf("the yard asks %d times a second later, want 50", n)
	}
	if n := asks(""); n != 5 {
		t.Errorf("a stranger asks %d times a second later, want 5", n)
	}
}

// Behind something that speaks HTTPS the client's address and its HTTPS are what that says; without it, nobody is believed.
func TestBehindHTTPS(t *testing.T) {
	r := newGuarded(t)
	_, err := r.book.Change(t.Context(), access.Everyone(), access.User{Name: "ann", Role: access.Yard}, "gravel over clay over rock")
	r.must(err)
	for _, behind := range []bool{true, false} {
		r.config.Behind, r.config.Registry = behind, nil
		r.serve()
		req, err := http.NewRequest("POST", r.server.URL+"/v1/sign-in", strings.NewReader(`{"name":"ann","password":"gravel over clay over rock"}`))
		r.must(err)
		req.Header.Set("Content-Type", "application/json")
		req.Header.Set("X-Forwarded-For", "203.0.113.9, 198.51.100.4")
		a := r.send(req, 200)
		cookie, safe := a.Cookies()[0], a.Header.Get("Strict-Transport-Security") != ""
		if cookie.Secure != behind || strings.HasPrefix(cookie.Name, "__Host-") != behind || safe != behind {
			t.Errorf("behind %v: cookie %v, header %v", behind, cookie, a.Header)
		}
		list, err := r.book.Sessions(t.Context(), access.Identity{Name: "ann"}, cookie.Value)
		r.must(err)
		for _, s := range list {
			if want := map[bool]string{true: "198.51.100.4", false: "127.0.0.1"}[behind]; s.Here && s.Place != want {
				t.Errorf("behind %v: the session began at %s", behind, s.Place)
			}
		}
		ask, err := http.NewRequest("GET", r.server.URL+"/v1/me", nil)
		r.must(err)
		ask.AddCookie(cookie)
		r.send(ask, 200)
	}
}
