package access_test

import (
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/services/access"
	"spoilbook/services/access/accesstest"
	"spoilbook/services/ledger"
)

const password = "gravel over clay over rock"

type rig struct {
	*access.Book
	vault *accesstest.Vault
	now   time.Time
}

func newRig(t *testing.T) *rig {
	t.Helper()
	r := &rig{vault: accesstest.NewVault(), now: time.Date(2026, 10, 5, 6, 0, 0, 0, time.UTC)}
	b, err := access.New(access.Config{Vault: r.vault, Now: func() time.Time { return r.now }, HashKiB: 64})
	if err != nil {
		t.Fatal(err)
	}
	r.Book = b
	return r
}

func (r *rig) add(t *testing.T, name string, role access.Role, trucks ...events.TruckID) access.User {
	t.Helper()
	u, err := r.Change(t.Context(), access.Everyone(), access.User{Name: name, Full: "The " + name, Role: role, Trucks: trucks}, password)
	if err != nil {
		t.Fatal(err)
	}
	return u
}

func want(t *testing.T, err error, code ledger.Code) {
	t.Helper()
	if err == nil || ledger.CodeOf(err) != code {
		t.Errorf("error: %v; want the code %s", err, code)
	}
}

func TestFirstAdministratorByCode(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	first, err := r.First(ctx)
	if err != nil || len(first) < 20 {
		t.Fatalf("code %q: %v", first, err)
	}
	second, err := r.First(ctx)
	if err != nil || second == first {
		t.Fatalf("second code %q: %v", second, err)
	}
	_, err = r.Redeem(ctx, first, "ann", "Ann", password)
	want(t, err, ledger.SignInNeeded) // the second ended it
	_, err = r.Redeem(ctx, second, "ann", "Ann", "short")
	want(t, err, ledger.BadRequest) // and does not use the code up
	if _, err := r.Redeem(ctx, second+"\n", "ann", "Ann", password); err != nil {
		t.Fatal(err)
	}
	_, err = r.Redeem(ctx, second, "bob", "Bob", password)
	want(t, err, ledger.SignInNeeded)
	if again, err := r.First(ctx); err != nil || again != "" {
		t.Errorf("a code with an administrator there: %q, %v", again, err)
	}
}

func TestFirstCodeEnds(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	code, err := r.First(ctx)
	if err != nil {
		t.Fatal(err)
	}
	r.now = r.now.Add(access.FirstCode)
	_, err = r.Redeem(ctx, code, "ann", "Ann", password)
	want(t, err, ledger.SignInNeeded)
}

func TestOfTwoWhoRedeemAtOnceOneIsRefused(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	code, err := r.First(ctx)
	if err != nil {
		t.Fatal(err)
	}
	var wait sync.WaitGroup
	made := make(chan string, 2)
	for _, name := range []string{"ann", "bob"} {
		wait.Go(func() {
			if _, err := r.Redeem(ctx, code, name, name, password); err == nil {
				made <- name
			}
		})
	}
	wait.Wait()
	if len(made) != 1 {
		t.Errorf("%d administrators were made with one code", len(made))
	}
}

func TestSessions(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	r.add(t, "ann", access.Administrator)
	r.add(t, "carl", access.Crew, "TM-02", "TM-01", "TM-02")
	in, err := r.SignIn(ctx, "carl", password, access.Origin{})
	if err != nil {
		t.Fatal(err)
	}
	if who := in.Who; who.Role != access.Crew || !slices.Equal(who.Trucks, []events.TruckID{"TM-01", "TM-02"}) || who.Author() != "The carl" {
		t.Errorf("who: %+v", who)
	}
	for range 5 { // used all day, it holds
		r.now = r.now.Add(access.SessionIdle - time.Minute)
		if got, err := r.BySession(ctx, in.Secret); err != nil || got.Name != "carl" {
			t.Fatalf("session: %+v, %v", got, err)
		}
	}
	r.now = r.now.Add(access.SessionIdle + time.Second)
	_, err = r.BySession(ctx, in.Secret)
	want(t, err, ledger.SignInNeeded)
	if left, _ := r.vault.List(ctx, "session."); len(left) != 0 {
		t.Errorf("a session that is over is kept: %v", left)
	}
}

