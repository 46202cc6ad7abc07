package engine

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"
)

// shop is a stand-in for npm, found in PATH, that hands out an archive made by
// the test, so that what can go wrong with a download can be made to.
type shop struct {
	pin   pin
	dir   string // of npm and its archive
	cache string
}

// newShop sells an archive with the given members, and pins the library's
// content, which is the member package/libchdb.so if there is one.
func newShop(t *testing.T, members map[string]string) *shop {
	t.Helper()
	s := &shop{dir: t.TempDir(), cache: t.TempDir()}
	var b bytes.Buffer
	z := gzip.NewWriter(&b)
	w := tar.NewWriter(z)
	for _, name := range sortedKeys(members) {
		if err := w.WriteHeader(&tar.Header{Name: name, Size: int64(len(members[name])), Mode: 0o755, Typeflag: tar.TypeReg}); err != nil {
			t.Fatal(err)
		}
		if _, err := w.Write([]byte(members[name])); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(w.Close(), z.Close(), os.WriteFile(filepath.Join(s.dir, "archive"), b.Bytes(), 0o600)); err != nil {
		t.Fatal(err)
	}
	library := members["package/libchdb.so"]
	hash, sum := sha512.Sum512(b.Bytes()), sha256.Sum256([]byte(library))
	s.pin = pin{
		archive: "@invented/lib", integrity: "sha512-" + base64.StdEncoding.EncodeToString(hash[:]), size: int64(b.Len()),
		librarySize: int64(len(library)), librarySHA256: hex.EncodeToString(sum[:]),
	}
	s.sell(t, `cp "$SHOP/archive" "$4/lib.tgz"; echo >> "$SHOP/sales"`)
	return s
}

// sell installs the stand-in with a shell script as its work.
func (s *shop) sell(t *testing.T, script string) {
	t.Helper()
	if err := os.WriteFile(filepath.Join(s.dir, "npm"), []byte("#!/bin/sh\n"+script+"\n"), 0o700); err != nil {
		t.Fatal(err)
	}
	t.Setenv("PATH", s.dir+":/usr/bin:/bin")
	t.Setenv("SHOP", s.dir)
}

func (s *shop) fetch(ctx context.Context) (string, error) {
	return fetch(ctx, FetchOptions{CacheDir: s.cache}, s.pin)
}

var goodMembers = map[string]string{"package/libchdb.so": strings.Repeat("library ", 5000), "package/package.json": "{}"}

func TestFetchUnpacksOnce(t *testing.T) {
	s := newShop(t, goodMembers)
	var stages []string
	options := FetchOptions{CacheDir: s.cache, Progress: func(stage string, done, total int64) {
		stages = append(stages, fmt.Sprint(stage, " ", done == total))
	}}
	path, err := fetch(context.Background(), options, s.pin)
	if err != nil {
		t.Fatal(err)
	}
	if content, err := os.ReadFile(path); err != nil || string(content) != goodMembers["package/libchdb.so"] {
		t.Fatalf("the library has %d bytes, %v", len(content), err)
	}
	if got := strings.Join(stages, ", "); got != "download false, download true, verify true, unpack true" {
		t.Errorf("progress was %s", got)
	}
	s.sell(t, "exit 1")
	if again, err := s.fetch(context.Background()); err != nil || again != path {
		t.Errorf("the second fetch gives %q, %v", again, err)
	}
	left, err := filepath.Glob(filepath.Join(filepath.Dir(path), "*"))
	if err != nil || len(left) != 2 {
		t.Errorf("the cache holds %v; want the library and the lock", left)
	}
}

func TestFetchByManyDownloadsOnce(t *testing.T) {
	s := newShop(t, goodMembers)
	var group sync.WaitGroup
	failures := make(chan error, 8)
	for range 8 {
		group.Go(func() {
			if _, err := s.fetch(context.Background()); err != nil {
				failures <- err
			}
		})
	}
	group.Wait()
	close(failures)
	for err := range failures {
		t.Error(err)
	}
	if sales, err := os.ReadFile(filepath.Join(s.dir, "sales")); err != nil || len(sales) != 1 {
		t.Errorf("npm ran %d times, %v", len(sales), err)
	}
}

// A file that is not complete is fetched again, and never returned.
func TestFetchReplacesAHalfWrittenFile(t *testing.T) {
	s := newShop(t, goodMembers)
	path, err := s.fetch(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(path, 100); err != nil {
		t.Fatal(err)
	}
	abandoned := filepath.Join(filepath.Dir(path), "fetch-killed")
	if err := os.Mkdir(abandoned, 0o700); err != nil {
		t.Fatal(err)
	}
	if _, err := s.fetch(context.Background()); err != nil {
		t.Fatal(err)
	}
	if info, err := os.Stat(path); err != nil || info.Size() != s.pin.librarySize {
		t.Errorf("the library is %v, %v", info, err)
	}
	if _, err := os.Stat(abandoned); !os.IsNotExist(err) {
		t.Errorf("what a killed process left is still there: %v", err)
	}
}

func TestFetchFailures(t *testing.T) {
	for _, test := range []struct {
		name   string
		reason error
		says   string
		change func(*testing.T, *shop)
	}{
		{"no npm", ErrNoNpm, "Node.js", func(t *testing.T, s *shop) { t.Setenv("PATH", t.TempDir()) }},
		{"npm fails", ErrNpmFailed, "the last words", func(t *testing.T, s *shop) { s.sell(t, "echo the last words >&2; exit 3") }},
		{"npm leaves nothing", ErrNpmFailed, "0 archives", func(t *testing.T, s *shop) { s.sell(t, "exit 0") }},
		{"another archive", ErrIntegrity, "was expected", func(t *testing.T, s *shop) { s.sell(t, `echo something else > "$4/lib.tgz"`) }},
		{"a cut archive", ErrIntegrity, "was expected", func(t *testing.T, s *shop) { s.sell(t, `head -c 100 "$SHOP/archive" > "$4/lib.tgz"`) }},
		{"another library", ErrIntegrity, "SHA-256", func(t *testing.T, s *shop) { s.pin.librarySHA256 = strings.Repeat("0", 64) }},
		{"a longer library", ErrIntegrity, "bytes", func(t *testing.T, s *shop) { s.pin.librarySize-- }},
	} {
		t.Run(test.name, func(t *testing.T) {
			s := newShop(t, goodMembers)
			test.change(t, s)
			checkFetchFailure(t, s, test.reason, test.says)
		})
	}
	t.Run("no library in the archive", func(t *testing.T) {
		checkFetchFailure(t, newShop(t, map[string]string{"package/readme": "nothing"}), ErrBadArchive, libraryName)
	})
}

func checkFetchFailure(t *testing.T, s *shop, reason error, says string) {
	t.Helper()
	if reason == ErrBadArchive {
		s.pin.librarySize = 1 // nothing may pass for a library of no bytes
	}
	_, err := s.fetch(context.Background())
	var f *FetchError
	if !errors.As(err, &f) || !errors.Is(err, reason) || !strings.Contains(err.Error(), says) {
		t.Fatalf("error is %v; want %v with %q", err, reason, says)
	}
	if !strings.Contains(err.Error(), "--clickhouse URL") {
		t.Errorf("the message does not tell the way out: %v", err)
	}
	left, err := filepath.Glob(filepath.Join(s.cache, libraryVersion, "*"))
	if err != nil || len(left) > 1 {
		t.Errorf("a failed fetch left %v", left)
	}
}

func TestFetchStopsWithItsContext(t *testing.T) {
	s := newShop(t, goodMembers)
	s.sell(t, "echo > \"$SHOP/started\"; exec sleep 60")
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	begin := time.Now()
	if _, err := s.fetch(ctx); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("error is %v", err)
	}
	if took := time.Since(begin); took > 10*time.Second {
		t.Errorf("stopping took %v", took)
	}
}

func TestPins(t *testing.T) {
	if _, ok := pinFor("plan9", "amd64"); ok {
		t.Error("there is a pin for a platform without a library")
	}
	p, ok := pinFor("linux", "amd64")
	if !ok || len(p.librarySHA256) != 64 || !strings.HasPrefix(p.integrity, "sha512-") || p.librarySize < p.size {
		t.Errorf("the pin is %+v", p)
	}
	if err := VerifyLibrary(filepath.Join(t.TempDir(), "missing")); err == nil {
		t.Error("a missing library was verified")
	}
	path, err := Fetch(context.Background(), FetchOptions{CacheDir: os.Getenv("SPOILBOOK_ENGINE_CACHE")})
	if err != nil {
		t.Fatal(err)
	}
	if err := VerifyLibrary(path); err != nil {
		t.Error(err)
	}
}
