package engine_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"spoilbook/services/engine"
)

func TestBackupAndRestore(t *testing.T) {
	backups := t.TempDir()
	ctx := context.Background()
	e := open(t, engine.Options{BackupDir: backups})
	c := connect(t, e)
	exec1(t, c, "CREATE DATABASE ledger")
	exec1(t, c, "CREATE TABLE ledger.tip (seq UInt64, body String) ENGINE = MergeTree ORDER BY seq")
	exec1(t, c, "INSERT INTO ledger.tip SELECT number, toString(number) FROM numbers(50000)")
	first, second := filepath.Join(backups, "one's.tar.zst"), filepath.Join(backups, "two.tar.zst")
	if err := e.Backup(ctx, "ledger", first, ""); err != nil {
		t.Fatal(err)
	}
	exec1(t, c, "INSERT INTO ledger.tip VALUES (50000, 'late')")
	if err := e.Backup(ctx, "ledger", second, first); err != nil {
		t.Fatal(err)
	}
	if a, b := size(t, first), size(t, second); b >= a/2 {
		t.Errorf("the incremental archive has %d bytes, the full one %d", b, a)
	}
	if err := e.Restore(ctx, "ledger", second); err == nil || !strings.Contains(err.Error(), "1 tables") {
		t.Fatalf("restoring over tables: %v", err)
	}
	want := count(t, c, "SELECT sum(cityHash64(seq, body)) FROM ledger.tip")
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}

	fresh := open(t, engine.Options{BackupDir: backups})
	if err := fresh.Restore(ctx, "ledger", second); err != nil {
		t.Fatal(err)
	}
	d := connect(t, fresh)
	if got := count(t, d, "SELECT sum(cityHash64(seq, body)) FROM ledger.tip"); got != want {
		t.Fatalf("the restored rows have the hash %d; want %d", got, want)
	}
	if n := count(t, d, "SELECT count() FROM ledger.tip"); n != 50_001 {
		t.Fatalf("%d rows; want 50001", n)
	}
}

func size(t *testing.T, file string) int64 {
	t.Helper()
	info, err := os.Stat(file)
	if err != nil {
		t.Fatal(err)
	}
	return info.Size()
}

func TestBackupRefusals(t *testing.T) {
	backups := t.TempDir()
	ctx := context.Background()
	e := open(t, engine.Options{BackupDir: backups})
	c := connect(t, e)
	exec1(t, c, "CREATE TABLE tip (seq UInt64) ENGINE = MergeTree ORDER BY seq")
	taken := filepath.Join(backups, "taken.tar.zst")
	if err := os.WriteFile(taken, []byte("mine"), 0o600); err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct{ name, want, database, file, base string }{
		{"existing archive", "exists already", "default", taken, ""},
		{"no archive name", "must end in", "default", filepath.Join(backups, "folder"), ""},
		{"outside", "not in the backup directory", "default", filepath.Join(t.TempDir(), "a.tar.zst"), ""},
		{"upwards", "not in the backup directory", "default", filepath.Join(backups, "..", "a.tar.zst"), ""},
		{"no base", "base archive", "default", filepath.Join(backups, "a.tar.zst"), filepath.Join(backups, "nosuch.tar.zst")},
		{"no database", "Code: 81", "nosuch", filepath.Join(backups, "a.tar.zst"), ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			if err := e.Backup(ctx, test.database, test.file, test.base); err == nil || !strings.Contains(err.Error(), test.want) {
				t.Fatalf("error is %v; want %q", err, test.want)
			}
		})
	}
	if content, err := os.ReadFile(taken); err != nil || string(content) != "mine" {
		t.Errorf("the existing archive is now %q, %v", content, err)
	}
	if _, err := os.Stat(filepath.Join(backups, "a.tar.zst")); !os.IsNotExist(err) {
		t.Errorf("a failed backup left an archive: %v", err)
	}
	if err := e.Restore(ctx, "restored", taken); err == nil {
		t.Error("a file that is no archive was restored")
	}
	cancelled, cancel := context.WithCancel(ctx)
	cancel()
	if err := e.Backup(cancelled, "default", filepath.Join(backups, "b.tar.zst"), ""); err == nil {
		t.Error("a cancelled backup succeeded")
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	without := open(t, engine.Options{})
	if err := without.Backup(ctx, "default", taken, ""); err == nil || !strings.Contains(err.Error(), "without a backup directory") {
		t.Errorf("backup without a directory: %v", err)
	}
}
