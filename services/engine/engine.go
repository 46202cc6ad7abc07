package engine

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"sync/atomic"
	"time"
)

// Options say how to open the engine. The zero value of each field but Dir and
// Library is a safe default.
type Options struct {
	Dir         string // data directory; made if missing
	Library     string // path of the library, from Fetch
	BackupDir   string // the only directory Backup and Restore may use; empty forbids both
	Memory      int64  // bytes the engine may use; 0 means DefaultMemory
	Connections int    // statements that may run at a time; 0 means DefaultConnections
	MaxInsert   int64  // bytes of one insert after decompression; 0 means DefaultMaxInsert
	KeepFree    int64  // bytes of the disk that inserts and merges leave free; 0 means DefaultKeepFree

	// Settings are added to this package's own and win over them. A name is a
	// setting of statements, of the server, of MergeTree tables with the prefix
	// "merge_tree.", or a key of the server configuration such as "logger.log".
	Settings map[string]string
}

// Engine is an open engine. Its methods may be called concurrently.
type Engine struct {
	library   *library
	arguments []string
	options   Options
	version   string
	hostname  string
	timezone  string

	sessions atomic.Int64 // started so far, for tags
	writers  *sessionPool
	readers  *sessionPool

	controlMu sync.Mutex
	control   *connection // never runs a statement that can wait

	mending    sync.RWMutex   // held while tables are loaded again, and by inserts: see mend
	menders    sync.WaitGroup // that run
	mends      atomic.Int64   // that were done
	mendFailed atomic.Pointer[error]

	closing   chan struct{} // closed when no new statement may start
	stop      context.Context
	stopAll   context.CancelFunc // cancels every running statement
	closeOnce sync.Once
	closeErr  error
}

// Limits of Close.
const (
	closePatience  = 20 * time.Second // for running statements to end
	cancelPatience = 20 * time.Second // for cancelled statements to end
)

// Open loads the library, starts the engine on a data directory and checks the
// settings. It takes about 0.1 s plus the time to load the tables. Only one
// engine may be open in a process, and only one process may open a directory.
// From the first Open on, file descriptor 0 is /dev/null: see StandardInput.
func Open(ctx context.Context, options Options) (*Engine, error) {
	options, err := options.complete()
	if err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("open the ClickHouse engine in %s: %w", options.Dir, err)
	}
	l, err := theProcess.enter(options)
	if err != nil {
		return nil, err
	}
	e, err := start(l, options)
	if err != nil {
		theProcess.leave()
		return nil, fmt.Errorf("open the ClickHouse engine in %s: %w", options.Dir, err)
	}
	return e, nil
}

// complete checks options and fills in the defaults.
func (o Options) complete() (Options, error) {
	if o.Dir == "" || o.Library == "" {
		return o, errors.New("open the ClickHouse engine: a data directory and a library are needed")
	}
	for _, dir := range []*string{&o.Dir, &o.BackupDir} {
		if *dir == "" {
			continue
		}
		absolute, err := filepath.Abs(*dir)
		if err != nil {
			return o, fmt.Errorf("open the ClickHouse engine: %w", err)
		}
		*dir = absolute
		if err := os.MkdirAll(absolute, 0o700); err != nil {
			return o, fmt.Errorf("open the ClickHouse engine: %w", err)
		}
	}
	if _, err := os.Stat(o.Library); err != nil {
		return o, fmt.Errorf("open the ClickHouse engine: its library: %w", err)
	}
	if o.Memory <= 0 {
		o.Memory = DefaultMemory
	}
	if o.Connections <= 0 {
		o.Connections = DefaultConnections
	}
	if o.MaxInsert <= 0 {
		o.MaxInsert = DefaultMaxInsert
	}
	if o.KeepFree <= 0 {
		o.KeepFree = DefaultKeepFree
	}
	return o, nil
}

// start opens the control session, which boots the engine.
func start(l *library, options Options) (*Engine, error) {
	args, err := options.arguments()
	if err != nil {
		return nil, err
	}
	if err := takeOutAll(options.Dir); err != nil {
		return nil, err
	}
	e := &Engine{library: l, arguments: args, options: options, closing: make(chan struct{})}
	e.stop, e.stopAll = context.WithCancel(context.Background())
	// The engine takes files of the working folder for tables: one called events would stand in the place of the
	// table of that name. So it starts where there are none.
	output, err := captureStderr(func() error {
		return elsewhere(func() (err error) {
			e.control, err = dial(l, args)
			return err
		})
	})
	if err != nil {
		return nil, startError(l, options, err, output)
	}
	if err := e.identify(); err != nil {
		e.control.close()
		return nil, err
	}
	e.writers = newSessionPool(options.Connections, e.openSession)
	e.readers = newSessionPool(max(2, options.Connections/2), e.openSession)
	go e.watchRoom()
	return e, nil
}

// startError explains a refused start by what the engine printed. It prints
// nothing about the bad value of a setting, so that is looked for.
func startError(l *library, options Options, err error, output string) error {
	if output != "" {
		return fmt.Errorf("%w: %w", err, newException(output))
	}
	settings := options.Settings
	options.Settings = nil
	args, argsErr := options.arguments()
	if argsErr != nil {
		return errors.Join(err, argsErr)
	}
	c, plainErr := dial(l, args)
	if plainErr != nil {
		return fmt.Errorf("%w and gave no reason", err)
	}
	defer c.close()
	for _, name := range sortedKeys(settings) {
		if cause := c.exec("SET " + quoteName(name) + " = " + quoteString(settings[name])); cause != nil {
			return fmt.Errorf("%w: the setting %s: %w", err, name, cause)
		}
	}
	return fmt.Errorf("%w because of a setting, but did not say which", err)
}

// identify asks for what the handshake of clients needs.
func (e *Engine) identify() error {
	if err := e.options.checkSettings(e.control); err != nil {
		return err
	}
	for query, target := range map[string]*string{
		"SELECT version()":  &e.version,
		"SELECT hostName()": &e.hostname,
		"SELECT timezone()": &e.timezone,
	} {
		answer, err := e.control.scalar(query, parameters{})
		if err != nil {
			return fmt.Errorf("ask the engine %s: %w", query, err)
		}
		*target = answer
	}
	return nil
}

// Version returns the version of ClickHouse, such as "26.7.2.1".
func (e *Engine) Version() string { return e.version }

// Close refuses new statements, waits for running ones up to 20 s, cancels
// those that are left, and closes every session, which writes out the engine's
// state and frees the data directory. Another engine may be opened afterwards.
// An error means that a statement could not be stopped and that the engine is
// still running; end the process.
func (e *Engine) Close() error {
	e.closeOnce.Do(func() { e.closeErr = e.shut(closePatience) })
	return e.closeErr
}

func (e *Engine) shut(patience time.Duration) error {
	close(e.closing)
	e.menders.Wait()
	impatient := time.AfterFunc(patience, e.stopAll)
	defer impatient.Stop()
	ctx, cancel := context.WithTimeout(context.Background(), patience+cancelPatience)
	defer cancel()
	for _, pool := range []*sessionPool{e.writers, e.readers} {
		if err := pool.drain(ctx); err != nil {
			return fmt.Errorf("close the ClickHouse engine in %s: statements still run: %w", e.options.Dir, err)
		}
	}
	e.stopAll()
	e.controlMu.Lock()
	defer e.controlMu.Unlock()
	e.control.close()
	e.control = nil
	theProcess.leave()
	return nil
}
