//go:build !linux

package main

import "errors"

// mountSmall is for Linux alone.
func mountSmall(string, string) (unmount func() error, err error) {
	return nil, errors.ErrUnsupported
}
