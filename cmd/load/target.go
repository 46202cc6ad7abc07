package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"regexp"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// target is the spoilbook that is driven.
type target struct {
	server, nats, engine string // addresses; engine and nats may be empty
	pid                  int    // 0 when not known

	cmd    *exec.Cmd
	remove string // folder that is ours
}

// startPatience is how long the program may take until it answers, and stopPatience
// until it has ended.
const (
	startPatience = 2 * time.Minute
	stopPatience  = 30 * time.Second
)

func newTarget(ctx context.Context, o options, stderr io.Writer) (*target, error) {
	if o.server != "" {
		return &target{server: o.server, nats: o.nats, pid: o.pid}, nil
	}
	t := &target{}
	if o.data == "" {
		dir, err := os.MkdirTemp("", "spoilbook-load-")
		if err != nil {
			return nil, err
		}
		o.data, t.remove = dir, dir
	}
	if err := t.start(ctx, o, stderr); err != nil {
		return nil, errors.Join(err, t.stop())
	}
	return t, nil
}

// start runs the program and reads its addresses from what it says.
func (t *target) start(ctx context.Context, o options, stderr io.Writer) error {
	t.cmd = exec.Command(o.spoilbook, "serve", "--open", "--data", o.data, "--listen", "127.0.0.1:0",
		"--nats-listen", "127.0.0.1:0", "--engine-listen", "127.0.0.1:0")
	t.cmd.Stderr = stderr
	out, err := t.cmd.StdoutPipe()
	if err != nil {
		return err
	}
	if err := t.cmd.Start(); err != nil {
		return fmt.Errorf("start %s (build it, or name it with --spoilbook): %w", o.spoilbook, err)
	}
	t.pid = t.cmd.Process.Pid
	lines := make(chan string, 16)
	go func() {
		defer close(lines)
		for s := bufio.NewScanner(out); s.Scan(); {
			select {
			case lines <- s.Text():
			default: // nobody reads what comes later
			}
		}
	}()
	patience := time.After(startPatience)
	for t.server == "" || t.nats == "" || t.engine == "" {
		select {
		case line, ok := <-lines:
			if !ok {
				return fmt.Errorf("%s ended before it said where it answers", o.spoilbook)
			}
			t.note(line)
		case <-patience:
			return fmt.Errorf("%s has not said where it answers in %s", o.spoilbook, startPatience)
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	return nil
}

// note takes an address out of a line that the program prints.
func (t *target) note(line string) {
	for _, a := range []struct {
		at      *string
		pattern string
	}{{&t.server, `^spoilbook serves at (http://\S+)`}, {&t.nats, `^NATS clients connect to (\S+)`}, {&t.engine, `^ClickHouse clients may read at (http://\S+)`}} {
		if m := regexp.MustCompile(a.pattern).FindStringSubmatch(line); m != nil {
			*a.at = m[1]
		}
	}
}

// stop ends the program that was started, and removes its folder.
func (t *target) stop() error {
	var errs []error
	if t.cmd != nil && t.cmd.Process != nil {
		errs = append(errs, t.cmd.Process.Signal(syscall.SIGTERM))
		kill := time.AfterFunc(stopPatience, func() { _ = t.cmd.Process.Kill() }) // it may have ended meanwhile
		errs = append(errs, t.cmd.Wait())
		kill.Stop()
	}
	if t.remove != "" {
		errs = append(errs, os.RemoveAll(t.remove))
	}
	return errors.Join(errs...)
}

// forgetPeak has the system measure the peak of the memory anew. Where it can not,
// peaks only rise from profile to profile.
func (t *target) forgetPeak() {
	if t.pid != 0 {
		_ = os.WriteFile(fmt.Sprintf("/proc/%d/clear_refs", t.pid), []byte("5"), 0o200) // see above
	}
}

// peakMB is the most memory that the process had since forgetPeak, in 10^6 bytes; 0
// where the system does not tell it in /proc.
func (t *target) peakMB() float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", t.pid))
	if t.pid == 0 || err != nil {
		return 0
	}
	for line := range strings.Lines(string(text)) {
		if fields := strings.Fields(line); len(fields) == 3 && fields[0] == "VmHWM:" {
			kib, err := strconv.ParseFloat(fields[1], 64)
			if err != nil {
				return 0
			}
			return kib * 1024 / 1e6
		}
	}
	return 0
}
