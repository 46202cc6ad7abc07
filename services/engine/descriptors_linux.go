package engine

import (
	"os"

	"golang.org/x/sys/unix"
)

// replace makes the descriptor to a copy of from.
func replace(from, to int) error { return unix.Dup3(from, to, 0) }

// syncFileSystem writes out everything on the file system of a directory.
func syncFileSystem(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return unix.Syncfs(int(d.Fd()))
}
