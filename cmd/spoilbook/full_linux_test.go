package main

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// mountSmall mounts a file system of some size in memory, which enlarge makes
// larger.
func mountSmall(t *testing.T, size string) (dir string, enlarge func(size string)) {
	t.Helper()
	dir = filepath.Join(t.TempDir(), "small")
	if err := os.Mkdir(dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		t.Fatalf("mount a small file system: %v; this test needs the right to mount: run it as root, or as unshare --map-root-user --mount go test", err)
	}
	t.Cleanup(func() {
		if err := errors.Join(syscall.Unmount(dir, 0)); err != nil {
			t.Error(err)
		}
	})
	return dir, func(size string) {
		t.Helper()
		if err := syscall.Mount("tmpfs", dir, "tmpfs", syscall.MS_REMOUNT, "size="+size); err != nil {
			t.Fatal(err)
		}
	}
}

// When the disk is full, emit fails with a word about it; with more room the same
// file is completed, and every event counts once.
func TestDiskFull(t *testing.T) {
	t.Parallel()
	const n = 40_000
	dir, registered := exampleLedger(t, n)
	small, enlarge := mountSmall(t, "24m")
	if err := os.CopyFS(filepath.Join(small, "d"), os.DirFS(filepath.Join(dir, "d"))); err != nil {
		t.Fatal(err)
	}
	status, out, stderr := runToEnd(t, dir, environment(t), "spoilbook", "emit", "drips.ndjson", "--data", filepath.Join(small, "d"))
	if status != 5 || !strings.Contains(stderr, "no space left on device") && !strings.Contains(stderr, "full") || !strings.Contains(stderr, "to do: ") {
		t.Fatalf("exit status %d, want 5 and a word about the disk:\n%s%s", status, lastLines(out, 10), lastLines(stderr, 20))
	}
	t.Logf("on a full disk: %s", lastLines(stderr, 4))
	enlarge("1g")
	out, _ = spoil(t, 0, dir, "emit", "drips.ndjson", "--data", filepath.Join(small, "d"))
	f, read := fatesIn(t, out)
	if read != n || f.Recorded+f.Duplicates != n || f.Quarantined != 0 || f.Position != uint64(n+registered) {
		t.Errorf("with more room: %s", out)
	}
	spoil(t, 0, dir, "rebuild", "--data", filepath.Join(small, "d"))
}