func TestSessionEndsAfterAWeekAndOnSignOut(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	r.add(t, "ann", access.Administrator)
	in, err := r.SignIn(ctx, "ann", password, access.Origin{})
	if err != nil {
		t.Fatal(err)
	}
	other, err := r.SignIn(ctx, "ann", password, access.Origin{})
	if err != nil {
		t.Fatal(err)
	}
	if err := r.SignOut(ctx, other.Secret); err != nil {
		t.Fatal(err)
	}
	_, err = r.BySession(ctx, other.Secret)
	want(t, err, ledger.SignInNeeded)
	for end := r.now.Add(access.SessionLong); r.now.Before(end); r.now = r.now.Add(7 * time.Hour) {
		if _, err := r.BySession(ctx, in.Secret); err != nil {
			t.Fatal(err)
		}
	}
	_, err = r.BySession(ctx, in.Secret)
	want(t, err, ledger.SignInNeeded)
}

func TestChangeOfRoleOrPasswordEndsSessions(t *testing.T) {
	for name, change := range map[string]func(*access.User) string{
		"role":     func(u *access.User) string { u.Role = access.Office; return "" },
		"password": func(*access.User) string { return "another twelve letters" },
		"disabled": func(u *access.User) string { u.Disabled = true; return "" },
	} {
		t.Run(name, func(t *testing.T) {
			r, ctx := newRig(t), t.Context()
			r.add(t, "ann", access.Administrator)
			u := r.add(t, "yan", access.Yard)
			in, err := r.SignIn(ctx, "yan", password, access.Origin{})
			if err != nil {
				t.Fatal(err)
			}
			r.now = r.now.Add(time.Second)
			if _, err := r.Change(ctx, access.Everyone(), u, change(&u)); err != nil {
				t.Fatal(err)
			}
			_, err = r.BySession(ctx, in.Secret)
			want(t, err, ledger.SignInNeeded)
		})
	}
}

func TestGuessingWaits(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	r.add(t, "ann", access.Administrator)
	for range 5 {
		_, err := r.SignIn(ctx, "ann", "wrong wrong wrong", access.Origin{})
		want(t, err, ledger.SignInNeeded)
	}
	_, err := r.SignIn(ctx, "ann", password, access.Origin{})
	want(t, err, ledger.TooMany)
	r.now = r.now.Add(15 * time.Second)
	if _, err := r.SignIn(ctx, "ann", password, access.Origin{}); err != nil {
		t.Fatalf("after the wait: %v", err)
	}
	for range 4 { // a right password forgets the wrong ones
		_, err := r.SignIn(ctx, "ann", "wrong wrong wrong", access.Origin{})
		want(t, err, ledger.SignInNeeded)
	}
	if _, err := r.SignIn(ctx, "ann", password, access.Origin{}); err != nil {
		t.Fatal(err)
	}
}

func TestWaitsGrowAndHaveALimit(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	r.add(t, "ann", access.Administrator)
	var waited []time.Duration
	for range 5 {
		_, err := r.SignIn(ctx, "ann", "wrong wrong wrong", access.Origin{})
		want(t, err, ledger.SignInNeeded)
	}
	for range 10 {
		begin := r.now
		for {
			r.now = r.now.Add(5 * time.Second)
			_, err := r.SignIn(ctx, "ann", "wrong wrong wrong", access.Origin{})
			if ledger.CodeOf(err) == ledger.SignInNeeded {
				break
			}
			want(t, err, ledger.TooMany)
		}
		waited = append(waited, r.now.Sub(begin))
	}
	for k := 1; k < len(waited); k++ {
		if waited[k] < waited[k-1] || waited[k] > 15*time.Minute {
			t.Errorf("waits: %v", waited)
			break
		}
	}
	if waited[0] != 15*time.Second || waited[len(waited)-1] != 15*time.Minute {
		t.Errorf("waits: %v", waited)
	}
}

