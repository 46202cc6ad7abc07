package backup

import (
	"errors"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"

	"spoilbook/services/ledger"
)

// Folder is where a backup is kept: files in one level. What was renamed is sure to
// be found after a crash once Sync has returned, and the content of a file once its
// own Sync has.
type Folder interface {
	// Create makes a file, or empties the one that is there.
	Create(name string) (File, error)
	// Open opens a file for reading; its error is fs.ErrNotExist for one that is not there.
	Open(name string) (io.ReadCloser, error)
	Rename(from, to string) error
	Remove(name string) error
	// List returns the names of all files.
	List() ([]string, error)
	Sync() error
	// Lock keeps others out until release is called: all others for a run, and only
	// runs for those who read. A lock that is held is an error with the code in-use.
	Lock(shared bool) (release func() error, err error)
}

// File is a file that is written.
type File interface {
	io.WriteCloser
	Sync() error
}

// Dir is a folder of the file system.
type Dir string

// Make makes the folder where it is missing.
func (d Dir) Make() error {
	if err := os.MkdirAll(string(d), 0o750); err != nil {
		return ledger.Wrap(ledger.BadRequest, err, "backup folder %s", string(d))
	}
	return nil
}

func (d Dir) path(name string) string { return filepath.Join(string(d), filepath.Base(name)) }

// Create makes a file that only its owner can read or write.
func (d Dir) Create(name string) (File, error) {
	f, err := os.OpenFile(d.path(name), os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Open opens a file for reading.
func (d Dir) Open(name string) (io.ReadCloser, error) {
	f, err := os.Open(d.path(name))
	if err != nil {
		return nil, err
	}
	return f, nil
}

// Rename gives a file another name, in place of what had it.
func (d Dir) Rename(from, to string) error { return os.Rename(d.path(from), d.path(to)) }

// Remove removes a file.
func (d Dir) Remove(name string) error { return os.Remove(d.path(name)) }

// List returns the names of the regular files.
func (d Dir) List() ([]string, error) {
	entries, err := os.ReadDir(string(d))
	var names []string
	for _, e := range entries {
		if e.Type().IsRegular() {
			names = append(names, e.Name())
		}
	}
	return names, err
}

// Sync makes names and renames survive a crash of the machine.
func (d Dir) Sync() error {
	f, err := os.Open(string(d))
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// lockName is the file whose lock is the folder's.
const lockName = "lock"

// Lock locks the folder. The kernel drops the lock when the process ends. A folder
// that can not be written needs no lock to be read.
func (d Dir) Lock(shared bool) (release func() error, err error) {
	f, err := os.OpenFile(d.path(lockName), os.O_RDWR|os.O_CREATE, 0o640)
	if shared && (errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EROFS)) {
		return func() error { return nil }, nil
	}
	if err != nil {
		return nil, ledger.Wrap(ledger.BadRequest, err, "backup folder %s", string(d))
	}
	how := syscall.LOCK_EX
	if shared {
		how = syscall.LOCK_SH
	}
	if err := syscall.Flock(int(f.Fd()), how|syscall.LOCK_NB); err != nil {
		closeErr := f.Close()
		if errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, ledger.Fail(ledger.InUse, "backup folder %s is in use by another backup, check or restore; wait until that has ended", string(d))
		}
		return nil, ledger.Wrap(ledger.BadRequest, errors.Join(err, closeErr), "lock backup folder %s", string(d))
	}
	return f.Close, nil
}
