// Package oidc lets people sign in with what another service knows of them, by OpenID Connect: the authorization code flow with PKCE. For
// example
//
//	p, err := oidc.New(oidc.Config{Issuer: "https://login.example", ClientID: "spoilbook", Secret: secret, Return: "https://yard.example/sign-in/return"})
//	url, keep, err := p.Begin(ctx)               // send the browser to url, and keep the text in a cookie of it
//	subject, err := p.Finish(ctx, keep, query)   // what the browser came back with: "https://login.example 4711"
//
// Laws. A subject is returned only for an ID token that the issuer signed with a key that it publishes, for this client, that is within its time and
// answers the request that this browser began: state, nonce and the PKCE verifier are made anew each time, and a request is finished at most once.
// Issuers are reached over HTTPS, except on this machine. An issuer that does not answer is asked again at the next request, so it need not run when
// this program starts.
package oidc

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"github.com/coreos/go-oidc/v3/oidc"
	"golang.org/x/oauth2"

	"spoilbook/services/ledger"
)

// Limits of a sign-in.
const (
	Patience = 10 * time.Minute // how long it may take from beginning to end

	callTime    = 10 * time.Second // of one call to the issuer
	maxAnswer   = 1 << 20          // of the issuer's answers
	maxFinished = 20_000           // finished requests that are remembered
	maxIssuers  = 400              // length of an issuer's address and a subject
)

// Config is how this service is known at an issuer.
type Config struct {
	Issuer   string
	ClientID string
	Secret   string // empty for a public client
	Return   string // address of this service to which the browser comes back
	Called   string // what people call the issuer; empty means its host
	Now      func() time.Time
	Client   *http.Client // nil means one of its own
}

// Provider is an issuer at which people sign in. It is safe for concurrent use.
type Provider struct {
	config Config
	client *http.Client

	mu       sync.Mutex
	provider *oidc.Provider       // nil until the issuer has answered
	finished map[string]time.Time // states of requests, until they are too old in any case
}

