// Package process starts programs, watches what they print and ends them, for
// those who want to know what becomes of a ledger when its processes are killed,
// halted or told to stop. Every wait has an end.
//
// For example, a server is started, found by what it prints, and killed:
//
//	p, err := process.Start("spoilbook", []string{"serve", "--open", "--listen", "127.0.0.1:0"}, process.Options{Dir: dir, Env: env})
//	at, err := p.WaitFor(ctx, `^spoilbook serves at (\S+)`) // "http://127.0.0.1:40123"
//	status := p.End(syscall.SIGKILL)                        // -1: a signal ended it
package process

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"time"
)

const (
	// Patience is how long a process may take to get somewhere before it is given up.
	Patience = 3 * time.Minute

	maxPrinted = 256 << 10 // of each process, the newest
)

// Options say where a process runs and what it sees of its surroundings.
type Options struct {
	Dir string
	Env []string
}

// Process is one that was started.
type Process struct {
	cmd   *exec.Cmd
	ended chan struct{}
	err   error // once ended

	mu    sync.Mutex
	text  []byte        // standard output and error
	grown chan struct{} // closed and replaced when something was printed
}

// Start starts a program, which the PATH or its own path finds.
func Start(program string, args []string, o Options) (*Process, error) {
	p := &Process{cmd: exec.Command(program, args...), ended: make(chan struct{}), grown: make(chan struct{})}
	p.cmd.Dir, p.cmd.Env = o.Dir, o.Env
	p.cmd.Stdout, p.cmd.Stderr = p, p
	if err := p.cmd.Start(); err != nil {
		return nil, fmt.Errorf("start %s: %w", program, err)
	}
	go func() {
		p.err = p.cmd.Wait()
		close(p.ended)
	}()
	return p, nil
}

// Write keeps what the process prints.
func (p *Process) Write(b []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.text = append(p.text, b...)
	p.text = p.text[max(0, len(p.text)-maxPrinted):]
	close(p.grown)
	p.grown = make(chan struct{})
	return len(b), nil
}

// Printed returns what the process has printed, the newest 256 KiB of it.
func (p *Process) Printed() string {
	text, _ := p.printed()
	return text
}

func (p *Process) printed() (text string, more <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return string(p.text), p.grown
}

// Ended is closed when the process has ended.
func (p *Process) Ended() <-chan struct{} { return p.ended }

// ErrEnded says that a process ended before it did what was waited for.
var ErrEnded = errors.New("the process ended")

// WaitFor waits until the process has printed what matches, and returns the last
// group of the match. It fails with ErrEnded when the process ends before that.
func (p *Process) WaitFor(ctx context.Context, pattern string) (string, error) {
	match := regexp.MustCompile("(?m)" + pattern)
	late := time.NewTimer(Patience)
	defer late.Stop()
	for {
		text, more := p.printed()
		if found := match.FindStringSubmatch(text); found != nil {
			return found[len(found)-1], nil
		}
		select {
		case <-more:
		case <-p.ended:
			if match.MatchString(p.Printed()) {
				continue
			}
			return "", fmt.Errorf("%w (%v) before it printed %s: %s", ErrEnded, p.err, pattern, p.LastLines(12))
		case <-late.C:
			return "", fmt.Errorf("%s did not print %s within %s: %s", p.cmd.Path, pattern, Patience, p.LastLines(12))
		case <-ctx.Done():
			return "", ctx.Err()
		}
	}
}

// LastLines returns the end of what the process printed.
func (p *Process) LastLines(n int) string {
	lines := strings.Split(strings.TrimSpace(p.Printed()), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}

// Halt stops the process where it stands, until Resume.
func (p *Process) Halt() error { return p.signal(syscall.SIGSTOP) }

// Resume lets a halted process go on.
func (p *Process) Resume() error { return p.signal(syscall.SIGCONT) }

func (p *Process) signal(sig os.Signal) error {
	if err := p.cmd.Process.Signal(sig); err != nil && !errors.Is(err, os.ErrProcessDone) {
		return fmt.Errorf("signal %s: %w", p.cmd.Path, err)
	}
	return nil
}

// End sends a signal, unless the process has ended or sig is nil, waits for the
// end, and returns the exit status: -1 when a signal ended it. A process that
// does not end within twice Patience is killed.
func (p *Process) End(sig os.Signal) int {
	if sig != nil {
		_ = p.signal(sig) // it may have ended
	}
	select {
	case <-p.ended:
	case <-time.After(2 * Patience):
		_ = p.signal(syscall.SIGKILL)
		<-p.ended
	}
	return p.cmd.ProcessState.ExitCode()
}

// Run runs a program to its end and returns its exit status and what it printed.
func Run(program string, args []string, o Options) (status int, printed string, err error) {
	p, err := Start(program, args, o)
	if err != nil {
		return 0, "", err
	}
	return p.End(nil), p.Printed(), nil
}
