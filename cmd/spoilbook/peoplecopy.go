package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// peopleFile is where a backup has users and tokens.
const peopleFile = "people.json"

const maxPeopleFile = 64 << 20

// openBook opens the book of users of a site whose broker is open.
func (s *site) openBook(ctx context.Context) (*access.Book, error) {
	shelf, err := s.broker.Records(ctx, peopleShelf)
	if err != nil {
		return nil, codedBroker(err, "people")
	}
	return access.New(access.Config{Vault: vault{shelf}})
}

// copyPeople reads users and tokens of a ledger at rest.
func (s *site) copyPeople(ctx context.Context) (access.People, error) {
	if err := s.openBroker(ctx); ledger.CodeOf(err) == ledger.Moved {
		return access.People{}, nil // they are where the ledger went
	} else if err != nil {
		return access.People{}, err
	}
	b, err := s.openBook(ctx)
	if err != nil {
		return access.People{}, err
	}
	return b.CopyPeople(ctx)
}

// keepPeople writes users and tokens beside a backup, in a file that only its owner can read, in place of what was there. Where nobody may sign in
// nothing is written.
func keepPeople(folder string, all access.People, stdout io.Writer) error {
	if len(all.People) == 0 {
		return nil
	}
	text, err := json.MarshalIndent(all, "", " ")
	if err != nil {
		return ledger.Wrap(ledger.Internal, err, "users and tokens")
	}
	path := filepath.Join(folder, peopleFile)
	f, err := os.OpenFile(path+".new", os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return ledger.Wrap(ledger.BadRequest, err, "users and tokens")
	}
	_, err = f.Write(append(text, '\n'))
	err = errors.Join(err, f.Chmod(0o600), f.Sync(), f.Close())
	if err == nil {
		err = os.Rename(path+".new", path)
	}
	if err != nil {
		return ledger.Wrap(ledger.Internal, err, "users and tokens")
	}
	_, err = fmt.Fprintf(stdout, "%d users and tokens, as hashes, in %s\n", len(all.People), peopleFile)
	return err
}

// keptPeople reads users and tokens beside a backup; one that has none is no error.
func keptPeople(folder string) (access.People, bool, error) {
	var all access.People
	f, err := os.Open(filepath.Join(folder, peopleFile))
	if errors.Is(err, fs.ErrNotExist) {
		return all, false, nil
	}
	if err != nil {
		return all, false, ledger.Wrap(ledger.BadRequest, err, "users and tokens")
	}
	text, err := io.ReadAll(io.LimitReader(f, maxPeopleFile))
	if err = errors.Join(err, f.Close()); err != nil {
		return all, false, ledger.Wrap(ledger.Internal, err, "users and tokens")
	}
	if err := json.Unmarshal(text, &all); err != nil {
		return all, false, ledger.Wrap(ledger.Damaged, err, "users and tokens in %s; move the file away to restore without them", filepath.Join(folder, peopleFile))
	}
	for i, r := range all.People { // as they were before they were written for people to read
		if all.People[i].Value, err = compacted(r.Value); err != nil {
			return all, false, ledger.Wrap(ledger.Damaged, err, "users and tokens")
		}
	}
	return all, true, all.Check()
}

// restorePeople keeps the users and tokens of a backup in a ledger that has none.
func (s *site) restorePeople(ctx context.Context, all access.People, stdout io.Writer) error {
	b, err := s.openBook(ctx)
	if err != nil {
		return err
	}
	n, err := b.RestorePeople(ctx, all)
	if err == nil {
		_, err = fmt.Fprintf(stdout, "%d users and tokens restored; everybody signs in again\n", n)
	}
	return err
}

func compacted(text json.RawMessage) (json.RawMessage, error) {
	var b bytes.Buffer
	err := json.Compact(&b, text)
	return b.Bytes(), err
}
