package engine

import (
	"fmt"
	"os"
	"runtime"

	"golang.org/x/sys/unix"
)

// elsewhere runs f in an empty working folder, without changing that of the process: on a thread that has a working folder of its own and ends with
// f. Threads that f starts have it too.
func elsewhere(f func() error) error {
	empty, err := os.MkdirTemp("", "spoilbook-empty-")
	if err != nil {
		return fmt.Errorf("an empty folder to start in: %w", err)
	}
	defer os.Remove(empty)
	done := make(chan error, 1)
	go func() {
		runtime.LockOSThread() // and never unlocked: no other goroutine may run on this thread
		if err := unix.Unshare(unix.CLONE_FS); err != nil {
			done <- fmt.Errorf("a working folder of its own: %w", err)
			return
		}
		if err := unix.Chdir(empty); err != nil {
			done <- fmt.Errorf("an empty folder to start in: %w", err)
			return
		}
		done <- f()
	}()
	return <-done
}
