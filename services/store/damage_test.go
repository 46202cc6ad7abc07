package store_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"spoilbook/services/engine"
	"spoilbook/services/ledger"
	"spoilbook/services/store"
)

// reopen opens an engine and a store on a folder, calls f and closes both. It
// returns what went wrong, wherever that was.
func reopen(t *testing.T, dir string, f func(*store.Store) error) error {
	t.Helper()
	library, err := engine.Fetch(t.Context(), engine.FetchOptions{})
	if err != nil {
		t.Fatal(err)
	}
	e, err := engine.Open(t.Context(), engine.Options{Dir: dir, Library: library})
	if err != nil {
		var exception *engine.Exception
		if errors.As(err, &exception) && store.IsDamage(exception.Error()) {
			return ledger.Wrap(ledger.Damaged, err, "engine")
		}
		t.Fatal(err)
	}
	defer func() {
		if err := e.Close(); err != nil {
			t.Error(err)
		}
	}()
	s, err := store.Open(t.Context(), store.Options{Transport: e.Transport()})
	if err != nil {
		return err
	}
	return errors.Join(f(s), s.Close())
}

// largest returns the largest file of the given name below dir.
func largest(t *testing.T, dir, name string) string {
	t.Helper()
	var path string
	var size int64
	err := filepath.WalkDir(dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || d.Name() != name {
			return err
		}
		info, err := d.Info()
		if err == nil && info.Size() > size {
			path, size = p, info.Size()
		}
		return err
	})
	if err != nil || path == "" {
		t.Fatalf("no %s below %s: %v", name, dir, err)
	}
	return path
}

func TestDamageIsSaidToBeDamage(t *testing.T) {
	for name, spoil := range map[string]func([]byte) []byte{
		"a flipped bit":    func(b []byte) []byte { b[len(b)/2] ^= 0x10; return b },
		"a truncated file": func(b []byte) []byte { return b[:len(b)-100] },
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			if err := reopen(t, dir, func(s *store.Store) error { return s.Append(t.Context(), block(1, 5000)) }); err != nil {
				t.Fatal(err)
			}
			path := largest(t, dir, "data.bin")
			content, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, spoil(content), 0o600); err != nil {
				t.Fatal(err)
			}
			err = reopen(t, dir, func(s *store.Store) error {
				return s.Read(t.Context(), ledger.Selection{UpTo: 5000}, func(*ledger.Record) error { return nil })
			})
			if ledger.CodeOf(err) != ledger.Damaged {
				t.Errorf("got %v (%s), want %s", err, ledger.CodeOf(err), ledger.Damaged)
			}
		})
	}
}
