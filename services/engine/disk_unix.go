//go:build linux || darwin

package engine

import "syscall"

// diskFree is the space left for this process on the disk that holds a folder.
func diskFree(dir string) (bytes uint64, known bool) {
	var fs syscall.Statfs_t
	if err := syscall.Statfs(dir, &fs); err != nil {
		return 0, false
	}
	return uint64(fs.Bavail) * uint64(fs.Bsize), true
}
