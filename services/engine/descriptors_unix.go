//go:build linux || darwin

package engine

import (
	"fmt"
	"os"

	"golang.org/x/sys/unix"
)

// moveStandardInput puts /dev/null on descriptor 0 and returns the original.
func moveStandardInput() (*os.File, error) {
	kept, err := unix.FcntlInt(0, unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		if err != unix.EBADF {
			return nil, fmt.Errorf("duplicate descriptor 0: %w", err)
		}
		kept = -1 // started without a standard input
	}
	null, err := unix.Open(os.DevNull, unix.O_RDONLY|unix.O_CLOEXEC, 0)
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", os.DevNull, err)
	}
	if null != 0 {
		err := replace(null, 0)
		if closeErr := unix.Close(null); err == nil {
			err = closeErr
		}
		if err != nil {
			return nil, fmt.Errorf("replace descriptor 0: %w", err)
		}
	}
	if kept < 0 {
		return os.Open(os.DevNull)
	}
	return os.NewFile(uintptr(kept), "/dev/stdin"), nil
}

// moveStandardError puts a file on descriptor 2 until restore is called.
func moveStandardError(file *os.File) (restore func() error, err error) {
	kept, err := unix.FcntlInt(2, unix.F_DUPFD_CLOEXEC, 3)
	if err != nil {
		return nil, err
	}
	if err := replace(int(file.Fd()), 2); err != nil {
		return nil, err
	}
	return func() error {
		defer unix.Close(kept)
		return replace(kept, 2)
	}, nil
}

// tryLock takes the lock of a file, which ends with its descriptor.
func tryLock(file *os.File) (bool, error) {
	err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB)
	if err == unix.EWOULDBLOCK {
		return false, nil
	}
	return err == nil, err
}
