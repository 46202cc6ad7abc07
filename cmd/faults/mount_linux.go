package main

import "syscall"

// mountSmall mounts a file system of some size in memory on a folder.
func mountSmall(dir, size string) (unmount func() error, err error) {
	if err := syscall.Mount("tmpfs", dir, "tmpfs", 0, "size="+size); err != nil {
		return nil, err
	}
	return func() error { return syscall.Unmount(dir, 0) }, nil
}
