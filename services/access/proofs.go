package access

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// Times that proofs hold.
const (
	SessionIdle = 8 * time.Hour      // a session ends when it was not used for so long,
	SessionLong = 7 * 24 * time.Hour // and in any case after this
	MaxTokenAge = 3 * 366 * 24 * time.Hour
	FirstCode   = 24 * time.Hour // the code that makes the first administrator

	MaxTokens = 2000

	tokenPrefix   = "token."
	sessionPrefix = "session."
	firstKey      = "first-code"
	idLength      = 12 // of the token's digest

	touchEvery = 10 * time.Minute // how exact the time of last use is
	tokenMark  = "sbk_"           // so that a token is known as one wherever it turns up
)

// Token is the right of a program to work in a role until an end.
type Token struct {
	ID     string           `json:"id"`
	Role   Role             `json:"role"`
	Trucks []events.TruckID `json:"trucks,omitempty"`
	For    string           `json:"for"` // what uses it
	Made   time.Time        `json:"made"`
	By     string           `json:"madeBy"`
	Ends   time.Time        `json:"ends"`

	ReadOnly bool `json:"readOnly,omitempty"` // what only reads can do no harm where it is lost
}

// Session is a person's stay after signing in.
type Session struct {
	User  string    `json:"user"`
	Made  time.Time `json:"made"`
	Used  time.Time `json:"used"`
	Agent string    `json:"agent,omitempty"` // what the browser says of itself, for its user to tell sessions apart
	Place string    `json:"place,omitempty"` // address it began from
}

func digest(secret string) string {
	sum := sha256.Sum256([]byte(secret))
	return hex.EncodeToString(sum[:])
}

// MakeToken makes a token and returns its secret, which is not kept: it is shown once.
func (b *Book) MakeToken(ctx context.Context, by Identity, t Token) (Token, string, error) {
	now := b.now().UTC()
	t.Trucks = slices.Compact(slices.Sorted(slices.Values(t.Trucks)))
	switch {
	case !t.Role.valid():
		return Token{}, "", ledger.Fail(ledger.BadRequest, "role: found %q; allowed: truck, crew, yard, office, officer, administrator", clip(string(t.Role)))
	case strings.TrimSpace(t.For) == "" || len(t.For) > maxFullName || strings.ContainsFunc(t.For, func(r rune) bool { return r < ' ' }):
		return Token{}, "", ledger.Fail(ledger.BadRequest, "for: say in 1 to %d characters what uses the token", maxFullName)
	case !t.Ends.After(now) || t.Ends.Sub(now) > MaxTokenAge:
		return Token{}, "", ledger.Fail(ledger.BadRequest, "ends: found %s; allowed: a time from now to three years ahead", t.Ends.Format(time.RFC3339))
	}
	if t.ReadOnly && t.Role == Truck {
		return Token{}, "", ledger.Fail(ledger.BadRequest, "a truck's token hands over events, so it can not be one that only reads")
	}
	if err := checkTrucks(t.Role, t.Trucks); err != nil {
		return Token{}, "", err
	}
	all, err := b.Tokens(ctx)
	if err != nil {
		return Token{}, "", err
	}
	if len(all) >= MaxTokens {
		return Token{}, "", ledger.Fail(ledger.TooLarge, "there are %d tokens, and no more are kept: revoke some", len(all))
	}
	text := tokenMark + secret()
	key := digest(text)
	t.ID, t.Made, t.By = key[:idLength], now, by.Name
	value, err := json.Marshal(t)
	if err != nil {
		return Token{}, "", ledger.Wrap(ledger.Internal, err, "make a token")
	}
	if _, err := b.vault.Put(ctx, tokenPrefix+key, value, 0); err != nil {
		return Token{}, "", ledger.Wrap(ledger.BrokerDown, err, "make a token")
	}
	return t, text, nil
}

// Tokens lists the tokens that have not been revoked, those past their end as well, in order of making.
func (b *Book) Tokens(ctx context.Context) ([]Token, error) {
	entries, err := b.vault.List(ctx, tokenPrefix)
	if err != nil {
		return nil, ledger.Wrap(ledger.BrokerDown, err, "list tokens")
	}
	list := make([]Token, 0, len(entries))
	for _, e := range entries {
		var t Token
		if err := json.Unmarshal(e.Value, &t); err != nil {
			return nil, ledger.Wrap(ledger.Damaged, err, "record %s", e.Key)
		}
		list = append(list, t)
	}
	slices.SortFunc(list, func(x, y Token) int {
		return strings.Compare(x.Made.Format(time.RFC3339Nano)+x.ID, y.Made.Format(time.RFC3339Nano)+y.ID)
	})
	return list, nil
}

