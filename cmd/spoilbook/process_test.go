package main

import (
	"bufio"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/rogpeppe/go-internal/testscript"

	"spoilbook/cmd/internal/engineserver"
	"spoilbook/services/engine"
)

// stand is the name under which the test binary runs the servers that a ledger can
// be kept in, as processes that can be killed.
const stand = "spoilbook-test-stand"

// patience is how long a process may take to get somewhere.
const patience = 2 * time.Minute

func TestMain(m *testing.M) {
	testscript.Main(m, map[string]func(){"spoilbook": main, stand: runStand})
}

// runStand serves a broker or an engine from a folder on a loopback address until
// it is told to stop.
func runStand() {
	kind, dir, address := os.Args[1], os.Args[2], os.Args[3]
	ctx, stop := signal.NotifyContext(context.Background(), syscall.SIGTERM)
	defer stop()
	serve := map[string]func(context.Context, string, string) error{"broker": standBroker, "engine": engineserver.Run}[kind]
	if err := serve(ctx, dir, address); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
}

func standBroker(ctx context.Context, dir, address string) error {
	at, err := net.ResolveTCPAddr("tcp", address)
	if err != nil {
		return err
	}
	port := at.Port
	if port == 0 {
		port = server.RANDOM_PORT
	}
	s, err := server.NewServer(&server.Options{ServerName: "stand", Host: "127.0.0.1", Port: port, StoreDir: dir, JetStream: true, SyncAlways: true,
		JetStreamMaxStore: 1 << 40, JetStreamMaxMemory: 1 << 30, NoLog: true, NoSigs: true})
	if err != nil {
		return err
	}
	s.Start()
	if !s.ReadyForConnections(patience) {
		return errors.New("the broker is not ready")
	}
	fmt.Printf("stand at %s\n", s.Addr())
	<-ctx.Done()
	s.Shutdown()
	s.WaitForShutdown()
	return nil
}

// engineCache is where the engine's library is kept, fetched at the first call.
func engineCache(t testing.TB) string {
	t.Helper()
	library, err := engine.Fetch(t.Context(), engine.FetchOptions{CacheDir: os.Getenv("SPOILBOOK_ENGINE_CACHE")})
	if err != nil {
		t.Fatal(err)
	}
	return filepath.Dir(filepath.Dir(library))
}

// environment is what the processes see: the engine's cache, and nothing of the
// user's settings.
func environment(t testing.TB, more ...string) []string {
	t.Helper()
	env := []string{"PATH=" + os.Getenv("PATH"), "HOME=/nowhere", "TMPDIR=" + os.TempDir(), "SPOILBOOK_ENGINE_CACHE=" + engineCache(t)}
	return append(env, more...)
}

// process is one that was started and can be watched and ended.
type process struct {
	cmd   *exec.Cmd
	ended chan struct{}
	err   error // once ended

	mu     sync.Mutex
	out    bytes.Buffer // standard output
	stderr bytes.Buffer
	grown  chan struct{} // closed and replaced when something was printed
}

// start starts a command in a folder.
func start(dir string, env []string, name string, args ...string) (*process, error) {
	path, err := exec.LookPath(name)
	if err != nil {
		return nil, err
	}
	p := &process{cmd: exec.Command(path, args...), ended: make(chan struct{}), grown: make(chan struct{})}
	p.cmd.Dir, p.cmd.Env = dir, env
	p.cmd.Stdout, p.cmd.Stderr = &sink{p, &p.out}, &sink{p, &p.stderr}
	if err := p.cmd.Start(); err != nil {
		return nil, err
	}
	go func() {
		p.err = p.cmd.Wait()
		close(p.ended)
	}()
	return p, nil
}

// sink keeps what a process prints.
type sink struct {
	p *process
	b *bytes.Buffer
}

func (s *sink) Write(b []byte) (int, error) {
	s.p.mu.Lock()
	defer s.p.mu.Unlock()
	close(s.p.grown)
	s.p.grown = make(chan struct{})
	return s.b.Write(b)
}

// printed returns what has been printed so far, and a channel that is closed when
// there is more.
func (p *process) printed() (out, stderr string, more <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.out.String(), p.stderr.String(), p.grown
}

// waitFor waits until the process has printed what matches, and returns its first
// group.
func (p *process) waitFor(pattern string) (string, error) {
	match := regexp.MustCompile("(?m)" + pattern)
	late := time.NewTimer(patience)
	defer late.Stop()
	for {
		out, stderr, more := p.printed()
		if found := match.FindStringSubmatch(out + "\n" + stderr); found != nil {
			return found[len(found)-1], nil
		}
		select {
		case <-more:
		case <-p.ended:
			if out, stderr, _ := p.printed(); match.MatchString(out + "\n" + stderr) {
				continue
			}
			return "", fmt.Errorf("%s ended (%v) before it printed %s:\n%s%s", p.cmd.Path, p.err, pattern, out, stderr)
		case <-late.C:
			return "", fmt.Errorf("%s did not print %s within %s:\n%s%s", p.cmd.Path, pattern, patience, out, stderr)
		}
	}
}

// end sends a signal, unless the process has ended, and returns its exit status,
// -1 when a signal killed it.
func (p *process) end(sig os.Signal) int {
	if sig != nil {
		_ = p.cmd.Process.Signal(sig) // it may have ended
	}
	select {
	case <-p.ended:
	case <-time.After(patience):
		_ = p.cmd.Process.Kill()
		<-p.ended
	}
	return p.cmd.ProcessState.ExitCode()
}

// runToEnd runs a command to its end.
func runToEnd(t testing.TB, dir string, env []string, name string, args ...string) (status int, out, stderr string) {
	t.Helper()
	p, err := start(dir, env, name, args...)
	if err != nil {
		t.Fatal(err)
	}
	status = p.end(nil)
	out, stderr, _ = p.printed()
	return status, out, stderr
}

// silent listens and never says a word.
func silent() (address string, stop func(), err error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", nil, err
	}
	var mu sync.Mutex
	var held []net.Conn
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				return
			}
			mu.Lock()
			held = append(held, c)
			mu.Unlock()
			go io.Copy(io.Discard, bufio.NewReader(c))
		}
	}()
	return l.Addr().String(), func() {
		l.Close()
		mu.Lock()
		defer mu.Unlock()
		for _, c := range held {
			c.Close()
		}
	}, nil
}

// closedPort returns a loopback address at which nobody listens.
func closedPort() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}

// lastLines returns the end of a text.
func lastLines(text string, n int) string {
	lines := strings.Split(strings.TrimRight(text, "\n"), "\n")
	return strings.Join(lines[max(0, len(lines)-n):], "\n")
}
