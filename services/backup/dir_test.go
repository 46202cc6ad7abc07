package backup_test

import (
	"context"
	"os"
	"path/filepath"
	"testing"

	"spoilbook/services/backup"
	"spoilbook/services/ledger"
)

// ctxOf returns a context for a test or one of its properties.
func ctxOf(t any) context.Context {
	if c, ok := t.(interface{ Context() context.Context }); ok {
		return c.Context()
	}
	return context.Background()
}

// A folder of the file system behaves as the one in memory does.
func TestDir(t *testing.T) {
	dir := backup.Dir(filepath.Join(t.TempDir(), "a", "b"))
	if err := dir.Make(); err != nil {
		t.Fatal(err)
	}
	b := small(t)
	into(t, b, dir)
	b.block(t, "S@2", "rrr")
	into(t, b, dir)
	whole(t, dir, b)
	same(t, fill(t, dir), b)
	release, err := dir.Lock(false)
	if err != nil {
		t.Fatal(err)
	}
	for name, err := range map[string]error{
		"run":   func() error { _, err := backup.Run(t.Context(), b, dir, backup.Options{}); return err }(),
		"check": func() error { _, err := backup.Check(t.Context(), dir, nil); return err }(),
		"open":  func() error { _, err := backup.Open(dir); return err }(),
	} {
		if ledger.CodeOf(err) != ledger.InUse {
			t.Errorf("%s while the folder is locked: %v", name, err)
		}
	}
	if err := release(); err != nil {
		t.Fatal(err)
	}
	names, err := dir.List()
	if err != nil || len(names) != 10 {
		t.Errorf("%d files %v, %v", len(names), names, err)
	}
	if err := os.Chmod(string(dir), 0o500); err != nil {
		t.Fatal(err)
	}
	if _, err := backup.Check(t.Context(), dir, nil); err != nil {
		t.Errorf("a folder that can only be read: %v", err)
	}
	if err := os.Chmod(string(dir), 0o700); err != nil {
		t.Fatal(err)
	}
}
