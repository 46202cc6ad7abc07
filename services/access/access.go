// Package access says who may do what with a ledger, and knows people and devices by what they can prove.
//
// There are six roles, each with no more than its work needs (policy.go has the whole table):
//
//	truck          hands over its own events and reads its own receipts
//	crew           sees and enters what concerns its own trucks
//	yard           runs the day: every truck, every report but the priced ones
//	office         invoices: everything that is recorded, and enters what the office knows
//	officer        audits: reads all of the record but prices, and changes nothing
//	administrator  lets others in, keeps the register, the quarantine and the machine
//
// A person signs in with a name and a password and has a session; a program has a token, which is a secret with a role, a scope
// and an end. Either gives an Identity, and every operation of the service asks Identity.May before it does anything:
//
//	who, err := b.SignIn(ctx, "m.byrne", "correct horse battery staple", address)
//	err = who.May(access.RunReport, access.Object{Report: "billable"}) // nil for the office, not-allowed for the yard
//
// Secrets are not kept: passwords as argon2id hashes, tokens and sessions as SHA-256 of 160 random bits or more. Records lie in a Vault,
// which refuses a write over a change that its writer has not seen, so two administrators do not undo each other's work.
//
// Guessing is slowed, not made impossible: after five wrong passwords from one place a name waits there, each time longer, up to a quarter of an
// hour; a wrong name waits as well, and costs as much time as a wrong password. A browser that a user has signed in with before is counted on its
// own, so that guessing from elsewhere does not lock its user out.
package access

import (
	"context"
	"errors"
	"slices"
	"time"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// Role is a kind of work, with what it may do.
type Role string

// The roles.
const (
	Truck         Role = "truck"
	Crew          Role = "crew"
	Yard          Role = "yard"
	Office        Role = "office"
	Officer       Role = "officer"
	Administrator Role = "administrator"
)

// Roles lists every role.
func Roles() []Role { return []Role{Truck, Crew, Yard, Office, Officer, Administrator} }

// Identity is somebody who has proved who they are.
type Identity struct {
	Name   string           `json:"name"`
	Full   string           `json:"fullName,omitempty"` // as it is shown and written into entries
	Role   Role             `json:"role"`
	Trucks []events.TruckID `json:"trucks,omitempty"` // those that a truck or crew is bound to
	Token  string           `json:"token,omitempty"`  // id of the token used, empty for a session

	ReadOnly bool `json:"readOnly,omitempty"` // of a token: it changes nothing
}

// Everyone is who asks when the service was started without sign-in: whoever can reach it.
func Everyone() Identity { return Identity{Name: "everyone", Full: "Everyone", Role: Administrator} }

// Has reports whether the identity concerns a truck: crews and trucks are bound to some, others see all.
func (i Identity) Has(truck events.TruckID) bool {
	return !i.Role.bound() || slices.Contains(i.Trucks, truck)
}

// Author is the name to write into an entry.
func (i Identity) Author() string {
	if i.Full != "" {
		return i.Full
	}
	return i.Name
}

func (r Role) bound() bool { return r == Truck || r == Crew }

func (r Role) valid() bool { return slices.Contains(Roles(), r) }

// Entry is a record in a Vault; its revision changes with each write and is never 0.
type Entry struct {
	Key      string
	Value    []byte
	Revision uint64
}

// ErrMissing means that a Vault has no such key; ErrChanged that a record is not at the revision its writer has seen.
var (
	ErrMissing = errors.New("no such record")
	ErrChanged = errors.New("somebody else changed it meanwhile")
)

// Vault keeps small records. Keys are letters, digits, "-", "_" and ".". Implementations are safe for concurrent use.
type Vault interface {
	// Get returns a record, or ErrMissing.
	Get(ctx context.Context, key string) (Entry, error)
	// Put writes a record that stands at a revision, 0 for one that must not be there yet, and returns the new revision, or ErrChanged.
	Put(ctx context.Context, key string, value []byte, revision uint64) (uint64, error)
	// Delete removes a record; a missing one is no error.
	Delete(ctx context.Context, key string) error
	// List returns the records whose keys begin with a prefix that ends with ".", sorted by key.
	List(ctx context.Context, prefix string) ([]Entry, error)
}

// Config is what a Book is made of.
type Config struct {
	Vault Vault
	Now   func() time.Time // nil means the clock
	// HashKiB is the memory that one password hash takes; 0 means 64 MiB. Less makes guessing cheaper for who steals the hashes.
	HashKiB uint32
}

// Book knows everybody. It is safe for concurrent use.
type Book struct {
	vault   Vault
	now     func() time.Time
	hashing chan struct{} // a hash takes memory for a while
	hashKiB uint32
	decoy   string // hash that a wrong name is compared with
	tried   *recent[tries]
	places  *Turnstile // tries from one place, whatever the name
}

const maxHashing = 2 // passwords looked at at a time

// New opens a book.
func New(c Config) (*Book, error) {
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.HashKiB == 0 {
		c.HashKiB = 64 << 10
	}
	b := &Book{vault: c.Vault, now: c.Now, hashing: make(chan struct{}, maxHashing), hashKiB: c.HashKiB, tried: newRecent[tries](maxTries), places: NewTurnstile(triesPerSecond, triesBurst, maxTries, c.Now)}
	decoy, err := b.hash(context.Background(), "nobody has this password")
	if err != nil {
		return nil, ledger.Wrap(ledger.Internal, err, "open the book of users")
	}
	b.decoy = decoy
	return b, nil
}
