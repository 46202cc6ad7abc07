package access_test

import (
	"fmt"
	"testing"
	"time"

	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

const guess = "wrong wrong wrong"

func at(address string) access.Origin { return access.Origin{Address: address} }

func (r *rig) guessed(t *testing.T, name string, from access.Origin, code ledger.Code) {
	t.Helper()
	_, err := r.SignIn(t.Context(), name, guess, from)
	want(t, err, code)
}

func (r *rig) enters(t *testing.T, name string, from access.Origin) access.SignedIn {
	t.Helper()
	in, err := r.SignIn(t.Context(), name, password, from)
	if err != nil {
		t.Fatalf("%s from %+v: %v", name, from, err)
	}
	return in
}

func TestGuessingElsewhereLocksNobodyOut(t *testing.T) {
	r := newRig(t)
	r.add(t, "ann", access.Administrator)
	for range 5 {
		r.guessed(t, "ann", at("198.51.100.7:4000"), ledger.SignInNeeded)
	}
	r.guessed(t, "ann", at("198.51.100.7:4001"), ledger.TooMany) // the port is no other place
	r.enters(t, "ann", at("192.0.2.1:1"))
}

// Many places at once make all strangers wait, and the browser that Ann has signed in with before does not.
func TestManyPlacesDoNotLockOutAKnownBrowser(t *testing.T) {
	r := newRig(t)
	r.add(t, "ann", access.Administrator)
	known := access.Origin{Address: "192.0.2.1:1", Device: r.enters(t, "ann", at("192.0.2.1:1")).Device}
	for k := range 50 {
		r.guessed(t, "ann", at(fmt.Sprintf("198.51.100.%d:1", k)), ledger.SignInNeeded)
	}
	r.guessed(t, "ann", at("198.51.100.99:1"), ledger.TooMany)
	_, err := r.SignIn(t.Context(), "ann", password, at("192.0.2.1:1"))
	want(t, err, ledger.TooMany)
	for range 20 { // for as long as the attacker goes on
		r.now = r.now.Add(16 * time.Minute)
		r.guessed(t, "ann", at("203.0.113.5:1"), ledger.SignInNeeded)
		r.now = r.now.Add(time.Second)
		if r.enters(t, "ann", known).Who.Name != "ann" {
			t.Fatal("the known browser is somebody else's")
		}
	}
	// Of another name the same browser knows nothing, and what it was given can not be made by hand.
	r.add(t, "bob", access.Administrator)
	for k := range 50 {
		r.guessed(t, "bob", at(fmt.Sprintf("198.51.100.%d:1", k)), ledger.SignInNeeded)
	}
	r.guessed(t, "bob", known, ledger.TooMany)
	forged := "bob" + known.Device[3:]
	r.guessed(t, "bob", access.Origin{Address: "192.0.2.1:1", Device: forged}, ledger.TooMany)
}

func TestAKnownBrowserGuessesNoMoreThanOthers(t *testing.T) {
	r := newRig(t)
	r.add(t, "ann", access.Administrator)
	known := access.Origin{Address: "192.0.2.1:1", Device: r.enters(t, "ann", at("192.0.2.1:1")).Device}
	for range 5 {
		r.guessed(t, "ann", known, ledger.SignInNeeded)
	}
	known.Address = "203.0.113.9:1"
	r.guessed(t, "ann", known, ledger.TooMany)
	r.now = r.now.Add(access.DeviceAge + 24*time.Hour)
	r.guessed(t, "ann", known, ledger.SignInNeeded) // it has become a stranger
}

func TestAnAdministratorUnlocks(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	u := r.add(t, "ann", access.Administrator)
	for k := range 60 {
		from := at(fmt.Sprintf("198.51.100.%d:1", k/5))
		_, err := r.SignIn(ctx, "ann", guess, from)
		if err == nil {
			t.Fatal("a guess was right")
		}
	}
	locked, err := r.Locked(ctx)
	if err != nil || locked["ann"] <= 0 || len(locked) != 1 {
		t.Errorf("locked: %v, %v", locked, err)
	}
	_, err = r.SignIn(ctx, "ann", password, at("192.0.2.1:1"))
	want(t, err, ledger.TooMany)
	if err := r.Unlock(ctx, "ann"); err != nil {
		t.Fatal(err)
	}
	r.enters(t, "ann", at("198.51.100.0:1"))
	want(t, r.Unlock(ctx, "nobody"), ledger.NotFound)
	want(t, r.Unlock(ctx, "../x"), ledger.BadRequest)
	if locked, err := r.Locked(ctx); err != nil || len(locked) != 0 {
		t.Errorf("locked after all: %v, %v", locked, err)
	}
	// Guesses are no change of the user: who edits one is not told that somebody else did.
	u.Full = "Ann of the office"
	if _, err := r.Change(ctx, access.Everyone(), u, ""); err != nil {
		t.Error(err)
	}
}

func TestANameThatNobodyHasWaitsAsWell(t *testing.T) {
	r := newRig(t)
	for range 5 {
		r.guessed(t, "nobody", at("198.51.100.7:1"), ledger.SignInNeeded)
	}
	r.guessed(t, "nobody", at("198.51.100.7:1"), ledger.TooMany)
}

func TestOwnPasswordWhileStrangersGuess(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	r.add(t, "ann", access.Administrator)
	in, other := r.enters(t, "ann", at("192.0.2.1:1")), r.enters(t, "ann", at("192.0.2.2:1"))
	for k := range 50 {
		r.guessed(t, "ann", at(fmt.Sprintf("198.51.100.%d:1", k)), ledger.SignInNeeded)
	}
	r.now = r.now.Add(time.Second)
	if err := r.SetOwnPassword(ctx, in.Who, password, "silt over sand over till", in.Secret); err != nil {
		t.Fatal(err)
	}
	if _, err := r.BySession(ctx, in.Secret); err != nil {
		t.Errorf("the session that changed it has ended: %v", err)
	}
	_, err := r.BySession(ctx, other.Secret)
	want(t, err, ledger.SignInNeeded)
	for range 5 {
		want(t, r.SetOwnPassword(ctx, in.Who, guess, "silt over sand over till", ""), ledger.SignInNeeded)
	}
	want(t, r.SetOwnPassword(ctx, in.Who, "silt over sand over till", password, ""), ledger.TooMany)
	want(t, r.SetOwnPassword(ctx, access.Identity{Name: "ann", Token: "0123"}, password, password, ""), ledger.SignInNeeded)
}

func TestSessionsAreListedAndEnded(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	r.add(t, "ann", access.Administrator)
	r.add(t, "bob", access.Administrator)
	in := r.enters(t, "ann", access.Origin{Agent: "a browser", Address: "192.0.2.1:1"})
	r.now = r.now.Add(time.Minute)
	second, bobs := r.enters(t, "ann", at("[2001:db8::1]:1")), r.enters(t, "bob", at("192.0.2.3:1"))
	third := r.enters(t, "ann", at("192.0.2.4:1"))
	list, err := r.Sessions(ctx, in.Who, in.Secret)
	if err != nil || len(list) != 3 || !list[2].Here || list[0].Here || list[2].Agent != "a browser" || list[2].Place != "192.0.2.1" {
		t.Fatalf("sessions %+v, %v", list, err)
	}
	for _, v := range list {
		if !v.Here && v.Place == "2001:db8::/64" {
			if n, err := r.EndSession(ctx, in.Who, v.ID, in.Secret); err != nil || n != 1 {
				t.Fatalf("ended %d: %v", n, err)
			}
		}
	}
	_, err = r.BySession(ctx, second.Secret)
	want(t, err, ledger.SignInNeeded)
	_, err = r.EndSession(ctx, bobs.Who, list[2].ID, "")
	want(t, err, ledger.NotFound)
	if n, err := r.EndSession(ctx, in.Who, "", in.Secret); err != nil || n != 1 {
		t.Errorf("ended %d others: %v", n, err)
	}
	_, err = r.BySession(ctx, third.Secret)
	want(t, err, ledger.SignInNeeded)
	for _, alive := range []string{in.Secret, bobs.Secret} {
		if _, err := r.BySession(ctx, alive); err != nil {
			t.Error(err)
		}
	}
}

func TestTokensThatOnlyRead(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	_, secret, err := r.MakeToken(ctx, access.Everyone(), access.Token{Role: access.Administrator, For: "dashboard", Ends: r.now.Add(time.Hour), ReadOnly: true})
	if err != nil {
		t.Fatal(err)
	}
	who, err := r.ByToken(ctx, secret)
	if err != nil {
		t.Fatal(err)
	}
	reads := map[access.Operation]bool{}
	for _, op := range []access.Operation{"live", "ready", "metrics", "description", "head", "who-am-i", "await-events", "list-events", "get-event", "events-csv", "events-parquet", "list-sources",
		"list-reports", "run-report", "list-lines", "explain-line", "list-issued", "adjustment", "postings", "yard", "rebuild", "copy-ledger", "list-quarantine",
		"get-quarantine-entry", "list-users", "list-tokens", "copy-people"} {
		reads[op] = true
	}
	for _, op := range access.Operations() {
		anybody := access.Identity{}.May(op, access.Object{}) == nil
		if got := who.May(op, access.Object{}) == nil; anybody && !got || !anybody && got != reads[op] {
			t.Errorf("a token that only reads may do %s: %v", op, got)
		}
	}
	_, _, err = r.MakeToken(ctx, access.Everyone(), access.Token{Role: access.Truck, Trucks: who.Trucks, For: "x", Ends: r.now.Add(time.Hour), ReadOnly: true})
	want(t, err, ledger.BadRequest)
}

func TestSubjectsLeadToOnePerson(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	ola := r.add(t, "ola", access.Office)
	ola.Subject = "https://issuer.example 4711"
	if _, err := r.Change(ctx, access.Everyone(), ola, ""); err != nil {
		t.Fatal(err)
	}
	_, err := r.Change(ctx, access.Everyone(), access.User{Name: "eve", Role: access.Administrator, Subject: ola.Subject}, password)
	want(t, err, ledger.Conflict)
	for _, subject := range []string{"4711", " 4711", "https://issuer.example ", "https://issuer.example 47\n11"} {
		_, err := r.Change(ctx, access.Everyone(), access.User{Name: "eve", Role: access.Administrator, Subject: subject}, password)
		want(t, err, ledger.BadRequest)
	}
	ola, err = first(r.Users(ctx))
	if err != nil {
		t.Fatal(err)
	}
	ola.Disabled = true
	if _, err := r.Change(ctx, access.Everyone(), ola, ""); err != nil {
		t.Fatal(err)
	}
	_, err = r.SignInAs(ctx, ola.Subject, access.Origin{})
	want(t, err, ledger.NotAllowed)
}

func first(list []access.User, err error) (access.User, error) {
	if err != nil {
		return access.User{}, err
	}
	return list[0], nil
}

func TestTurnstile(t *testing.T) {
	now := time.Date(2026, 10, 5, 6, 0, 0, 0, time.UTC)
	s := access.NewTurnstile(2, 4, 100, func() time.Time { return now })
	for range 4 {
		if wait := s.Pass("a"); wait != 0 {
			t.Fatalf("a waits %s", wait)
		}
	}
	for range 10 { // who is refused uses nothing up
		if wait := s.Pass("a"); wait != 500*time.Millisecond {
			t.Fatalf("a waits %s, want half a second", wait)
		}
	}
	if wait := s.Pass("b"); wait != 0 {
		t.Errorf("b waits %s for what a did", wait)
	}
	now = now.Add(500 * time.Millisecond)
	if first, second := s.Pass("a"), s.Pass("a"); first != 0 || second == 0 {
		t.Errorf("after half a second: %s, %s", first, second)
	}
	for k := range 10_000 {
		s.Pass(fmt.Sprint(k))
	}
	if s.Keys() != 100 {
		t.Errorf("%d keys are remembered, want 100", s.Keys())
	}
}

func TestOnePlaceTriesManyNames(t *testing.T) {
	r := newRig(t)
	r.add(t, "ann", access.Administrator)
	for k := range 30 {
		r.guessed(t, fmt.Sprintf("name-%d", k), at("198.51.100.7:1"), ledger.SignInNeeded)
	}
	_, err := r.SignIn(t.Context(), "ann", password, at("198.51.100.7:2"))
	want(t, err, ledger.TooMany)
	r.enters(t, "ann", at("192.0.2.1:1"))
	r.now = r.now.Add(2 * time.Second)
	r.enters(t, "ann", at("198.51.100.7:3"))
}

func TestPlaces(t *testing.T) {
	for address, want := range map[string]string{"192.0.2.1:80": "192.0.2.1", "192.0.2.1": "192.0.2.1", "[2001:db8:1:2:3::4]:80": "2001:db8:1:2::/64", "2001:db8:1:2::9": "2001:db8:1:2::/64",
		"[::ffff:192.0.2.1]:80": "192.0.2.1", "[fe80::1%eth0]:80": "fe80::/64", "": "unknown", "@": "unknown"} {
		if got := access.Place(address); got != want {
			t.Errorf("%q is at %q, want %q", address, got, want)
		}
	}
}
