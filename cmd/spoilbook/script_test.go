package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// TestScripts runs the command lines in testdata/script as a user types them. The
// example's fleet and day, and the invented month as lines, are in $EXAMPLE and
// $MONTH. Besides testscript's own commands there are
//
//	status N command...        runs it and wants the exit status N
//	serve NAME option...       starts spoilbook serve and puts its address in $NAME,
//	                           without its scheme in $NAME_HOST, its number in $NAME_PID,
//	                           and the code for the first administrator in $NAME_CODE
//	stand NAME broker|engine   starts a server of that kind and puts its address in $NAME
//	end NAME SIGNAL N          ends one of the two and wants the exit status N
//	silent NAME                puts the address of a server that never answers in $NAME
//	closed NAME                puts an address where nobody listens in $NAME
//	damage FILE                turns one bit in the middle of a file
func TestScripts(t *testing.T) {
	example, err := filepath.Abs(filepath.Join(projectRoot, "testdata", "example"))
	if err != nil {
		t.Fatal(err)
	}
	cache := engineCache(t)
	month := filepath.Join(t.TempDir(), "month.ndjson")
	if err := os.WriteFile(month, monthLines(t), 0o600); err != nil {
		t.Fatal(err)
	}
	testscript.Run(t, testscript.Params{
		Dir: "testdata/script",
		Setup: func(e *testscript.Env) error {
			e.Setenv("SPOILBOOK_ENGINE_CACHE", cache)
			e.Setenv("EXAMPLE", example)
			e.Setenv("MONTH", month)
			e.Values[processes{}] = map[string]*process{}
			return nil
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"status": scriptStatus, "serve": scriptServe, "stand": scriptStand, "end": scriptEnd, "silent": scriptSilent, "closed": scriptClosed,
			"damage": scriptDamage,
		},
	})
}

type processes struct{}

// scriptStatus runs a command and wants its exit status.
func scriptStatus(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: status N command...")
	}
	err := ts.Exec(args[1], args[2:]...)
	got := 0
	if exit := (*exec.ExitError)(nil); errors.As(err, &exit) {
		got = exit.ExitCode()
	} else {
		ts.Check(err)
	}
	if strconv.Itoa(got) != args[0] {
		ts.Fatalf("exit status %d, want %s", got, args[0])
	}
}

func scriptServe(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 1 {
		ts.Fatalf("usage: serve NAME option...")
	}
	scriptStart(ts, args[0], `^spoilbook serves at (\S+)`, "spoilbook", append([]string{"serve", "--listen", "127.0.0.1:0"}, args[1:]...)...)
	if out, _, _ := ts.Value(processes{}).(map[string]*process)[args[0]].printed(); strings.Contains(out, "--code ") {
		_, rest, _ := strings.Cut(out, "--code ")
		code, _, _ := strings.Cut(rest, " ")
		ts.Setenv(args[0]+"_CODE", code)
	}
}

func scriptStand(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: stand NAME broker|engine")
	}
	scriptStart(ts, args[0], `^stand at (\S+)`, stand, args[1], ts.MkAbs("stand-"+args[1]), "127.0.0.1:0")
}

// scriptStart starts a process that is ended with the script, and keeps the
// address that it prints.
func scriptStart(ts *testscript.TestScript, name, pattern, command string, args ...string) {
	var env []string
	for _, key := range []string{"PATH", "HOME", "TMPDIR", "SPOILBOOK_ENGINE_CACHE"} {
		env = append(env, key+"="+ts.Getenv(key))
	}
	p, err := start(ts.MkAbs("."), env, command, args...)
	ts.Check(err)
	ts.Defer(func() { p.end(syscall.SIGKILL) })
	address, err := p.waitFor(pattern)
	ts.Check(err)
	ts.Setenv(name, address)
	ts.Setenv(name+"_HOST", strings.TrimPrefix(address, "http://"))
	ts.Setenv(name+"_PID", strconv.Itoa(p.cmd.Process.Pid))
	ts.Value(processes{}).(map[string]*process)[name] = p
}

func scriptEnd(ts *testscript.TestScript, neg bool, args []string) {
	signals := map[string]os.Signal{"TERM": syscall.SIGTERM, "INT": syscall.SIGINT, "KILL": syscall.SIGKILL}
	if neg || len(args) != 3 || signals[args[1]] == nil {
		ts.Fatalf("usage: end NAME TERM|INT|KILL N")
	}
	p := ts.Value(processes{}).(map[string]*process)[args[0]]
	if p == nil {
		ts.Fatalf("%s was not started", args[0])
	}
	if got := strconv.Itoa(p.end(signals[args[1]])); got != args[2] {
		out, stderr, _ := p.printed()
		ts.Fatalf("exit status %s, want %s:\n%s%s", got, args[2], out, stderr)
	}
}

func scriptSilent(ts *testscript.TestScript, neg bool, args []string) {
	address, stop, err := silent()
	ts.Check(err)
	ts.Defer(stop)
	ts.Setenv(args[0], address)
}

func scriptClosed(ts *testscript.TestScript, neg bool, args []string) {
	address, err := closedPort()
	ts.Check(err)
	ts.Setenv(args[0], address)
}

func scriptDamage(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: damage FILE")
	}
	content, err := os.ReadFile(ts.MkAbs(args[0]))
	ts.Check(err)
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), turnBit(content), 0o600))
}

// TestHelpHasExamples wants an example of every command that does something, and
// an example that the command itself takes.
func TestHelpHasExamples(t *testing.T) {
	var look func(path []string)
	seen := 0
	look = func(path []string) {
		c, _, err := rootCommand().Find(path)
		if err != nil {
			t.Fatal(err)
		}
		for _, child := range c.Commands() {
			look(append(path[:len(path):len(path)], child.Name()))
		}
		if c.HasSubCommands() || c.Name() == "version" {
			return
		}
		seen++
		if !strings.Contains(c.Example, c.CommandPath()+" ") && !strings.Contains(c.Example, c.CommandPath()+"\n") && !strings.HasSuffix(c.Example, c.CommandPath()) || c.Short == "" {
			t.Errorf("%s has no example: %q", c.CommandPath(), c.Example)
		}
		for line := range strings.Lines(c.Example) {
			_, command, _ := strings.Cut(line, "spoilbook ")
			if err := understood(words(command)); err != nil {
				t.Errorf("%s: the example %q: %v", c.CommandPath(), strings.TrimSpace(line), err)
			}
		}
	}
	look(nil)
	if seen < 10 {
		t.Errorf("%d commands were looked at", seen)
	}
}
