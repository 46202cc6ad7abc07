package oidc_test

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"

	"spoilbook/services/ledger"
	"spoilbook/services/oidc"
	"spoilbook/services/oidc/oidctest"
)

const back = "http://127.0.0.1:8080/sign-in/return"

type rig struct {
	*oidc.Provider
	issuer *oidctest.Issuer
	now    time.Time
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{issuer: oidctest.New(t), now: time.Now()}
	p, err := oidc.New(oidc.Config{Issuer: r.issuer.URL, ClientID: oidctest.ClientID, Secret: oidctest.Secret, Return: back, Now: func() time.Time { return r.now }})
	if err != nil {
		t.Fatal(err)
	}
	r.Provider = p
	return r
}

// begins returns what the browser keeps and what it comes back with.
func (r *rig) begins(t *testing.T, word oidctest.Word) (string, url.Values) {
	t.Helper()
	address, keep, err := r.Begin(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	at := r.issuer.Grant(address, word)
	if got := at.Scheme + "://" + at.Host + at.Path; got != back {
		t.Errorf("the browser comes back to %s", got)
	}
	return keep, at.Query()
}

func refused(t *testing.T, what string, err error, code ledger.Code, says string) {
	t.Helper()
	if err == nil || ledger.CodeOf(err) != code || !strings.Contains(err.Error(), says) {
		t.Errorf("%s: %v; want %s and %q", what, err, code, says)
	}
}

func TestSigningIn(t *testing.T) {
	r := newRig(t)
	for _, word := range []oidctest.Word{{Subject: "4711"}, {Subject: "4711", Audience: []string{oidctest.ClientID, "another"}, Party: oidctest.ClientID}} {
		keep, came := r.begins(t, word)
		if subject, err := r.Finish(t.Context(), keep, came); err != nil || subject != r.issuer.URL+" 4711" {
			t.Errorf("%+v: subject %q, %v", word, subject, err)
		}
	}
}

func TestRequestsAreMadeAnew(t *testing.T) {
	r := newRig(t)
	seen := map[string]bool{}
	for range 20 {
		address, keep, err := r.Begin(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		at, err := url.Parse(address)
		if err != nil {
			t.Fatal(err)
		}
		for _, text := range []string{at.Query().Get("state"), at.Query().Get("nonce"), at.Query().Get("code_challenge"), keep} {
			if len(text) < 26 || seen[text] {
				t.Fatalf("%q is short, or was there before", text)
			}
			seen[text] = true
		}
	}
}

func TestTokensThatDoNotHold(t *testing.T) {
	r := newRig(t)
	for what, c := range map[string]struct {
		word oidctest.Word
		code ledger.Code
		says string
	}{
		"wrong nonce":        {oidctest.Word{Subject: "4711", Nonce: "another"}, ledger.SignInNeeded, "another request"},
		"wrong audience":     {oidctest.Word{Subject: "4711", Audience: []string{"another"}}, ledger.SignInNeeded, "audience"},
		"no audience":        {oidctest.Word{Subject: "4711", Audience: []string{}}, ledger.SignInNeeded, "audience"},
		"several audiences":  {oidctest.Word{Subject: "4711", Audience: []string{oidctest.ClientID, "another"}}, ledger.SignInNeeded, "another client"},
		"another party":      {oidctest.Word{Subject: "4711", Party: "another"}, ledger.SignInNeeded, "another client"},
		"wrong issuer":       {oidctest.Word{Subject: "4711", Issuer: "https://elsewhere.example"}, ledger.SignInNeeded, "does not hold"},
		"expired":            {oidctest.Word{Subject: "4711", Expires: -time.Minute}, ledger.SignInNeeded, "ended at"},
		"unpublished key":    {oidctest.Word{Subject: "4711", OtherKey: true}, ledger.SignInNeeded, "does not hold"},
		"another algorithm":  {oidctest.Word{Subject: "4711", Algorithm: jose.ES256}, ledger.SignInNeeded, "does not hold"},
		"key used as secret": {oidctest.Word{Subject: "4711", Algorithm: jose.HS256}, ledger.SignInNeeded, "does not hold"},
		"no subject":         {oidctest.Word{}, ledger.NotAllowed, "can not be kept"},
		"odd subject":        {oidctest.Word{Subject: "47\n11"}, ledger.NotAllowed, "can not be kept"},
	} {
		keep, came := r.begins(t, c.word)
		_, err := r.Finish(t.Context(), keep, came)
		refused(t, what, err, c.code, c.says)
	}
}

func TestAnswersThatAreNotToThisRequest(t *testing.T) {
	r := newRig(t)
	keep, came := r.begins(t, oidctest.Word{Subject: "4711"})
	otherKeep, otherCame := r.begins(t, oidctest.Word{Subject: "4712"})
	_, err := r.Finish(t.Context(), keep, otherCame)
	refused(t, "the answer to another browser", err, ledger.SignInNeeded, "another request")
	for _, text := range []string{"", "nonsense", "e30"} {
		_, err = r.Finish(t.Context(), text, came)
		refused(t, "a browser that keeps "+text, err, ledger.SignInNeeded, "has not begun")
	}
	mixed := url.Values{"code": otherCame["code"], "state": came["state"]}
	_, err = r.Finish(t.Context(), keep, mixed) // the code of another: PKCE ties it to the other's verifier
	refused(t, "the code of another", err, ledger.SignInNeeded, "does not take the code")
	_, err = r.Finish(t.Context(), otherKeep, otherCame)
	refused(t, "a code that was tried", err, ledger.SignInNeeded, "does not take the code")

	keep, came = r.begins(t, oidctest.Word{Subject: "4711"})
	came.Set("iss", "https://elsewhere.example")
	_, err = r.Finish(t.Context(), keep, came)
	refused(t, "the answer of another issuer", err, ledger.SignInNeeded, "another issuer")
	came.Set("iss", r.issuer.URL)
	if _, err = r.Finish(t.Context(), keep, came); err != nil {
		t.Fatal(err)
	}
	_, err = r.Finish(t.Context(), keep, came)
	refused(t, "a replay", err, ledger.SignInNeeded, "finished already")

	keep, came = r.begins(t, oidctest.Word{Subject: "4711"})
	_, err = r.Finish(t.Context(), keep, url.Values{"error": {"access_denied"}, "state": came["state"]})
	refused(t, "a refusal", err, ledger.SignInNeeded, "access_denied")
	keep, came = r.begins(t, oidctest.Word{Subject: "4711"})
	_, err = r.Finish(t.Context(), keep, url.Values{"state": came["state"]})
	refused(t, "no code", err, ledger.SignInNeeded, "no code")
	keep, came = r.begins(t, oidctest.Word{Subject: "4711"})
	r.now = r.now.Add(oidc.Patience + time.Second)
	_, err = r.Finish(t.Context(), keep, came)
	refused(t, "a late answer", err, ledger.SignInNeeded, "longer than")
}

func TestAnIssuerThatComesUpLater(t *testing.T) {
	r := newRig(t)
	r.issuer.Down = true
	_, _, err := r.Begin(t.Context())
	refused(t, "an issuer that is down", err, ledger.IssuerDown, "can not be asked")
	r.issuer.Down = false
	keep, came := r.begins(t, oidctest.Word{Subject: "4711"})
	if _, err := r.Finish(t.Context(), keep, came); err != nil {
		t.Error(err)
	}
}

func TestAWrongSecretIsToldAsOne(t *testing.T) {
	r := newRig(t)
	p, err := oidc.New(oidc.Config{Issuer: r.issuer.URL, ClientID: oidctest.ClientID, Secret: "wrong", Return: back})
	if err != nil {
		t.Fatal(err)
	}
	r.Provider = p
	keep, came := r.begins(t, oidctest.Word{Subject: "4711"})
	_, err = p.Finish(t.Context(), keep, came)
	refused(t, "a wrong secret", err, ledger.SignInNeeded, "client id, secret or return address")
}

func TestIssuersAreReachedSafely(t *testing.T) {
	for _, issuer := range []string{"", "login.example", "http://login.example", "ftp://login.example", "http://192.0.2.1", "https://user@login.example", "https://"} {
		_, err := oidc.New(oidc.Config{Issuer: issuer, ClientID: "x", Return: back})
		refused(t, issuer, err, ledger.BadRequest, "allowed")
	}
	for _, c := range []oidc.Config{{Issuer: "https://login.example", Return: back}, {Issuer: "https://login.example", ClientID: "x", Return: "http://yard.example/sign-in/return"}} {
		_, err := oidc.New(c)
		refused(t, c.Return, err, ledger.BadRequest, "")
	}
	for _, issuer := range []string{"https://login.example", "https://login.example/realm", "http://127.0.0.1:9000", "http://localhost:9000", "http://[::1]:9000"} {
		if _, err := oidc.New(oidc.Config{Issuer: issuer, ClientID: "x", Return: back}); err != nil {
			t.Errorf("%s: %v", issuer, err)
		}
	}
}
