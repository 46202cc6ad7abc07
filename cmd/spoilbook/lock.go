package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"syscall"

	"spoilbook/services/ledger"
)

// folderLock keeps a data folder to one process. The kernel drops it when the
// process ends, however it ends.
type folderLock struct{ file *os.File }

// lockFolder makes the folder where missing and locks it, or says which process
// has it.
func lockFolder(dir string) (*folderLock, error) {
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return nil, ledger.Wrap(ledger.BadRequest, err, "data folder %s", dir)
	}
	file, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_RDWR|os.O_CREATE, 0o640)
	if err != nil {
		return nil, ledger.Wrap(ledger.BadRequest, err, "data folder %s", dir)
	}
	if err := syscall.Flock(int(file.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		holder, _ := io.ReadAll(io.LimitReader(file, 1024))
		closeErr := file.Close()
		if !errors.Is(err, syscall.EWOULDBLOCK) {
			return nil, ledger.Wrap(ledger.BadRequest, errors.Join(err, closeErr), "lock data folder %s", dir)
		}
		return nil, ledger.Fail(ledger.InUse, "data folder %s is in use by %s", dir, strings.TrimSpace(string(holder)))
	}
	l := &folderLock{file}
	return l, l.note(fmt.Sprintf("process %d", os.Getpid()))
}

// note writes who holds the folder, for those who find it locked.
func (l *folderLock) note(holder string) error {
	if err := l.file.Truncate(0); err != nil {
		return err
	}
	_, err := l.file.WriteAt([]byte(holder+"\n"), 0)
	return err
}

// release gives the folder up.
func (l *folderLock) release() error {
	if l == nil {
		return nil
	}
	return errors.Join(l.note("nobody"), l.file.Close())
}

// holderNote says who holds a data folder and where to reach it.
func holderNote(url string) string {
	return fmt.Sprintf("process %d, which serves at %s", os.Getpid(), url)
}
