package engine

import (
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
)

// theProcess is what the library makes of the process: it can be loaded once,
// run once at a time, and it owns file descriptor 0. This is the package's only
// variable state, because the process has only one of each.
var theProcess process

type process struct {
	mu      sync.Mutex
	library *library
	path    string
	dir     string   // of the open engine, or empty
	input   *os.File // the original standard input while an engine is open
}

// enter loads the library if needed and reserves the process for one engine.
func (p *process) enter(options Options) (*library, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.dir != "" {
		return nil, fmt.Errorf("open the ClickHouse engine in %s: one is already open in %s, and a process can hold only one; close it first or use another process",
			options.Dir, p.dir)
	}
	if p.library != nil && p.path != options.Library {
		return nil, fmt.Errorf("open the ClickHouse engine with %s: this process has already loaded %s; restart it to change the engine",
			options.Library, p.path)
	}
	if p.input == nil {
		input, err := moveStandardInput()
		if err != nil {
			return nil, fmt.Errorf("open the ClickHouse engine: keep standard input away from it: %w", err)
		}
		p.input = input
	}
	if p.library == nil {
		l, err := openLibrary(options.Library)
		if err != nil {
			return nil, err
		}
		// The engine would otherwise take the signals that Go's runtime needs.
		l.setSignalHandlers(0)
		p.library, p.path = l, options.Library
	}
	p.dir = options.Dir
	return p.library, nil
}

// leave allows another engine. Descriptor 0 stays /dev/null, because threads of
// the library are still there and the descriptor's owner is known already.
func (p *process) leave() {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.dir = ""
}

// StandardInput returns what the process was given as standard input. Use it
// instead of os.Stdin wherever an engine may have been opened: from the first
// Open on, descriptor 0 is /dev/null, because the engine reads it as insert
// data whenever a statement comes without any.
func StandardInput() *os.File {
	theProcess.mu.Lock()
	defer theProcess.mu.Unlock()
	if theProcess.input != nil {
		return theProcess.input
	}
	return os.Stdin
}

// captureStderr runs f and returns what was written to descriptor 2 meanwhile,
// because that is the only place where the engine says why it does not start.
// What others wrote is passed on when f succeeds.
func captureStderr(f func() error) (output string, err error) {
	file, err := os.CreateTemp("", "engine-start-*")
	if err != nil {
		return "", f()
	}
	defer file.Close()
	defer os.Remove(file.Name())
	restore, err := moveStandardError(file)
	if err != nil {
		return "", f()
	}
	err = f()
	if restoreErr := restore(); restoreErr != nil {
		return "", errors.Join(err, restoreErr)
	}
	written, readErr := io.ReadAll(io.NewSectionReader(file, 0, 1<<20))
	if readErr != nil {
		return "", err
	}
	var lines []string
	for line := range strings.Lines(string(written)) {
		if !strings.HasPrefix(line, "Logging ") {
			lines = append(lines, line)
		}
	}
	output = strings.TrimSpace(strings.Join(lines, ""))
	if err == nil && output != "" {
		fmt.Fprintln(os.Stderr, output)
	}
	return output, err
}
