package engine

import (
	"archive/tar"
	"compress/gzip"
	"context"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"io"
	"os"
	"path"
	"runtime"
)

// meter passes a reader on, counts it and stops when ctx is done.
type meter struct {
	ctx      context.Context
	reader   io.Reader
	done     int64
	reported int64
	report   func(done int64)
}

// meterStep is how many bytes lie between two reports.
const meterStep = 8 << 20

func (m *meter) Read(p []byte) (int, error) {
	if err := m.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := m.reader.Read(p)
	m.done += int64(n)
	if m.done-m.reported >= meterStep || err == io.EOF && m.done > m.reported {
		m.reported = m.done
		m.report(m.done)
	}
	return n, err
}

// verifyArchive compares an archive with its pinned SHA-512.
func verifyArchive(ctx context.Context, archive string, p pin, progress func(string, int64, int64)) error {
	file, err := os.Open(archive)
	if err != nil {
		return fetchError(err, "")
	}
	defer file.Close()
	hash := sha512.New()
	source := &meter{ctx: ctx, reader: file, report: func(n int64) { progress("verify", n, p.size) }}
	if _, err := io.Copy(hash, source); err != nil {
		return fetchError(err, "read the archive")
	}
	if got := "sha512-" + base64.StdEncoding.EncodeToString(hash.Sum(nil)); got != p.integrity {
		return fetchError(ErrIntegrity, "the archive %s@%s has the hash %s, and %s was expected; it was deleted. Try again, and do not use what this source gives if it happens twice",
			p.archive, libraryVersion, got, p.integrity)
	}
	return nil
}

// unpack copies the library out of an archive, checks it and syncs it.
func unpack(ctx context.Context, archive, target string, p pin, progress func(string, int64, int64)) (err error) {
	source, err := os.Open(archive)
	if err != nil {
		return fetchError(err, "")
	}
	defer source.Close()
	z, err := gzip.NewReader(source)
	if err != nil {
		return fetchError(ErrBadArchive, "%v", err)
	}
	members := tar.NewReader(z)
	for {
		header, err := members.Next()
		if errors.Is(err, io.EOF) {
			return fetchError(ErrBadArchive, "%s is not in it", libraryName)
		}
		if err != nil {
			return fetchError(ErrBadArchive, "%v", err)
		}
		if path.Base(header.Name) == libraryName && header.Typeflag == tar.TypeReg {
			break
		}
	}
	content := &meter{ctx: ctx, reader: io.LimitReader(members, p.librarySize+1),
		report: func(n int64) { progress("unpack", n, p.librarySize) }}
	return writeLibrary(content, target, p)
}

// writeLibrary writes a new file, which is gone again after an error.
func writeLibrary(content io.Reader, target string, p pin) (err error) {
	file, err := os.OpenFile(target, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o755)
	if err != nil {
		return fetchError(err, "")
	}
	defer func() {
		if closeErr := file.Close(); err == nil && closeErr != nil {
			err = fetchError(closeErr, "")
		}
		if err != nil {
			err = errors.Join(err, os.Remove(target))
		}
	}()
	hash := sha256.New()
	size, err := io.Copy(io.MultiWriter(file, hash), content)
	if err != nil {
		return fetchError(err, "unpack the library")
	}
	if got := hex.EncodeToString(hash.Sum(nil)); size != p.librarySize || got != p.librarySHA256 {
		return fetchError(ErrIntegrity, "the unpacked library has %d bytes and the SHA-256 %s", size, got)
	}
	if err := file.Sync(); err != nil {
		return fetchError(err, "")
	}
	return nil
}

// VerifyLibrary reads a whole library and compares it with the pinned hash. It
// takes about two seconds; Fetch does it only after unpacking.
func VerifyLibrary(libraryPath string) error {
	p, ok := pinFor(runtime.GOOS, runtime.GOARCH)
	if !ok {
		return fetchError(ErrNoPlatform, "%s/%s", runtime.GOOS, runtime.GOARCH)
	}
	file, err := os.Open(libraryPath)
	if err != nil {
		return fetchError(err, "")
	}
	defer file.Close()
	hash := sha256.New()
	if _, err := io.Copy(hash, file); err != nil {
		return fetchError(err, "")
	}
	if got := hex.EncodeToString(hash.Sum(nil)); got != p.librarySHA256 {
		return fetchError(ErrIntegrity, "%s has the SHA-256 %s; delete it and it is fetched again", libraryPath, got)
	}
	return nil
}
