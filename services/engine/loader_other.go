//go:build !linux && !darwin

package engine

import (
	"errors"
	"os"
	"runtime"
)

var errNoLoader = errors.New("the embedded engine does not run on " + runtime.GOOS + "; use an external server with --clickhouse URL")

func bindLibrary(string, map[string]any) error { return errNoLoader }

func moveStandardInput() (*os.File, error) { return nil, errNoLoader }

func moveStandardError(*os.File) (func() error, error) { return nil, errNoLoader }

func tryLock(*os.File) (bool, error) { return false, errNoLoader }

func syncFileSystem(string) error { return errNoLoader }
