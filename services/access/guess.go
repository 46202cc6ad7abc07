package access

import (
	"context"
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"strings"
	"time"

	"spoilbook/services/ledger"
)

// Origin is where somebody signs in from.
type Origin struct {
	Agent   string // what the browser says of itself
	Address string // of the client, with or without a port
	Device  string // what this browser was given when its user signed in before, or nothing
}

// How wrong passwords are counted. A name waits on its own for each place and for each browser that its user has signed in with before, so that
// nobody locks another out from elsewhere. Strangers together have more tries at a name, for many places may ask at once; after those every
// stranger waits, while browsers that are known do not.
const (
	freeTries     = 5                // wrong passwords of one place before it waits
	strangerTries = 50               // of all strangers at one name
	firstWait     = 15 * time.Second // after that, doubled with each further one
	lastWait      = 15 * time.Minute
	forgetTries   = 24 * time.Hour // without a further one

	triesPerSecond, triesBurst = 0.5, 30 // of one place, at whatever names: an office of thirty signs in at once
	maxTries                   = 20_000  // names and places that are remembered

	strangersPrefix = "strangers."
	deviceKey       = "device-key"
	DeviceAge       = 180 * 24 * time.Hour // how long a browser is known
)

// tries counts wrong passwords.
type tries struct {
	wrong int
	waits time.Time
	last  time.Time
}

func waitAfter(wrong, free int) time.Duration {
	over := wrong - free
	switch {
	case over < 0:
		return 0
	case over < 6:
		return min(lastWait, firstWait<<over)
	}
	return lastWait
}

// guesser is the key under which tries at a name are counted.
func guesser(name string, f Origin, device, inside bool) string {
	switch {
	case inside:
		return name + " inside"
	case device:
		return name + " device " + f.Device
	}
	return name + " place " + Place(f.Address)
}

// waiting returns how long a name and place have to wait.
func (b *Book) waiting(key string, now time.Time) time.Duration {
	b.tried.mu.Lock()
	defer b.tried.mu.Unlock()
	t, ok := b.tried.get(key)
	if !ok || !now.Before(t.waits) {
		return 0
	}
	return t.waits.Sub(now)
}

// tryBegins counts a try as wrong before it is looked at, so that many at once are counted too; tryWasRight takes that back.
func (b *Book) tryBegins(key string, now time.Time) {
	b.tried.mu.Lock()
	defer b.tried.mu.Unlock()
	t, ok := b.tried.get(key)
	if ok && now.Sub(t.last) > forgetTries {
		t = tries{}
	}
	t.wrong++
	t.last = now
	if wait := waitAfter(t.wrong, freeTries); wait > 0 {
		t.waits = now.Add(wait)
	}
	b.tried.put(key, t)
}

func (b *Book) tryWasRight(key string) {
	b.tried.mu.Lock()
	defer b.tried.mu.Unlock()
	b.tried.remove(key)
}

// Unlock lets somebody who waits after wrong passwords try again at once, from anywhere.
func (b *Book) Unlock(ctx context.Context, name string) error {
	if err := checkName(name); err != nil {
		return err
	}
	b.tried.mu.Lock()
	b.tried.drop(func(k string) bool { return strings.HasPrefix(k, name+" ") })
	b.tried.mu.Unlock()
	if _, err := b.user(ctx, name); errors.Is(err, ErrMissing) {
		return ledger.Fail(ledger.NotFound, "there is no user %s", name)
	} else if err != nil {
		return ledger.Wrap(ledger.BrokerDown, err, "unlock %s", name)
	}
	return ledger.Wrap(ledger.BrokerDown, b.vault.Delete(ctx, strangersPrefix+name), "unlock %s", name)
}

// strangers is what all places together that a name is not known from have tried at it.
type strangers struct {
	Wrong int       `json:"wrongPasswords"`
	Last  time.Time `json:"last"`
	Waits time.Time `json:"waitsUntil,omitzero"`
}

func (b *Book) strangersAt(ctx context.Context, name string) (strangers, uint64, error) {
	var s strangers
	e, err := b.vault.Get(ctx, strangersPrefix+name)
	if errors.Is(err, ErrMissing) {
		return s, 0, nil
	}
	if err == nil {
		err = json.Unmarshal(e.Value, &s)
	}
	if b.now().Sub(s.Last) > forgetTries {
		s = strangers{}
	}
	return s, e.Revision, ledger.Wrap(ledger.BrokerDown, err, "sign in")
}