func TestNamesAreNotTold(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	r.add(t, "ann", access.Administrator)
	_, unknown := r.SignIn(ctx, "bob", password, access.Origin{})
	_, wrong := r.SignIn(ctx, "ann", "wrong wrong wrong", access.Origin{})
	_, odd := r.SignIn(ctx, "../ann", password, access.Origin{})
	if unknown.Error() != wrong.Error() || odd.Error() != wrong.Error() {
		t.Errorf("the answers differ: %q, %q, %q", unknown, wrong, odd)
	}
}

func TestUsersAreChecked(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	for _, u := range []access.User{
		{Name: "A", Role: access.Yard}, {Name: "a", Role: access.Yard}, {Name: "ann.x", Role: access.Yard}, {Name: "-ann", Role: access.Yard},
		{Name: "ann", Role: "king"}, {Name: "ann", Role: access.Truck}, {Name: "ann", Role: access.Crew}, {Name: "ann", Role: access.Yard, Trucks: []events.TruckID{"TM-01"}},
		{Name: "ann", Role: access.Crew, Trucks: []events.TruckID{"TM 01>"}}, {Name: "ann", Role: access.Yard, Full: strings.Repeat("x", 81)},
		{Name: "ann", Role: access.Yard, Full: "two\nlines"},
	} {
		_, err := r.Change(ctx, access.Everyone(), u, password)
		want(t, err, ledger.BadRequest)
	}
	for _, p := range []string{"short", "aaaaaaaaaaaaaaaa", "i am ann myself", strings.Repeat("long ", 60), "null\x00null null"} {
		_, err := r.Change(ctx, access.Everyone(), access.User{Name: "ann", Role: access.Yard}, p)
		want(t, err, ledger.BadRequest)
	}
	if all, err := r.Users(ctx); err != nil || len(all) != 0 {
		t.Errorf("kept nevertheless: %v, %v", all, err)
	}
}

func TestTwoWhoChangeOneUser(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	u := r.add(t, "yan", access.Yard)
	mine, theirs := u, u
	mine.Full, theirs.Full = "Mine", "Theirs"
	if _, err := r.Change(ctx, access.Everyone(), mine, ""); err != nil {
		t.Fatal(err)
	}
	_, err := r.Change(ctx, access.Everyone(), theirs, "")
	want(t, err, ledger.Conflict)
	_, err = r.Change(ctx, access.Everyone(), access.User{Name: "yan", Role: access.Yard}, password) // as if new
	want(t, err, ledger.Conflict)
	if all, _ := r.Users(ctx); len(all) != 1 || all[0].Full != "Mine" {
		t.Errorf("users: %+v", all)
	}
	if _, err := r.SignIn(ctx, "yan", password, access.Origin{}); err != nil {
		t.Errorf("an empty password took the old one away: %v", err)
	}
}

func TestTheLastAdministratorStays(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	ann := r.add(t, "ann", access.Administrator)
	ann.Role = access.Yard
	_, err := r.Change(ctx, access.Everyone(), ann, "")
	want(t, err, ledger.Conflict)
	r.add(t, "bob", access.Administrator)
	if _, err := r.Change(ctx, access.Everyone(), ann, ""); err != nil {
		t.Error(err)
	}
}

func TestOwnPassword(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	r.add(t, "ann", access.Administrator)
	me := access.Identity{Name: "ann", Role: access.Administrator}
	want(t, r.SetOwnPassword(ctx, me, "wrong wrong wrong", "silt over sand over till", ""), ledger.SignInNeeded)
	want(t, r.SetOwnPassword(ctx, me, password, "short", ""), ledger.BadRequest)
	if err := r.SetOwnPassword(ctx, me, password, "silt over sand over till", ""); err != nil {
		t.Fatal(err)
	}
	_, err := r.SignIn(ctx, "ann", password, access.Origin{})
	want(t, err, ledger.SignInNeeded)
	if _, err := r.SignIn(ctx, "ann", "silt over sand over till", access.Origin{}); err != nil {
		t.Error(err)
	}
}