// Revoke ends a token now, by its id.
func (b *Book) Revoke(ctx context.Context, id string) error {
	entries, err := b.vault.List(ctx, tokenPrefix)
	if err != nil {
		return ledger.Wrap(ledger.BrokerDown, err, "revoke token %s", id)
	}
	for _, e := range entries {
		if len(id) == idLength && strings.HasPrefix(e.Key, tokenPrefix+id) {
			return ledger.Wrap(ledger.BrokerDown, b.vault.Delete(ctx, e.Key), "revoke token %s", id)
		}
	}
	return ledger.Fail(ledger.NotFound, "there is no token %q", clip(id))
}

// ByToken returns whose token a text is.
func (b *Book) ByToken(ctx context.Context, text string) (Identity, error) {
	unknown := ledger.Fail(ledger.SignInNeeded, "the token is not known, was revoked, or is past its end")
	if !strings.HasPrefix(text, tokenMark) || len(text) > 100 {
		return Identity{}, unknown
	}
	e, err := b.vault.Get(ctx, tokenPrefix+digest(text))
	if errors.Is(err, ErrMissing) {
		return Identity{}, unknown
	}
	var t Token
	if err == nil {
		err = json.Unmarshal(e.Value, &t)
	}
	switch {
	case err != nil:
		return Identity{}, ledger.Wrap(ledger.BrokerDown, err, "look up a token")
	case !b.now().Before(t.Ends):
		return Identity{}, unknown
	}
	return Identity{Name: "token-" + t.ID, Full: t.For, Role: t.Role, Trucks: t.Trucks, Token: t.ID, ReadOnly: t.ReadOnly}, nil
}

// SignedIn is a session that has begun.
type SignedIn struct {
	Who    Identity
	Secret string // of the session, for a cookie
	Device string // by which the browser is known the next time, for a cookie
}

// SignIn begins a session for who knows the password.
func (b *Book) SignIn(ctx context.Context, name, password string, from Origin) (SignedIn, error) {
	if wait := b.places.Pass(Place(from.Address)); wait > 0 {
		return SignedIn{}, ledger.Fail(ledger.TooMany, "too many tries to sign in from %s: wait %s", Place(from.Address), max(time.Second, wait.Round(time.Second)))
	}
	r, err := b.prove(ctx, name, password, from, false)
	if err != nil {
		return SignedIn{}, err
	}
	return b.begin(ctx, r, from)
}

// SignInAs begins a session for the user whom an issuer knows under a subject; whoever calls it has checked the issuer's word.
func (b *Book) SignInAs(ctx context.Context, subject string, from Origin) (SignedIn, error) {
	all, err := b.Users(ctx)
	if err != nil {
		return SignedIn{}, err
	}
	for _, u := range all {
		switch {
		case u.Subject == "" || u.Subject != subject:
		case u.Disabled:
			return SignedIn{}, ledger.Fail(ledger.NotAllowed, "%s may not sign in any more", u.Name)
		default:
			return b.begin(ctx, userRecord{User: u}, from)
		}
	}
	return SignedIn{}, ledger.Fail(ledger.NotAllowed, "nobody here is known as %q: an administrator enters that as a user's subject", subject[:min(len(subject), maxSubject)])
}

func (b *Book) begin(ctx context.Context, r userRecord, from Origin) (SignedIn, error) {
	now := b.now().UTC()
	text := secret()
	value, err := json.Marshal(Session{User: r.Name, Made: now, Used: now, Agent: clip(strings.ToValidUTF8(from.Agent, "")), Place: Place(from.Address)})
	if err != nil {
		return SignedIn{}, ledger.Wrap(ledger.Internal, err, "sign in as %s", r.Name)
	}
	device, err := b.device(ctx, r.Name)
	if err != nil {
		return SignedIn{}, err
	}
	if _, err := b.vault.Put(ctx, sessionPrefix+digest(text), value, 0); err != nil {
		return SignedIn{}, ledger.Wrap(ledger.BrokerDown, err, "sign in as %s", r.Name)
	}
	return SignedIn{Who: r.identity(), Secret: text, Device: device}, nil
}

func (u User) identity() Identity {
	return Identity{Name: u.Name, Full: u.Full, Role: u.Role, Trucks: u.Trucks}
}

