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

// When the disk gets full, emit fails with a word about it; when not a byte is
// left, so does everything that must write; with more room the same file is
// completed, and every event counts once.
func TestDiskFull(t *testing.T) {
	t.Parallel()
	const n = 40_000
	dir, registered := exampleLedger(t, n)
	small, enlarge := mountSmall(t, "76m")
	data := filepath.Join(small, "d")
	if err := os.CopyFS(data, os.DirFS(filepath.Join(dir, "d"))); err != nil {
		t.Fatal(err)
	}
	empty := stored(filepath.Join(data, "broker"))
	emit := func() (status int, out string) {
		status, out, stderr := runToEnd(t, dir, environment(t), "spoilbook", "emit", "drips.ndjson", "--data", data)
		t.Logf("exit status %d: %s%s", status, out, lastLines(stderr, 6))
		if status != 0 && (!strings.Contains(stderr, "no space left on device") && !strings.Contains(stderr, "free on the disk") || !strings.Contains(stderr, "to do: ")) {
			t.Errorf("not a word about the disk: %s", stderr)
		}
		return status, out
	}
	if status, _ := emit(); status != 5 {
		t.Errorf("on a disk that gets full: exit status %d, want 5", status)
	}
	if received := stored(filepath.Join(data, "broker")); received < empty+1_000_000 {
		t.Errorf("the disk was full from the start: %d bytes, then %d", empty, received)
	}
	ballast := fillUp(t, small)
	if status, _ := emit(); status == 0 {
		t.Error("on a full disk: exit status 0")
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	enlarge("1g")
	status, out := emit()
	if status != 0 {
		t.Fatalf("with more room: exit status %d", status)
	}
	f, read := fatesIn(t, out)
	if read != n || f.Recorded+f.Duplicates != n || f.Duplicates == 0 || f.Quarantined != 0 || f.Position != uint64(n+registered) {
		t.Errorf("with more room: %s", out)
	}
	spoil(t, 0, dir, "rebuild", "--data", data)
}

// A disk that is full for a while stops a running ledger for that while, and no
// longer.
func TestDiskFullForAWhile(t *testing.T) {
	t.Parallel()
	dir, _ := exampleLedger(t, 100)
	small, _ := mountSmall(t, "200m")
	data := filepath.Join(small, "d")
	if err := os.CopyFS(data, os.DirFS(filepath.Join(dir, "d"))); err != nil {
		t.Fatal(err)
	}
	p, address := serveFor(t, dir, "--data", data)
	ballast := fillUp(t, small)
	_, stderr := spoil(t, 5, dir, "emit", "drips.ndjson", "--server", address)
	if !strings.Contains(stderr, "to do: make room") {
		t.Errorf("on a full disk: %s", stderr)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	again(t, func() error { return emitted(t, dir, "drips.ndjson", address) })
	out, _ := spoil(t, 0, dir, "emit", "drips.ndjson", "--server", address)
	if f, _ := fatesIn(t, out); f.Duplicates != 100 {
		t.Errorf("sent again: %s", out)
	}
	if status := p.end(syscall.SIGTERM); status != 0 {
		_, stderr, _ := p.printed()
		t.Errorf("serve ends with status %d: %s", status, stderr)
	}
}

// fillUp takes all the room that a file system has.
func fillUp(t *testing.T, dir string) (ballast string) {
	t.Helper()
	f, err := os.Create(filepath.Join(dir, "ballast"))
	if err != nil {
		t.Fatal(err)
	}
	block := make([]byte, 1<<16)
	for err == nil {
		_, err = f.Write(block)
	}
	if !errors.Is(err, syscall.ENOSPC) {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	return f.Name()
}
