package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"syscall"
	"time"

	"spoilbook/cmd/faults/internal/process"
)

// layout is how the parts of a ledger are spread over processes.
type layout int

const (
	together layout = iota // one process with the embedded broker and engine
	apart                  // spoilbook, a NATS server and a ClickHouse server
	cluster                // spoilbook, three NATS servers and a ClickHouse server
)

// Names of the parts of a site.
const (
	hub   = "spoilbook"
	nats  = "nats"
	house = "clickhouse"
)

// node names one of the three NATS servers of a cluster.
func node(i int) string { return fmt.Sprintf("%s-%d", nats, i+1) }

// site is a ledger at work: processes that are started again when they end, on
// addresses that stay the same.
type site struct {
	programs *programs
	layout   layout
	dir      string // of this site's files; the ledger of a hub with everything in it is dir/d
	address  string // of the HTTP API
	natsURL  string
	monitors []string // of the NATS servers of a cluster
	links    [3][3]*link
	parts    []*part

	failed chan error // what must not happen, the first of it
}

// part is one process of a site, whichever it is at the moment.
type part struct {
	name    string
	program string
	args    []string
	ready   string // what it prints when it can be used

	cancel context.CancelFunc // has it stopped for good
	over   chan struct{}      // closed when it has

	mu   sync.Mutex
	now  *process.Process
	rest time.Duration // before it is started again
	up   chan struct{} // closed when it is ready; replaced when it ends
	isUp bool
}

// newSite lays a site out in a folder. Nothing is started.
func newSite(p *programs, l layout, dir string) (*site, error) {
	s := &site{programs: p, layout: l, dir: dir, failed: make(chan error, 1)}
	free, err := freeAddresses(15)
	if err != nil {
		return nil, err
	}
	s.address = free[0]
	serve := []string{"serve", "--open", "--listen", s.address}
	switch l {
	case together:
		s.natsURL = "nats://" + free[1]
		serve = append(serve, "--data", filepath.Join(dir, "d"), "--nats-listen", free[1])
	case apart:
		s.natsURL = "nats://" + free[1]
		config := fmt.Sprintf("listen: %s\njetstream {\n store_dir: %q\n sync_interval: always\n max_file_store: 24GB\n}\n", free[1], filepath.Join(dir, nats))
		if err := s.addNATS(nats, config); err != nil {
			return nil, err
		}
	case cluster:
		if err := s.addCluster(free[1:14]); err != nil {
			return nil, err
		}
		serve = append(serve, "--nats-replicas", "3")
	}
	if l != together {
		s.add(house, p.self, `^stand at (\S+)`, standName, filepath.Join(dir, house), free[14])
		serve = append(serve, "--nats", s.natsURL, "--clickhouse", "http://"+free[14])
	}
	s.add(hub, p.spoilbook, `^spoilbook serves at (\S+)`, serve...)
	return s, nil
}

func (s *site) add(name, program, ready string, args ...string) {
	s.parts = append(s.parts, &part{name: name, program: program, args: args, ready: ready, up: make(chan struct{})})
}

func (s *site) addNATS(name, config string) error {
	path := filepath.Join(s.dir, name+".conf")
	if err := os.WriteFile(path, []byte(config), 0o600); err != nil {
		return err
	}
	s.add(name, s.programs.natsServer, `Server is ready`, "-c", path)
	return nil
}

// addCluster lays out three servers whose routes lead through links that can be
// cut. They tell each other no addresses, so that there is no way round a link.
func (s *site) addCluster(free []string) error {
	clients, routes, monitors := free[0:3], free[3:6], free[6:9]
	var urls []string
	for i := range 3 {
		var to []string
		for j := range 3 {
			if i == j {
				continue
			}
			l, err := newLink(routes[j])
			if err != nil {
				return err
			}
			s.links[i][j] = l
			to = append(to, "nats://"+l.address)
		}
		config := fmt.Sprintf("server_name: %s\nlisten: %s\nhttp: %s\njetstream {\n store_dir: %q\n sync_interval: always\n max_file_store: 24GB\n}\n"+
			"cluster {\n name: yard\n listen: %s\n no_advertise: true\n routes: [%s]\n}\n",
			node(i), clients[i], monitors[i], filepath.Join(s.dir, node(i)), routes[i], strings.Join(to, ", "))
		if err := s.addNATS(node(i), config); err != nil {
			return err
		}
		urls = append(urls, "nats://"+clients[i])
	}
	s.natsURL, s.monitors = strings.Join(urls, ","), monitors
	return nil
}

// replicas is how many copies the streams have.
func (s *site) replicas() int {
	if s.layout == cluster {
		return 3
	}
	return 1
}

// part returns a part by its name.
func (s *site) part(name string) *part {
	for _, p := range s.parts {
		if p.name == name {
			return p
		}
	}
	panic("a site of this layout has no " + name)
}