// BySession returns whose session a secret is. What the user may do is looked up anew each time, so a change counts at once.
func (b *Book) BySession(ctx context.Context, text string) (Identity, error) {
	over := ledger.Fail(ledger.SignInNeeded, "the session is over: sign in again")
	if text == "" || len(text) > 100 {
		return Identity{}, over
	}
	key := sessionPrefix + digest(text)
	e, err := b.vault.Get(ctx, key)
	if errors.Is(err, ErrMissing) {
		return Identity{}, over
	}
	var s Session
	if err == nil {
		err = json.Unmarshal(e.Value, &s)
	}
	if err != nil {
		return Identity{}, ledger.Wrap(ledger.BrokerDown, err, "look up a session")
	}
	now := b.now().UTC()
	r, err := b.user(ctx, s.User)
	if err != nil && !errors.Is(err, ErrMissing) {
		return Identity{}, ledger.Wrap(ledger.BrokerDown, err, "look up user %s", s.User)
	}
	if err != nil || r.Disabled || s.Made.Before(r.Stamped) || now.Sub(s.Used) >= SessionIdle || now.Sub(s.Made) >= SessionLong {
		return Identity{}, errors.Join(over, b.vault.Delete(ctx, key))
	}
	if now.Sub(s.Used) > touchEvery {
		s.Used = now
		if err := b.touch(ctx, key, s, e.Revision); err != nil {
			return Identity{}, err
		}
	}
	return r.identity(), nil
}

// touch notes that a session was used; another request of the same session may have done so already.
func (b *Book) touch(ctx context.Context, key string, s Session, revision uint64) error {
	value, err := json.Marshal(s)
	if err != nil {
		return ledger.Wrap(ledger.Internal, err, "session of %s", s.User)
	}
	_, err = b.vault.Put(ctx, key, value, revision)
	if errors.Is(err, ErrChanged) {
		return nil
	}
	return ledger.Wrap(ledger.BrokerDown, err, "session of %s", s.User)
}

// SessionView is a session as its user sees it. The id names it, and proves nothing.
type SessionView struct {
	ID string `json:"id"`
	Session
	Here bool `json:"here"` // it is the one that asks
}

// Sessions lists the sessions of somebody that are not over, the last used first; secret is that of the one that asks, or empty.
func (b *Book) Sessions(ctx context.Context, who Identity, secret string) ([]SessionView, error) {
	entries, err := b.vault.List(ctx, sessionPrefix)
	if err != nil {
		return nil, ledger.Wrap(ledger.BrokerDown, err, "list sessions")
	}
	r, err := b.user(ctx, who.Name)
	if err != nil && !errors.Is(err, ErrMissing) {
		return nil, ledger.Wrap(ledger.BrokerDown, err, "list sessions")
	}
	list, now := []SessionView{}, b.now()
	for _, e := range entries {
		v := SessionView{ID: e.Key[len(sessionPrefix):][:idLength], Here: secret != "" && e.Key == sessionPrefix+digest(secret)}
		if err := json.Unmarshal(e.Value, &v.Session); err != nil {
			return nil, ledger.Wrap(ledger.Damaged, err, "record %s", e.Key)
		}
		if v.User == who.Name && !v.Made.Before(r.Stamped) && now.Sub(v.Used) < SessionIdle && now.Sub(v.Made) < SessionLong {
			list = append(list, v)
		}
	}
	slices.SortFunc(list, func(x, y SessionView) int { return y.Used.Compare(x.Used) })
	return list, nil
}

// EndSession ends one of somebody's own sessions, by its id; an empty id ends all but the one whose secret is given. It returns how many ended.
func (b *Book) EndSession(ctx context.Context, who Identity, id, secret string) (int, error) {
	entries, err := b.vault.List(ctx, sessionPrefix)
	if err != nil {
		return 0, ledger.Wrap(ledger.BrokerDown, err, "end sessions")
	}
	ended := 0
	for _, e := range entries {
		var s Session
		if err := json.Unmarshal(e.Value, &s); err != nil {
			return ended, ledger.Wrap(ledger.Damaged, err, "record %s", e.Key)
		}
		named := e.Key[len(sessionPrefix):][:idLength] == id || id == "" && e.Key != sessionPrefix+digest(secret)
		if s.User != who.Name || !named {
			continue
		}
		if err := b.vault.Delete(ctx, e.Key); err != nil {
			return ended, ledger.Wrap(ledger.BrokerDown, err, "end sessions")
		}
		ended++
	}
	if id != "" && ended == 0 {
		return 0, ledger.Fail(ledger.NotFound, "you have no session %q", clip(id))
	}
	return ended, nil
}

