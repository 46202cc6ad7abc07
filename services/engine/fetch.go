package engine

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"time"
)

// FetchOptions say where the library is kept.
type FetchOptions struct {
	// CacheDir holds a folder for each version of the library; empty means
	// spoilbook/engine in the user's cache directory. Any number of processes
	// and checkouts may share it.
	CacheDir string

	// Progress, when set, is called with a stage ("wait", "download", "verify",
	// "unpack"), and the bytes done and expected in it; expected is 0 for wait.
	Progress func(stage string, done, total int64)
}

// The reasons why Fetch fails. A *FetchError wraps one of them.
var (
	ErrNoNpm      = errors.New("npm is not installed")
	ErrNpmFailed  = errors.New("npm could not download it")
	ErrIntegrity  = errors.New("it is not the pinned one")
	ErrNoPlatform = errors.New("there is none for this platform")
	ErrBadArchive = errors.New("the archive does not hold the library")
	ErrNoCacheDir = errors.New("there is no place to keep it")
)

// FetchError says why the library can not be had.
type FetchError struct {
	Reason error  // one of the reasons above, or an error of the file system
	Detail string // what was found, and what to do
}

// Error says why, and names the way without the engine.
func (e *FetchError) Error() string {
	text := "fetch the ClickHouse engine: " + e.Reason.Error()
	if e.Detail != "" {
		text += ": " + e.Detail
	}
	return text + " (a ClickHouse server can be used instead, with --clickhouse URL)"
}

// Unwrap returns the reason.
func (e *FetchError) Unwrap() error { return e.Reason }

func fetchError(reason error, format string, args ...any) error {
	return &FetchError{reason, fmt.Sprintf(format, args...)}
}

// Fetch returns the path of the pinned library, ready to be loaded. The first
// call on a machine downloads 178 MB with npm, checks them against the pinned
// hash and unpacks 566 MB; later ones only look at the file's size. The file
// appears under its name only when it is complete and synced.
func Fetch(ctx context.Context, options FetchOptions) (libraryPath string, err error) {
	p, ok := pinFor(runtime.GOOS, runtime.GOARCH)
	if !ok {
		return "", fetchError(ErrNoPlatform, "%s/%s is not among those it was tested on: linux/amd64", runtime.GOOS, runtime.GOARCH)
	}
	return fetch(ctx, options, p)
}

func fetch(ctx context.Context, options FetchOptions, p pin) (string, error) {
	if options.Progress == nil {
		options.Progress = func(string, int64, int64) {}
	}
	if options.CacheDir == "" {
		cache, err := os.UserCacheDir()
		if err != nil {
			return "", fetchError(ErrNoCacheDir, "%v; set SPOILBOOK_ENGINE_CACHE to a directory", err)
		}
		options.CacheDir = filepath.Join(cache, "spoilbook", "engine")
	}
	dir, err := filepath.Abs(filepath.Join(options.CacheDir, libraryVersion))
	if err != nil {
		return "", fetchError(err, "")
	}
	path := filepath.Join(dir, libraryName)
	if isComplete(path, p) {
		return path, nil
	}
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return "", fetchError(err, "set SPOILBOOK_ENGINE_CACHE to a directory that can be written")
	}
	unlock, err := lockCache(ctx, dir, options.Progress)
	if err != nil {
		return "", err
	}
	defer unlock()
	if isComplete(path, p) {
		return path, nil // another process fetched it meanwhile
	}
	return path, fill(ctx, dir, path, options.Progress, p)
}

// isComplete reports whether the library is there with its pinned size.
func isComplete(path string, p pin) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular() && info.Size() == p.librarySize
}

// lockCache waits until no other process fills the cache.
func lockCache(ctx context.Context, dir string, progress func(string, int64, int64)) (unlock func(), err error) {
	file, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, fetchError(err, "")
	}
	ticker := time.NewTicker(100 * time.Millisecond)
	defer ticker.Stop()
	for {
		locked, err := tryLock(file)
		if err != nil {
			file.Close()
			return nil, fetchError(err, "lock %s", file.Name())
		}
		if locked {
			return func() { file.Close() }, nil
		}
		progress("wait", 0, 0)
		select {
		case <-ctx.Done():
			file.Close()
			return nil, fetchError(ctx.Err(), "another process holds %s", file.Name())
		case <-ticker.C:
		}
	}
}

// fill downloads and unpacks under the cache's lock. Its temporary folder is in
// the cache, so that the library can be renamed into place.
func fill(ctx context.Context, dir, path string, progress func(string, int64, int64), p pin) error {
	abandoned, err := filepath.Glob(filepath.Join(dir, "fetch-*"))
	if err != nil {
		return fetchError(err, "")
	}
	for _, old := range abandoned {
		if err := os.RemoveAll(old); err != nil {
			return fetchError(err, "")
		}
	}
	work, err := os.MkdirTemp(dir, "fetch-*")
	if err != nil {
		return fetchError(err, "")
	}
	defer os.RemoveAll(work)
	progress("download", 0, p.size)
	archive, err := download(ctx, work, p)
	if err != nil {
		return err
	}
	progress("download", p.size, p.size)
	if err := verifyArchive(ctx, archive, p, progress); err != nil {
		return err
	}
	unpacked := filepath.Join(work, libraryName)
	if err := unpack(ctx, archive, unpacked, p, progress); err != nil {
		return err
	}
	if err := os.Rename(unpacked, path); err != nil {
		return fetchError(err, "")
	}
	if err := syncFile(path); err != nil {
		return fetchError(err, "")
	}
	return nil
}

// npmPatience is how long npm may take.
const npmPatience = 20 * time.Minute

// download runs npm pack and returns the path of the archive.
func download(ctx context.Context, work string, p pin) (string, error) {
	npm, err := exec.LookPath("npm")
	if err != nil {
		return "", fetchError(ErrNoNpm, "it comes with Node.js; install it and try again")
	}
	ctx, cancel := context.WithTimeout(ctx, npmPatience)
	defer cancel()
	command := exec.CommandContext(ctx, npm, "pack", p.archive+"@"+libraryVersion, "--pack-destination", work, "--ignore-scripts", "--loglevel=error")
	command.Dir = work
	command.WaitDelay = 5 * time.Second
	var output bytes.Buffer
	command.Stdout, command.Stderr = &output, &output
	if err := command.Run(); err != nil {
		if ctx.Err() != nil {
			return "", fetchError(ctx.Err(), "npm was stopped")
		}
		return "", fetchError(ErrNpmFailed, "%v; its last lines:\n%s\n", err, lastLines(output.String(), 8))
	}
	archives, err := filepath.Glob(filepath.Join(work, "*.tgz"))
	if err != nil || len(archives) != 1 {
		return "", fetchError(ErrNpmFailed, "it left %d archives instead of one; its last lines:\n%s\n", len(archives), lastLines(output.String(), 8))
	}
	return archives[0], nil
}

func lastLines(text string, count int) string {
	lines := strings.Split(strings.TrimSpace(text), "\n")
	return strings.Join(lines[max(0, len(lines)-count):], "\n")
}