// countWrong lets all strangers wait at a name after many wrong passwords. When somebody else has written meanwhile, that one has counted.
func (b *Book) countWrong(ctx context.Context, name string, s strangers, revision uint64) error {
	s.Wrong, s.Last = s.Wrong+1, b.now().UTC()
	if wait := waitAfter(s.Wrong, strangerTries); wait > 0 {
		s.Waits = s.Last.Add(wait)
	}
	value, err := json.Marshal(s)
	if err != nil {
		return ledger.Wrap(ledger.Internal, err, "sign in as %s", name)
	}
	_, err = b.vault.Put(ctx, strangersPrefix+name, value, revision)
	if errors.Is(err, ErrChanged) {
		return nil
	}
	return ledger.Wrap(ledger.BrokerDown, err, "sign in as %s", name)
}

// Locked lists who waits after wrong passwords, with how long strangers wait at each name.
func (b *Book) Locked(ctx context.Context) (map[string]time.Duration, error) {
	entries, err := b.vault.List(ctx, strangersPrefix)
	if err != nil {
		return nil, ledger.Wrap(ledger.BrokerDown, err, "list who waits")
	}
	now, out := b.now(), map[string]time.Duration{}
	for _, e := range entries {
		var s strangers
		if err := json.Unmarshal(e.Value, &s); err != nil {
			return nil, ledger.Wrap(ledger.Damaged, err, "record %s", e.Key)
		}
		if now.Before(s.Waits) {
			out[strings.TrimPrefix(e.Key, strangersPrefix)] = s.Waits.Sub(now)
		}
	}
	b.tried.mu.Lock()
	defer b.tried.mu.Unlock()
	for key, e := range b.tried.items {
		name, _, _ := strings.Cut(key, " ")
		if wait := e.Value.(pair[tries]).value.waits.Sub(now); wait > out[name] {
			out[name] = wait
		}
	}
	return out, nil
}

// device returns what a browser keeps to be known as one that a user has signed in with: the name, the day, and a seal of both.
func (b *Book) device(ctx context.Context, name string) (string, error) {
	key, err := b.deviceSecret(ctx)
	if err != nil {
		return "", err
	}
	text := name + "." + rand.Text()[:10] + "." + b.now().UTC().Format(time.DateOnly)
	return text + "." + seal(key, text), nil
}

func seal(key []byte, text string) string {
	h := hmac.New(sha256.New, key)
	h.Write([]byte(text))
	return base64.RawURLEncoding.EncodeToString(h.Sum(nil))
}

// knows reports whether a browser is one that a user has signed in with.
func (b *Book) knows(ctx context.Context, name, device string) (bool, error) {
	cut := strings.LastIndexByte(device, '.')
	if cut < 0 || len(device) > 200 || !strings.HasPrefix(device, name+".") {
		return false, nil
	}
	key, err := b.deviceSecret(ctx)
	if err != nil || !hmac.Equal([]byte(seal(key, device[:cut])), []byte(device[cut+1:])) {
		return false, err
	}
	day, err := time.Parse(time.DateOnly, device[strings.LastIndexByte(device[:cut], '.')+1:cut])
	return err == nil && b.now().Sub(day) < DeviceAge, nil
}

// deviceSecret returns the key of seals, which is made once and shared by all copies of the service.
func (b *Book) deviceSecret(ctx context.Context) ([]byte, error) {
	for range 2 {
		e, err := b.vault.Get(ctx, deviceKey)
		if err == nil {
			var key []byte
			if err = json.Unmarshal(e.Value, &key); err == nil && len(key) == sha256.Size {
				return key, nil
			}
			return nil, ledger.Fail(ledger.Damaged, "record %s", deviceKey)
		}
		if !errors.Is(err, ErrMissing) {
			return nil, ledger.Wrap(ledger.BrokerDown, err, "record %s", deviceKey)
		}
		key := make([]byte, sha256.Size)
		_, _ = rand.Read(key) // it never fails
		value, err := json.Marshal(key)
		if err != nil {
			return nil, ledger.Wrap(ledger.Internal, err, "record %s", deviceKey)
		}
		if _, err := b.vault.Put(ctx, deviceKey, value, 0); err != nil && !errors.Is(err, ErrChanged) {
			return nil, ledger.Wrap(ledger.BrokerDown, err, "record %s", deviceKey)
		}
	}
	return nil, ledger.Fail(ledger.BrokerDown, "record %s can not be kept", deviceKey)
}