// renew lets a session live on after its user's password has changed.
func (b *Book) renew(ctx context.Context, secret, name string) error {
	key := sessionPrefix + digest(secret)
	e, err := b.vault.Get(ctx, key)
	var s Session
	if err == nil {
		err = json.Unmarshal(e.Value, &s)
	}
	if errors.Is(err, ErrMissing) || err == nil && s.User != name {
		return nil
	}
	if err != nil {
		return ledger.Wrap(ledger.BrokerDown, err, "session of %s", name)
	}
	s.Made, s.Used = b.now().UTC(), b.now().UTC()
	return b.touch(ctx, key, s, e.Revision)
}

// SignOut ends a session.
func (b *Book) SignOut(ctx context.Context, text string) error {
	return ledger.Wrap(ledger.BrokerDown, b.vault.Delete(ctx, sessionPrefix+digest(text)), "sign out")
}

// Sweep removes sessions that are over, and returns how many.
func (b *Book) Sweep(ctx context.Context) (int, error) {
	entries, err := b.vault.List(ctx, sessionPrefix)
	if err != nil {
		return 0, ledger.Wrap(ledger.BrokerDown, err, "sweep sessions")
	}
	gone, now := 0, b.now()
	for _, e := range entries {
		var s Session
		if err := json.Unmarshal(e.Value, &s); err == nil && now.Sub(s.Used) < SessionIdle && now.Sub(s.Made) < SessionLong {
			continue
		}
		if err := b.vault.Delete(ctx, e.Key); err != nil {
			return gone, ledger.Wrap(ledger.BrokerDown, err, "sweep sessions")
		}
		gone++
	}
	return gone, nil
}

type firstRecord struct {
	Digest string    `json:"digest"`
	Ends   time.Time `json:"ends"`
}

// First returns a code that makes the first administrator, or an empty text when there is one already. An earlier code ends with it.
func (b *Book) First(ctx context.Context) (string, error) {
	all, err := b.Users(ctx)
	if err != nil || slices.ContainsFunc(all, func(u User) bool { return u.Role == Administrator }) {
		return "", err
	}
	text := secret()
	value, err := json.Marshal(firstRecord{Digest: digest(text), Ends: b.now().UTC().Add(FirstCode)})
	if err != nil {
		return "", ledger.Wrap(ledger.Internal, err, "first code")
	}
	old, err := b.vault.Get(ctx, firstKey)
	if err != nil && !errors.Is(err, ErrMissing) {
		return "", ledger.Wrap(ledger.BrokerDown, err, "first code")
	}
	if _, err := b.vault.Put(ctx, firstKey, value, old.Revision); err != nil {
		return "", ledger.Wrap(ledger.BrokerDown, err, "first code")
	}
	return text, nil
}

// Redeem makes the first administrator for who has the code, which can be used once.
func (b *Book) Redeem(ctx context.Context, code, name, full, password string) (User, error) {
	wrong := ledger.Fail(ledger.SignInNeeded, "the code is not right, was used, or is past its end: the next start prints another while there is no administrator")
	e, err := b.vault.Get(ctx, firstKey)
	if errors.Is(err, ErrMissing) {
		return User{}, wrong
	}
	var first firstRecord
	if err == nil {
		err = json.Unmarshal(e.Value, &first)
	}
	if err != nil {
		return User{}, ledger.Wrap(ledger.BrokerDown, err, "first code")
	}
	if digest(strings.TrimSpace(code)) != first.Digest || !b.now().Before(first.Ends) {
		return User{}, wrong
	}
	u := User{Name: name, Full: full, Role: Administrator}
	if err := errors.Join(u.check(), checkPassword(name, password)); err != nil {
		return User{}, err
	}
	all, err := b.Users(ctx)
	if err != nil {
		return User{}, err
	}
	if slices.ContainsFunc(all, func(u User) bool { return u.Role == Administrator }) {
		return User{}, wrong
	}
	// Used before it works: of two who come at once, one finds it gone.
	used, err := json.Marshal(firstRecord{})
	if err != nil {
		return User{}, ledger.Wrap(ledger.Internal, err, "first code")
	}
	if _, err := b.vault.Put(ctx, firstKey, used, e.Revision); err != nil {
		return User{}, wrong
	}
	return b.Change(ctx, Identity{Name: "first-code"}, u, password)
}
