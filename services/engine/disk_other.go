//go:build !linux && !darwin

package engine

// diskFree is not known here.
func diskFree(string) (bytes uint64, known bool) { return 0, false }