func TestTokens(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	by := access.Identity{Name: "ann", Role: access.Administrator}
	t1, text, err := r.MakeToken(ctx, by, access.Token{Role: access.Truck, Trucks: []events.TruckID{"TM-01"}, For: "controller of TM-01", Ends: r.now.Add(time.Hour)})
	if err != nil {
		t.Fatal(err)
	}
	who, err := r.ByToken(ctx, text)
	if err != nil || who.Role != access.Truck || !who.Has("TM-01") || who.Has("TM-02") || who.Token != t1.ID {
		t.Errorf("who: %+v, %v", who, err)
	}
	for _, e := range r.vault.All() {
		if strings.Contains(e.Key+string(e.Value), text[4:]) {
			t.Errorf("the secret is kept in %s", e.Key)
		}
	}
	for _, wrong := range []string{"", "sbk_", text[:len(text)-1], strings.ToLower(text), text + "x", strings.Repeat("sbk_", 100)} {
		_, err := r.ByToken(ctx, wrong)
		want(t, err, ledger.SignInNeeded)
	}
	r.now = r.now.Add(time.Hour)
	_, err = r.ByToken(ctx, text)
	want(t, err, ledger.SignInNeeded)
	r.now = r.now.Add(-time.Minute)
	want(t, r.Revoke(ctx, "0123"), ledger.NotFound)
	if err := r.Revoke(ctx, t1.ID); err != nil {
		t.Fatal(err)
	}
	_, err = r.ByToken(ctx, text)
	want(t, err, ledger.SignInNeeded)
	want(t, r.Revoke(ctx, t1.ID), ledger.NotFound)
}

func TestTokensAreChecked(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	for _, token := range []access.Token{
		{Role: "king", For: "x", Ends: r.now.Add(time.Hour)}, {Role: access.Yard, Ends: r.now.Add(time.Hour)}, {Role: access.Yard, For: "x"},
		{Role: access.Yard, For: "x", Ends: r.now}, {Role: access.Yard, For: "x", Ends: r.now.AddDate(4, 0, 0)}, {Role: access.Truck, For: "x", Ends: r.now.Add(time.Hour)},
		{Role: access.Yard, For: "x", Trucks: []events.TruckID{"TM-01"}, Ends: r.now.Add(time.Hour)},
	} {
		_, _, err := r.MakeToken(ctx, access.Everyone(), token)
		want(t, err, ledger.BadRequest)
	}
}

func TestSweep(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	r.add(t, "ann", access.Administrator)
	for range 3 {
		if _, err := r.SignIn(ctx, "ann", password, access.Origin{}); err != nil {
			t.Fatal(err)
		}
		r.now = r.now.Add(5 * time.Hour)
	}
	gone, err := r.Sweep(ctx)
	if err != nil || gone != 2 {
		t.Errorf("swept %d, want 2: %v", gone, err)
	}
}

func TestSignInByAnIssuersWord(t *testing.T) {
	r, ctx := newRig(t), t.Context()
	u := r.add(t, "ola", access.Office)
	u.Subject = "https://issuer.example 4711"
	if _, err := r.Change(ctx, access.Everyone(), u, ""); err != nil {
		t.Fatal(err)
	}
	in, err := r.SignInAs(ctx, u.Subject, access.Origin{})
	if err != nil || in.Who.Name != "ola" {
		t.Fatalf("%+v, %v", in, err)
	}
	if _, err := r.BySession(ctx, in.Secret); err != nil {
		t.Error(err)
	}
	_, err = r.SignInAs(ctx, "https://issuer.example 4712", access.Origin{})
	want(t, err, ledger.NotAllowed)
	_, err = r.SignInAs(ctx, "", access.Origin{})
	want(t, err, ledger.NotAllowed)
}