// New checks a configuration. The issuer is not asked yet.
func New(c Config) (*Provider, error) {
	if err := checkAddress("issuer", c.Issuer); err != nil {
		return nil, err
	}
	if err := checkAddress("return address", c.Return); err != nil {
		return nil, err
	}
	if c.ClientID == "" || len(c.Issuer) > maxIssuers/2 {
		return nil, ledger.Fail(ledger.BadRequest, "an OpenID Connect issuer needs the client id under which it knows this service, and an address of at most %d characters", maxIssuers/2)
	}
	if c.Called == "" {
		if u, err := url.Parse(c.Issuer); err == nil {
			c.Called = u.Hostname()
		}
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	client := &http.Client{}
	if c.Client != nil {
		*client = *c.Client
	}
	client.Timeout = callTime
	client.Transport = bounded{client.Transport}
	return &Provider{config: c, client: client, finished: map[string]time.Time{}}, nil
}

// Name is what people call the issuer.
func (p *Provider) Name() string { return p.config.Called }

// checkAddress refuses what could be read or changed on its way.
func checkAddress(what, text string) error {
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.Scheme != "https" && u.Scheme != "http" || u.User != nil || u.Fragment != "" {
		return ledger.Fail(ledger.BadRequest, "%s: found %q; allowed: an address such as https://login.example", what, text)
	}
	ip := net.ParseIP(u.Hostname())
	if loopback := u.Hostname() == "localhost" || ip != nil && ip.IsLoopback(); u.Scheme != "https" && !loopback {
		return ledger.Fail(ledger.BadRequest, "%s: found %q; allowed: https, for what goes over a network in the clear can be read and changed", what, text)
	}
	return nil
}

// bounded cuts answers that are too long to be any of an issuer's, and follows no address that is not safe.
type bounded struct{ next http.RoundTripper }

// RoundTrip sends a request.
func (b bounded) RoundTrip(r *http.Request) (*http.Response, error) {
	if err := checkAddress("address of the issuer", (&url.URL{Scheme: r.URL.Scheme, Host: r.URL.Host}).String()); err != nil {
		return nil, err
	}
	next := b.next
	if next == nil {
		next = http.DefaultTransport
	}
	res, err := next.RoundTrip(r)
	if err == nil {
		res.Body = http.MaxBytesReader(nil, res.Body, maxAnswer)
	}
	return res, err
}

// at returns the issuer as it describes itself, asking it where it has not answered before.
func (p *Provider) at(ctx context.Context) (*oidc.Provider, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.provider != nil {
		return p.provider, nil
	}
	// The provider fetches keys later with this context's client, so it must not end with the request.
	asking := oidc.ClientContext(context.WithoutCancel(ctx), p.client)
	found, err := oidc.NewProvider(asking, p.config.Issuer)
	if err != nil {
		return nil, ledger.Wrap(ledger.IssuerDown, err, "the issuer %s can not be asked who you are", p.config.Issuer)
	}
	for _, address := range []string{found.Endpoint().AuthURL, found.Endpoint().TokenURL} {
		if err := checkAddress("address that the issuer names", address); err != nil {
			return nil, err
		}
	}
	p.provider = found
	return found, nil
}

func (p *Provider) oauth(found *oidc.Provider) oauth2.Config {
	return oauth2.Config{ClientID: p.config.ClientID, ClientSecret: p.config.Secret, Endpoint: found.Endpoint(), RedirectURL: p.config.Return, Scopes: []string{oidc.ScopeOpenID}}
}

// request is a sign-in that has begun, as the browser keeps it.
type request struct {
	State    string    `json:"state"`
	Nonce    string    `json:"nonce"`
	Verifier string    `json:"verifier"`
	Begun    time.Time `json:"begun"`
}

// Begin returns the address of the issuer at which the browser signs in, and a text that the browser keeps until it comes back.
func (p *Provider) Begin(ctx context.Context) (address, keep string, err error) {
	found, err := p.at(ctx)
	if err != nil {
		return "", "", err
	}
	r := request{State: rand.Text(), Nonce: rand.Text(), Verifier: oauth2.GenerateVerifier(), Begun: p.config.Now().UTC()}
	text, err := json.Marshal(r)
	if err != nil {
		return "", "", ledger.Wrap(ledger.Internal, err, "begin to sign in")
	}
	config := p.oauth(found)
	return config.AuthCodeURL(r.State, oidc.Nonce(r.Nonce), oauth2.S256ChallengeOption(r.Verifier)), base64.RawURLEncoding.EncodeToString(text), nil
}

// again is what to say of a sign-in that has to be begun anew.
func again(format string, args ...any) error {
	return ledger.Fail(ledger.SignInNeeded, "%s: begin to sign in again", fmt.Sprintf(format, args...))
}

// Finish takes what the browser came back with and returns whom the issuer says it is: the issuer and its subject with a space between.
func (p *Provider) Finish(ctx context.Context, keep string, came url.Values) (string, error) {
	r, err := p.begun(keep, came)
	if err != nil {
		return "", err
	}
	if refusal := came.Get("error"); refusal != "" {
		return "", again("%s answers %q", p.config.Issuer, short(refusal+" "+came.Get("error_description")))
	}
	code := came.Get("code")
	if code == "" {
		return "", again("%s sent no code", p.config.Issuer)
	}
	found, err := p.at(ctx)
	if err != nil {
		return "", err
	}
	config := p.oauth(found)
	token, err := config.Exchange(oidc.ClientContext(ctx, p.client), code, oauth2.VerifierOption(r.Verifier))
	if refused := (*oauth2.RetrieveError)(nil); errors.As(err, &refused) && refused.Response != nil && refused.Response.StatusCode < 500 {
		return "", ledger.Fail(ledger.SignInNeeded, "%s does not take the code (%s): begin to sign in again; if it happens each time, the client id, secret or return address there differ from those here",
			p.config.Issuer, short(refused.ErrorCode))
	}
	if err != nil {
		return "", ledger.Wrap(ledger.IssuerDown, err, "the issuer %s can not be asked who you are", p.config.Issuer)
	}
	raw, ok := token.Extra("id_token").(string)
	if !ok {
		return "", ledger.Fail(ledger.IssuerDown, "the issuer %s sent no ID token", p.config.Issuer)
	}
	return p.verified(ctx, found, raw, r)
}

// begun returns the request that a browser has kept, if what it came back with answers that and it was not finished before.
func (p *Provider) begun(keep string, came url.Values) (request, error) {
	var r request
	text, err := base64.RawURLEncoding.DecodeString(keep)
	if err != nil || json.Unmarshal(text, &r) != nil || r.State == "" || r.Nonce == "" || r.Verifier == "" {
		return r, again("this browser has not begun to sign in, or keeps no cookies")
	}
	now := p.config.Now()
	if now.Sub(r.Begun) > Patience || r.Begun.After(now.Add(time.Minute)) {
		return r, again("it took longer than %d minutes", int(Patience.Minutes()))
	}
	if subtle.ConstantTimeCompare([]byte(came.Get("state")), []byte(r.State)) != 1 {
		return r, again("the answer is to another request than that of this browser")
	}
	if issuer := came.Get("iss"); issuer != "" && issuer != p.config.Issuer {
		return r, again("the answer is of another issuer, %s", short(issuer))
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if _, ok := p.finished[r.State]; ok {
		return r, again("this request was finished already")
	}
	if len(p.finished) >= maxFinished {
		for state, at := range p.finished {
			if now.Sub(at) > Patience+time.Minute {
				delete(p.finished, state)
			}
		}
		if len(p.finished) >= maxFinished {
			return r, ledger.Fail(ledger.Busy, "too many sign in at a time")
		}
	}
	p.finished[r.State] = now
	return r, nil
}

// verified returns the subject of an ID token that holds.
func (p *Provider) verified(ctx context.Context, found *oidc.Provider, raw string, r request) (string, error) {
	verifier := found.VerifierContext(oidc.ClientContext(ctx, p.client), &oidc.Config{ClientID: p.config.ClientID, Now: p.config.Now})
	id, err := verifier.Verify(ctx, raw)
	switch expired := (*oidc.TokenExpiredError)(nil); {
	case errors.As(err, &expired):
		return "", again("the ID token of %s ended at %s; if you have just signed in there, a clock is wrong", p.config.Issuer, expired.Expiry.UTC().Format(time.RFC3339))
	case err != nil:
		return "", ledger.Fail(ledger.SignInNeeded, "the ID token of %s does not hold (%s): begin to sign in again; if it happens each time, tell who runs this service", p.config.Issuer, short(err.Error()))
	case subtle.ConstantTimeCompare([]byte(id.Nonce), []byte(r.Nonce)) != 1:
		return "", again("the ID token answers another request than that of this browser")
	}
	var claims struct {
		Party string `json:"azp"`
	}
	if err := id.Claims(&claims); err != nil {
		return "", ledger.Wrap(ledger.IssuerDown, err, "ID token of %s", p.config.Issuer)
	}
	if claims.Party != "" && claims.Party != p.config.ClientID || claims.Party == "" && len(id.Audience) > 1 {
		return "", again("the ID token is for another client than this")
	}
	subject := id.Issuer + " " + id.Subject
	if id.Subject == "" || len(subject) > maxIssuers || strings.ContainsFunc(subject, func(c rune) bool { return c < ' ' }) {
		return "", ledger.Fail(ledger.NotAllowed, "the subject that %s names can not be kept here", p.config.Issuer)
	}
	return subject, nil
}

func short(text string) string {
	text = strings.TrimSpace(strings.ToValidUTF8(strings.Map(func(r rune) rune {
		if r < ' ' {
			return ' '
		}
		return r
	}, text), ""))
	if len(text) > 120 {
		return strings.ToValidUTF8(text[:120], "") + "..."
	}
	return text
}
