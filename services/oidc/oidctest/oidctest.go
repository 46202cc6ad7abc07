// Package oidctest is an OpenID Connect issuer on loopback, for tests: discovery, signed keys, and a token endpoint that holds clients to PKCE
// and takes each code once. For example
//
//	issuer := oidctest.New(t)
//	code := issuer.Grant(address, oidctest.Word{Subject: "4711"}) // as if somebody had signed in at the address that Begin gave
package oidctest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"net/http"
	"net/http/httptest"
	"net/url"
	"sync"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
)

// ClientID and Secret are those of the one client it has.
const (
	ClientID = "spoilbook"
	Secret   = "issuer secret of the tests"
)

// Word is what the issuer says of somebody. Zero values mean what is right.
type Word struct {
	Subject   string
	Nonce     string // another than was asked for
	Issuer    string
	Audience  []string
	Party     string
	Expires   time.Duration // from now; 0 means five minutes
	OtherKey  bool          // signed with a key that is not published
	Algorithm jose.SignatureAlgorithm
}

// Issuer is a running issuer.
type Issuer struct {
	URL string

	t      testing.TB
	key    *rsa.PrivateKey
	other  *rsa.PrivateKey
	curve  *ecdsa.PrivateKey
	mu     sync.Mutex
	grants map[string]grant
	Down   bool // it answers nothing of use
}

type grant struct {
	word      Word
	asked     url.Values
	challenge string
}

// New starts an issuer that ends with the test.
func New(t testing.TB) *Issuer {
	t.Helper()
	i := &Issuer{t: t, grants: map[string]grant{}}
	var err error
	for _, k := range []**rsa.PrivateKey{&i.key, &i.other} {
		if *k, err = rsa.GenerateKey(rand.Reader, 2048); err != nil {
			t.Fatal(err)
		}
	}
	if i.curve, err = ecdsa.GenerateKey(elliptic.P256(), rand.Reader); err != nil {
		t.Fatal(err)
	}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /.well-known/openid-configuration", i.discovery)
	mux.HandleFunc("GET /keys", i.keys)
	mux.HandleFunc("POST /token", i.token)
	server := httptest.NewServer(mux)
	t.Cleanup(server.Close)
	i.URL = server.URL
	return i
}

func answer(w http.ResponseWriter, status int, v any) {
	w.Header().Set("Content-Type", "application/json")
	w.WriteHeader(status)
	_ = json.NewEncoder(w).Encode(v) // a client that has gone away is told nothing
}

func (i *Issuer) discovery(w http.ResponseWriter, _ *http.Request) {
	if i.Down {
		http.Error(w, "down", http.StatusBadGateway)
		return
	}
	answer(w, http.StatusOK, map[string]any{"issuer": i.URL, "authorization_endpoint": i.URL + "/authorize", "token_endpoint": i.URL + "/token", "jwks_uri": i.URL + "/keys",
		"response_types_supported": []string{"code"}, "subject_types_supported": []string{"public"}, "id_token_signing_alg_values_supported": []string{"RS256"}})
}

func (i *Issuer) keys(w http.ResponseWriter, _ *http.Request) {
	answer(w, http.StatusOK, jose.JSONWebKeySet{Keys: []jose.JSONWebKey{{Key: &i.key.PublicKey, KeyID: "one", Algorithm: "RS256", Use: "sig"},
		{Key: &i.curve.PublicKey, KeyID: "curve", Algorithm: "ES256", Use: "sig"}}})
}

// Grant lets somebody sign in at an address to which a browser was sent, and returns the address at which the browser comes back.
func (i *Issuer) Grant(address string, word Word) *url.URL {
	i.t.Helper()
	at, err := url.Parse(address)
	if err != nil {
		i.t.Fatal(err)
	}
	q := at.Query()
	if q.Get("response_type") != "code" || q.Get("client_id") != ClientID || q.Get("code_challenge_method") != "S256" || q.Get("state") == "" || q.Get("nonce") == "" {
		i.t.Fatalf("the issuer is asked %v", q)
	}
	code := rand.Text()
	i.mu.Lock()
	i.grants[code] = grant{word, q, q.Get("code_challenge")}
	i.mu.Unlock()
	back, err := url.Parse(q.Get("redirect_uri"))
	if err != nil {
		i.t.Fatal(err)
	}
	back.RawQuery = url.Values{"code": {code}, "state": {q.Get("state")}, "iss": {i.URL}}.Encode()
	return back
}

func (i *Issuer) token(w http.ResponseWriter, r *http.Request) {
	id, secret, ok := r.BasicAuth()
	if !ok {
		id, secret = r.PostFormValue("client_id"), r.PostFormValue("client_secret")
	} else {
		secret, _ = url.QueryUnescape(secret) // as RFC 6749 writes it
	}
	i.mu.Lock()
	g, known := i.grants[r.PostFormValue("code")]
	delete(i.grants, r.PostFormValue("code")) // each is taken once
	i.mu.Unlock()
	challenge := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
	switch {
	case id != ClientID || secret != Secret:
		answer(w, http.StatusUnauthorized, map[string]string{"error": "invalid_client"})
		return
	case !known || base64.RawURLEncoding.EncodeToString(challenge[:]) != g.challenge || r.PostFormValue("redirect_uri") != g.asked.Get("redirect_uri"):
		answer(w, http.StatusBadRequest, map[string]string{"error": "invalid_grant"})
		return
	}
	text, err := i.sign(g)
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	answer(w, http.StatusOK, map[string]any{"access_token": rand.Text(), "token_type": "Bearer", "id_token": text, "expires_in": 300})
}

func (i *Issuer) sign(g grant) (string, error) {
	word := g.word
	claims := map[string]any{"iss": i.URL, "sub": word.Subject, "aud": []string{ClientID}, "iat": time.Now().Unix(), "exp": time.Now().Add(5 * time.Minute).Unix(), "nonce": g.asked.Get("nonce")}
	if word.Expires != 0 {
		claims["exp"] = time.Now().Add(word.Expires).Unix()
	}
	for key, v := range map[string]string{"nonce": word.Nonce, "iss": word.Issuer, "azp": word.Party} {
		if v != "" {
			claims[key] = v
		}
	}
	if word.Audience != nil {
		claims["aud"] = word.Audience
	}
	signing := jose.SigningKey{Algorithm: jose.RS256, Key: jose.JSONWebKey{Key: i.key, KeyID: "one"}}
	switch {
	case word.OtherKey:
		signing.Key = jose.JSONWebKey{Key: i.other, KeyID: "one"}
	case word.Algorithm == jose.ES256:
		signing = jose.SigningKey{Algorithm: jose.ES256, Key: jose.JSONWebKey{Key: i.curve, KeyID: "curve"}}
	case word.Algorithm == jose.HS256: // with the published key as if it was a secret
		signing = jose.SigningKey{Algorithm: jose.HS256, Key: i.key.PublicKey.N.Bytes()}
	}
	signer, err := jose.NewSigner(signing, nil)
	if err != nil {
		return "", err
	}
	payload, err := json.Marshal(claims)
	if err != nil {
		return "", err
	}
	signed, err := signer.Sign(payload)
	if err != nil {
		return "", err
	}
	return signed.CompactSerialize()
}