// start starts all parts and keeps them up until stop: one that is killed, stops,
// or ends because another one is away, is started again. Any other end is a
// failure.
func (s *site) start(ctx context.Context) {
	for _, p := range s.parts {
		run, cancel := context.WithCancel(ctx)
		p.cancel, p.over = cancel, make(chan struct{})
		go func() {
			defer close(p.over)
			if err := s.keep(run, p); err != nil {
				select {
				case s.failed <- fmt.Errorf("%s: %w", p.name, err):
				default: // the first failure says it
				}
			}
		}()
	}
}

// endError says with which status a part ended that should not have.
type endError struct {
	status int
	text   string
}

func (e *endError) Error() string { return fmt.Sprintf("ended with status %d: %s", e.status, e.text) }

// Exit statuses of spoilbook that another start can cure, and that of damage.
const (
	exitInUse   = 4
	exitServer  = 5
	exitDamaged = 6
	exitSignal  = 130 // told to stop before it was up
)

const (
	restartPause = 100 * time.Millisecond

	// maxTries is how often in a row a part that needs no other part, or has all of
	// them, may fail to start.
	maxTries = 4
)

// fatal reports whether a part must not end with a status when nobody ended it. One
// that misses another part ends with a status for that, and is tried again.
func (s *site) fatal(status, tries int) bool {
	switch status {
	case -1, 0, exitSignal:
		return false
	case exitServer, exitInUse:
		return s.layout == together && tries >= maxTries
	}
	return true
}

func (s *site) keep(ctx context.Context, p *part) error {
	for tries := 1; ctx.Err() == nil; tries++ {
		proc, err := process.Start(p.program, p.args, process.Options{Dir: s.dir, Env: s.programs.env})
		if err != nil {
			return err
		}
		p.begin(proc)
		if _, err := proc.WaitFor(ctx, p.ready); err == nil {
			p.setUp()
			tries = 0
		} else if !errors.Is(err, process.ErrEnded) && ctx.Err() == nil {
			proc.End(syscall.SIGQUIT) // it says where it hangs
			return fmt.Errorf("%w: %s", err, proc.LastLines(200))
		}
		select {
		case <-proc.Ended():
		case <-ctx.Done():
			// Whoever stops a site wants it to end in order, halted or not.
			if err := proc.Resume(); err != nil {
				return err
			}
		}
		status := proc.End(endSignal(ctx))
		rest := p.end()
		if ctx.Err() != nil {
			// One that is told to stop while it can not reach the others says so.
			if s.fatal(status, 0) {
				return &endError{status, proc.LastLines(20)}
			}
			return nil
		}
		if s.fatal(status, tries) {
			return &endError{status, proc.LastLines(20)}
		}
		select {
		case <-time.After(max(rest, restartPause)):
		case <-ctx.Done():
		}
	}
	return nil
}

// endSignal is what ends a process when the site is stopped, nil before.
func endSignal(ctx context.Context) os.Signal {
	if ctx.Err() != nil {
		return syscall.SIGTERM
	}
	return nil
}

// stop ends all parts in order, the hub first, and returns what failed.
func (s *site) stop() error {
	for _, p := range slices.Backward(s.parts) {
		if p.cancel != nil {
			p.cancel()
			<-p.over
		}
	}
	for _, row := range s.links {
		for _, l := range row {
			if l != nil {
				l.close()
			}
		}
	}
	select {
	case err := <-s.failed:
		return err
	default:
		return nil
	}
}

func (p *part) begin(proc *process.Process) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.now = proc
}

func (p *part) setUp() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if !p.isUp {
		p.isUp = true
		close(p.up)
	}
}

// lastLines returns the end of what the process that is up has printed.
func (p *part) lastLines(n int) string {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.now == nil {
		return "(not up)"
	}
	return p.now.LastLines(n)
}

// end notes that the process has ended and returns how long it rests.
func (p *part) end() (rest time.Duration) {
	p.mu.Lock()
	defer p.mu.Unlock()
	rest, p.rest, p.now = p.rest, 0, nil
	if p.isUp {
		p.isUp, p.up = false, make(chan struct{})
	}
	return rest
}

// await waits until the part can be used.
func (p *part) await(ctx context.Context) error {
	p.mu.Lock()
	up := p.up
	p.mu.Unlock()
	select {
	case <-up:
		return nil
	case <-ctx.Done():
		return fmt.Errorf("%s does not get ready: %w", p.name, context.Cause(ctx))
	}
}

// strike lets something befall the process, has it rest for a while before it is
// started again, and reports whether there was a process.
func (p *part) strike(rest time.Duration, blow func(*process.Process) error) (bool, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.now == nil {
		return false, nil
	}
	p.rest = rest
	return true, blow(p.now)
}

// freeAddresses returns loopback addresses that nobody listened on a moment ago.
func freeAddresses(n int) ([]string, error) {
	var all []string
	for range n {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			return nil, err
		}
		defer l.Close()
		all = append(all, l.Addr().String())
	}
	return all, nil
}
