package access

import (
	"context"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"spoilbook/services/ledger"
)

// People is everybody who may sign in and every token, as a backup holds them: passwords and tokens as hashes. Sessions, the code of the first
// start, and what is known of browsers are not in it.
type People struct {
	Format string         `json:"format" example:"spoilbook-people-1"`
	Made   time.Time      `json:"made"`
	People []PeopleRecord `json:"people"`
}

// PeopleRecord is one record as the vault has it.
type PeopleRecord struct {
	Key   string          `json:"key" example:"user.m-byrne"`
	Value json.RawMessage `json:"value"`
}

const peopleFormat = "spoilbook-people-1"

// CopyPeople returns everybody and every token.
func (b *Book) CopyPeople(ctx context.Context) (People, error) {
	out := People{Format: peopleFormat, Made: b.now().UTC(), People: []PeopleRecord{}}
	for _, prefix := range []string{userPrefix, tokenPrefix} {
		entries, err := b.vault.List(ctx, prefix)
		if err != nil {
			return People{}, ledger.Wrap(ledger.BrokerDown, err, "copy users and tokens")
		}
		for _, e := range entries {
			if !json.Valid(e.Value) {
				return People{}, ledger.Fail(ledger.Damaged, "record %s can not be read", e.Key)
			}
			out.People = append(out.People, PeopleRecord{e.Key, slices.Clone(e.Value)})
		}
	}
	return out, nil
}

// Check says what is wrong with a copy, before anything of it is kept.
func (p People) Check() error {
	if p.Format != peopleFormat {
		return ledger.Fail(ledger.BadRequest, "the copy of users and tokens has the format %q; this program reads %s", clip(p.Format), peopleFormat)
	}
	if len(p.People) > MaxUsers+MaxTokens {
		return ledger.Fail(ledger.TooLarge, "the copy holds %d users and tokens, at most %d are kept", len(p.People), MaxUsers+MaxTokens)
	}
	seen := map[string]bool{}
	for _, r := range p.People {
		if seen[r.Key] {
			return ledger.Fail(ledger.BadRequest, "the copy has the record %s twice", clip(r.Key))
		}
		seen[r.Key] = true
		if err := r.check(); err != nil {
			return ledger.Wrap(ledger.BadRequest, err, "record %s of the copy of users and tokens", clip(r.Key))
		}
	}
	return nil
}

func (r PeopleRecord) check() error {
	if name, ok := strings.CutPrefix(r.Key, userPrefix); ok {
		var u userRecord
		if err := json.Unmarshal(r.Value, &u); err != nil {
			return err
		}
		if u.Name != name {
			return ledger.Fail(ledger.BadRequest, "it is of user %q", clip(u.Name))
		}
		return u.User.check()
	}
	key, ok := strings.CutPrefix(r.Key, tokenPrefix)
	var t Token
	if err := json.Unmarshal(r.Value, &t); err != nil {
		return err
	}
	if !ok || len(key) != 64 || strings.Trim(key, "0123456789abcdef") != "" || key[:idLength] != t.ID || !t.Role.valid() {
		return ledger.Fail(ledger.BadRequest, "it is neither a user nor a token")
	}
	return checkTrucks(t.Role, t.Trucks)
}

// RestorePeople keeps everybody and every token of a copy in a book that has none of them, and returns how many. Where somebody is there already
// nothing is changed, unless it is the same: giving it again finishes one that was cut off.
func (b *Book) RestorePeople(ctx context.Context, p People) (int, error) {
	if err := p.Check(); err != nil {
		return 0, err
	}
	there := map[string]Entry{}
	for _, prefix := range []string{userPrefix, tokenPrefix} {
		entries, err := b.vault.List(ctx, prefix)
		if err != nil {
			return 0, ledger.Wrap(ledger.BrokerDown, err, "restore users and tokens")
		}
		for _, e := range entries {
			there[e.Key] = e
		}
	}
	wanted := map[string]string{}
	for _, r := range p.People {
		wanted[r.Key] = string(r.Value)
	}
	for key, e := range there {
		if wanted[key] != string(e.Value) {
			return 0, ledger.Fail(ledger.Conflict, "there are other users or tokens already (%s): restore them into a new ledger", key)
		}
	}
	kept := 0
	for _, r := range p.People {
		if _, ok := there[r.Key]; ok {
			continue
		}
		if _, err := b.vault.Put(ctx, r.Key, r.Value, 0); err != nil && !errors.Is(err, ErrChanged) {
			return kept, ledger.Wrap(ledger.BrokerDown, err, "restore %s", r.Key)
		}
		kept++
	}
	return kept, nil
}
