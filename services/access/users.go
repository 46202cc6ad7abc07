package access

import (
	"context"
	"crypto/rand"
	"encoding/json"
	"errors"
	"regexp"
	"slices"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/alexedwards/argon2id"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// Limits of what is kept of a user.
const (
	MinPassword = 12  // characters
	MaxPassword = 256 // bytes
	MaxUsers    = 1000

	maxFullName = 80
	maxTrucks   = 200
	maxSubject  = 400

	userPrefix = "user."
)

// User is a person who may sign in, or, without a password, one who comes by another sign-in.
type User struct {
	Name     string           `json:"name"`
	Full     string           `json:"fullName"`
	Role     Role             `json:"role"`
	Trucks   []events.TruckID `json:"trucks,omitempty"`
	Disabled bool             `json:"disabled,omitempty"`
	Subject  string           `json:"subject,omitempty"` // at an OpenID Connect issuer, with the issuer before a space
	Changed  time.Time        `json:"changed"`
	By       string           `json:"changedBy"`
	Revision uint64           `json:"revision"` // what stands; a change names it, 0 makes the user
}

// userRecord is what the vault holds.
type userRecord struct {
	User
	Hash    string    `json:"passwordHash,omitempty"`
	Stamped time.Time `json:"passwordChanged,omitzero"` // sessions from before it are over
}

var namePattern = regexp.MustCompile(`^[a-z0-9][a-z0-9_-]{0,30}[a-z0-9]$`)

func checkName(name string) error {
	if !namePattern.MatchString(name) {
		return ledger.Fail(ledger.BadRequest, "user name: found %q; allowed: 2 to 32 of a-z, 0-9, - and _, with a letter or digit at both ends", clip(name))
	}
	return nil
}

func checkPassword(name, password string) error {
	switch {
	case !utf8.ValidString(password) || strings.ContainsRune(password, 0):
		return ledger.Fail(ledger.BadRequest, "the password holds what is no text")
	case utf8.RuneCountInString(password) < MinPassword:
		return ledger.Fail(ledger.BadRequest, "the password has %d characters; it needs %d or more: a few words are easy to keep in mind", utf8.RuneCountInString(password), MinPassword)
	case len(password) > MaxPassword:
		return ledger.Fail(ledger.BadRequest, "the password has %d bytes, at most %d are taken", len(password), MaxPassword)
	case strings.Contains(strings.ToLower(password), name):
		return ledger.Fail(ledger.BadRequest, "the password holds the user name: choose another")
	case distinct(password) < 5:
		return ledger.Fail(ledger.BadRequest, "the password repeats fewer than five different characters: choose another")
	}
	return nil
}

func distinct(text string) int {
	seen := map[rune]bool{}
	for _, r := range text {
		seen[r] = true
	}
	return len(seen)
}

func clip(text string) string {
	if len(text) > 60 {
		return text[:60] + "..."
	}
	return text
}

func (u User) check() error {
	if err := checkName(u.Name); err != nil {
		return err
	}
	if !u.Role.valid() || u.Role == Truck {
		return ledger.Fail(ledger.BadRequest, "role: found %q; allowed for a person: crew, yard, office, officer, administrator", clip(string(u.Role)))
	}
	if utf8.RuneCountInString(u.Full) > maxFullName || strings.ContainsFunc(u.Full, func(r rune) bool { return r < ' ' }) {
		return ledger.Fail(ledger.BadRequest, "full name: at most %d characters on one line", maxFullName)
	}
	if issuer, subject, ok := strings.Cut(u.Subject, " "); u.Subject != "" && (!ok || issuer == "" || subject == "" || len(u.Subject) > maxSubject ||
		!utf8.ValidString(u.Subject) || strings.ContainsFunc(u.Subject, func(r rune) bool { return r < ' ' })) {
		return ledger.Fail(ledger.BadRequest, "subject: found %q; allowed: the issuer, a space, and the subject it knows the user under", clip(u.Subject))
	}
	return checkTrucks(u.Role, u.Trucks)
}

func checkTrucks(r Role, trucks []events.TruckID) error {
	switch {
	case r.bound() && len(trucks) == 0:
		return ledger.Fail(ledger.BadRequest, "trucks: the role %s needs at least one", r)
	case !r.bound() && len(trucks) > 0:
		return ledger.Fail(ledger.BadRequest, "trucks: the role %s concerns all of them; name none", r)
	case len(trucks) > maxTrucks:
		return ledger.Fail(ledger.BadRequest, "trucks: %d are named, at most %d are taken", len(trucks), maxTrucks)
	}
	for _, t := range trucks {
		if _, err := ledger.SubjectOf(events.TruckSource(t)); err != nil {
			return ledger.Wrap(ledger.BadRequest, err, "truck %q", clip(string(t)))
		}
	}
	return nil
}

// hash makes an argon2id hash, of which only a few are made at a time.
func (b *Book) hash(ctx context.Context, password string) (string, error) {
	leave, err := b.enter(ctx)
	if err != nil {
		return "", err
	}
	defer leave()
	return argon2id.CreateHash(password, &argon2id.Params{Memory: b.hashKiB, Iterations: 2, Parallelism: 1, SaltLength: 16, KeyLength: 32})
}

func (b *Book) matches(ctx context.Context, password, hash string) (bool, error) {
	leave, err := b.enter(ctx)
	if err != nil {
		return false, err
	}
	defer leave()
	return argon2id.ComparePasswordAndHash(password, hash)
}

func (b *Book) enter(ctx context.Context) (leave func(), err error) {
	select {
	case b.hashing <- struct{}{}:
		return func() { <-b.hashing }, nil
	case <-ctx.Done():
		return nil, ledger.Wrap(ledger.TimedOut, ctx.Err(), "too many sign in at a time")
	}
}

func (b *Book) user(ctx context.Context, name string) (userRecord, error) {
	var r userRecord
	e, err := b.vault.Get(ctx, userPrefix+name)
	if err != nil {
		return r, err
	}
	if err := json.Unmarshal(e.Value, &r); err != nil {
		return r, ledger.Wrap(ledger.Damaged, err, "record of user %s", name)
	}
	r.Revision = e.Revision
	return r, nil
}

func (b *Book) keepUser(ctx context.Context, r userRecord) (User, error) {
	revision := r.Revision
	r.Revision = 0 // the vault counts it
	value, err := json.Marshal(r)
	if err != nil {
		return User{}, ledger.Wrap(ledger.Internal, err, "user %s", r.Name)
	}
	r.Revision, err = b.vault.Put(ctx, userPrefix+r.Name, value, revision)
	if errors.Is(err, ErrChanged) {
		return User{}, ledger.Wrap(ledger.Conflict, err, "user %s", r.Name)
	}
	return r.User, ledger.Wrap(ledger.BrokerDown, err, "keep user %s", r.Name)
}

// Users lists everybody, by name.
func (b *Book) Users(ctx context.Context) ([]User, error) {
	entries, err := b.vault.List(ctx, userPrefix)
	if err != nil {
		return nil, ledger.Wrap(ledger.BrokerDown, err, "list users")
	}
	list := make([]User, 0, len(entries))
	for _, e := range entries {
		var r userRecord
		if err := json.Unmarshal(e.Value, &r); err != nil {
			return nil, ledger.Wrap(ledger.Damaged, err, "record %s", e.Key)
		}
		r.Revision = e.Revision
		list = append(list, r.User)
	}
	return list, nil
}

// Change makes a user (revision 0) or changes one that stands at the revision named; an empty password leaves the old one. A user whose
// role, trucks or password change has to sign in again. The last administrator who can sign in can not be taken away.
func (b *Book) Change(ctx context.Context, by Identity, u User, password string) (User, error) {
	u.Trucks = slices.Compact(slices.Sorted(slices.Values(u.Trucks)))
	if err := u.check(); err != nil {
		return User{}, err
	}
	old, err := b.user(ctx, u.Name)
	switch {
	case errors.Is(err, ErrMissing):
		if u.Revision != 0 {
			return User{}, ledger.Fail(ledger.NotFound, "there is no user %s", u.Name)
		}
		all, err := b.Users(ctx)
		if err != nil {
			return User{}, err
		}
		if len(all) >= MaxUsers {
			return User{}, ledger.Fail(ledger.TooLarge, "there are %d users, and no more are kept", len(all))
		}
	case err != nil:
		return User{}, ledger.Wrap(ledger.BrokerDown, err, "user %s", u.Name)
	case u.Revision != old.Revision:
		return User{}, ledger.Fail(ledger.Conflict, "user %s was changed by %s meanwhile: look at what stands now", u.Name, old.By)
	}
	if err := b.stillKept(ctx, old.User, u); err != nil {
		return User{}, err
	}
	if err := b.freeSubject(ctx, u); err != nil {
		return User{}, err
	}
	changed := userRecord{User: u, Hash: old.Hash, Stamped: old.Stamped}
	changed.User.Changed, changed.User.By = b.now().UTC(), by.Name
	if password != "" {
		if err := checkPassword(u.Name, password); err != nil {
			return User{}, err
		}
		if changed.Hash, err = b.hash(ctx, password); err != nil {
			return User{}, err
		}
	}
	if password != "" || old.Role != u.Role || !slices.Equal(old.Trucks, u.Trucks) {
		changed.Stamped = b.now().UTC()
	}
	return b.keepUser(ctx, changed)
}

// stillKept refuses to leave nobody who can let others in.
func (b *Book) stillKept(ctx context.Context, old, changed User) error {
	if old.Role != Administrator || old.Disabled || changed.Role == Administrator && !changed.Disabled {
		return nil
	}
	all, err := b.Users(ctx)
	if err != nil {
		return err
	}
	for _, u := range all {
		if u.Name != old.Name && u.Role == Administrator && !u.Disabled {
			return nil
		}
	}
	return ledger.Fail(ledger.Conflict, "%s is the last administrator: make another first", old.Name)
}

// freeSubject refuses a subject that another user has: an issuer's word must lead to one person.
func (b *Book) freeSubject(ctx context.Context, u User) error {
	if u.Subject == "" {
		return nil
	}
	all, err := b.Users(ctx)
	if err != nil {
		return err
	}
	for _, other := range all {
		if other.Name != u.Name && other.Subject == u.Subject {
			return ledger.Fail(ledger.Conflict, "the subject is that of user %s already", other.Name)
		}
	}
	return nil
}

// SetOwnPassword changes the password of who knows the old one, and ends all of their sessions but the one that is named by its secret.
func (b *Book) SetOwnPassword(ctx context.Context, who Identity, old, password, session string) error {
	if who.Token != "" {
		return ledger.Fail(ledger.SignInNeeded, "a token has no password: sign in with your name to change yours")
	}
	r, err := b.prove(ctx, who.Name, old, Origin{}, true)
	if err != nil {
		return err
	}
	if err := checkPassword(r.Name, password); err != nil {
		return err
	}
	if r.Hash, err = b.hash(ctx, password); err != nil {
		return err
	}
	r.Stamped = b.now().UTC()
	if _, err = b.keepUser(ctx, r); err != nil || session == "" {
		return err
	}
	return b.renew(ctx, session, r.Name)
}

// prove returns the record of who knows the password, and counts wrong ones; of who is inside already it counts them apart.
func (b *Book) prove(ctx context.Context, name, password string, from Origin, inside bool) (userRecord, error) {
	wrong := ledger.Fail(ledger.SignInNeeded, "the name or the password is not right")
	if len(password) > MaxPassword || checkName(name) != nil {
		return userRecord{}, wrong
	}
	r, err := b.user(ctx, name)
	if err != nil && !errors.Is(err, ErrMissing) {
		return userRecord{}, ledger.Wrap(ledger.BrokerDown, err, "sign in")
	}
	known := err == nil && r.Hash != "" && !r.Disabled
	device, err := b.knows(ctx, name, from.Device)
	if err != nil {
		return userRecord{}, err
	}
	var all strangers
	var at uint64
	if known && !device && !inside {
		if all, at, err = b.strangersAt(ctx, name); err != nil {
			return userRecord{}, err
		}
	}
	// A name that nobody has waits as well, for who waits would else be known to be one.
	key, now := guesser(name, from, device, inside), b.now()
	if wait := max(b.waiting(key, now), all.Waits.Sub(now)); wait > 0 {
		return userRecord{}, ledger.Fail(ledger.TooMany, "too many wrong passwords for %s: wait %s, or ask an administrator to unlock the name", name, max(time.Second, wait.Round(time.Second)))
	}
	b.tryBegins(key, now)
	hash := b.decoy
	if known {
		hash = r.Hash
	}
	ok, err := b.matches(ctx, password, hash)
	switch {
	case err != nil:
		return userRecord{}, ledger.Wrap(ledger.Internal, err, "sign in as %s", name)
	case !known:
		return userRecord{}, wrong
	case !ok && (device || inside):
		return userRecord{}, wrong
	case !ok:
		return userRecord{}, errors.Join(wrong, b.countWrong(ctx, name, all, at))
	}
	b.tryWasRight(key)
	return r, nil
}

// secret returns 160 random bits or more as text.
func secret() string { return rand.Text() + rand.Text()[:6] }
