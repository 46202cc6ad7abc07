package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"time"

	"github.com/schollz/progressbar/v3"
	"github.com/spf13/cobra"

	"spoilbook/services/broker"
	"spoilbook/services/engine"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
	"spoilbook/services/store"
)

// siteOptions say where the ledger is.
type siteOptions struct {
	data, server string
	nats         broker.Options
	clickhouse   string
	engineCache  string
	verbose      bool
	unfinished   bool // a store that is being filled, or a ledger that moves, is opened all the same
	logFormat    logFormat
	keep         uint64 // events that the ledger keeps decoded in memory; see ledger.Config
}

// addSiteFlags adds the flags by which a command finds the ledger.
func addSiteFlags(c *cobra.Command, o *siteOptions) {
	f := c.Flags()
	f.StringVar(&o.data, "data", envOr("SPOILBOOK_DATA", "./spoilbook-data"), "data `folder` of the embedded broker and engine")
	f.StringVar(&o.server, "server", os.Getenv("SPOILBOOK_SERVER"), "`URL` of a spoilbook that is running")
	addServerFlags(c, o)
}

// addServerFlags adds the flags that name servers of one's own.
func addServerFlags(c *cobra.Command, o *siteOptions) {
	f := c.Flags()
	f.StringVar(&o.nats.URL, "nats", os.Getenv("SPOILBOOK_NATS"), "`URL` of a NATS server or cluster with JetStream, instead of the embedded one")
	f.StringVar(&o.nats.Credentials, "nats-creds", os.Getenv("SPOILBOOK_NATS_CREDS"), "credentials `file` for NATS")
	f.StringVar(&o.nats.NKey, "nats-nkey", os.Getenv("SPOILBOOK_NATS_NKEY"), "NKey seed `file` for NATS")
	f.StringVar(&o.nats.CAFile, "nats-ca", "", "`file` with the certificate authority of the NATS server")
	f.StringVar(&o.nats.CertFile, "nats-cert", "", "client certificate `file` for NATS")
	f.StringVar(&o.nats.KeyFile, "nats-key", "", "client key `file` for NATS")
	f.IntVar(&o.nats.Replicas, "nats-replicas", 1, "copies of each stream, 1 or 3")
	f.StringVar(&o.clickhouse, "clickhouse", os.Getenv("SPOILBOOK_CLICKHOUSE"), "`URL` of a ClickHouse server, clickhouse:// or http(s)://, instead of the embedded engine")
	f.StringVar(&o.engineCache, "engine-cache", os.Getenv("SPOILBOOK_ENGINE_CACHE"), "`folder` where the engine library is kept")
	f.BoolVarP(&o.verbose, "verbose", "v", false, "log what is done")
	f.Var(&o.logFormat, "log-format", "`form` of the log: text, or json with one object a line")
}

// logFormat is the form of the log, text when empty.
type logFormat string

// String returns the form.
func (l *logFormat) String() string { return cmp.Or(string(*l), "text") }

// Set takes a form that there is.
func (l *logFormat) Set(s string) error {
	if s != "text" && s != "json" {
		return fmt.Errorf("found %q; allowed: text, json", s)
	}
	*l = logFormat(s)
	return nil
}

// Type names the flag's values.
func (l *logFormat) Type() string { return "form" }

func envOr(name, otherwise string) string {
	if v := os.Getenv(name); v != "" {
		return v
	}
	return otherwise
}

func (o *siteOptions) logger(w io.Writer) *slog.Logger {
	level := slog.LevelWarn
	if o.verbose {
		level = slog.LevelInfo
	}
	if o.logFormat == "json" {
		return slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level}))
	}
	return slog.New(slog.NewTextHandler(w, &slog.HandlerOptions{Level: level}))
}

// embedded reports whether anything of the ledger lives in the data folder.
func (o *siteOptions) embedded() bool { return o.nats.URL == "" || o.clickhouse == "" }

// site is an open ledger with its parts, embedded or not.
type site struct {
	options  siteOptions
	log      *slog.Logger
	lock     *folderLock
	engine   *engine.Engine
	store    *store.Store
	recorder *store.Store   // the same for the intake, with connections of its own
	broker   *broker.Broker // nil when only reading
	ledger   *ledger.Ledger
	damage   atomic.Pointer[error] // found; nothing is written any more
	observe  func(intake.Progress)

	stopIntake    func()
	intakeDone    chan error
	intakeRunning atomic.Bool
}

// openSite opens the store, and the broker too when writing is wanted. stderr
// shows the engine's download.
func openSite(ctx context.Context, o siteOptions, writing bool, stderr io.Writer) (*site, error) {
	s := &site{options: o, log: o.logger(stderr)}
	err := s.open(ctx, writing, stderr)
	if err != nil {
		return nil, errors.Join(err, s.close())
	}
	return s, nil
}

func (s *site) open(ctx context.Context, writing bool, stderr io.Writer) error {
	if err := s.openStore(ctx, stderr); err != nil {
		return err
	}
	if writing {
		if err := s.openBroker(ctx); err != nil {
			return err
		}
	}
	s.makeLedger(writing)
	return nil
}

// openStore locks the data folder and opens the engine and the store.
func (s *site) openStore(ctx context.Context, stderr io.Writer) error {
	o := s.options
	var err error
	if o.embedded() && s.lock == nil {
		if s.lock, err = lockFolder(o.data); err != nil {
			return err
		}
	}
	stored := store.Options{URL: o.clickhouse, Connections: readConnections}
	if o.clickhouse == "" {
		if s.engine, err = openEngine(ctx, o, stderr); err != nil {
			return unopened(err)
		}
		stored.Transport = s.engine.Transport()
	}
	if s.store, err = store.Open(ctx, stored); err != nil {
		return unopened(ledger.Wrap(ledger.StoreDown, err, "ClickHouse"))
	}
	if o.unfinished {
		return nil
	}
	filling, err := s.store.Marked(ctx, ledger.MarkFilling)
	if err == nil && filling != "" {
		return ledger.Fail(ledger.Conflict, "the ledger is not whole: it was being filled with %s. Give the same restore or move again to finish it", filling)
	}
	return ledger.Wrap(ledger.StoreDown, err, "ClickHouse")
}

// refuseMoved refuses to write to a ledger that went elsewhere, or is about to.
func (s *site) refuseMoved(ctx context.Context) error {
	if s.options.unfinished {
		return nil
	}
	moved, err := s.store.Marked(ctx, ledger.MarkMoved)
	if err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "ClickHouse")
	}
	if moved != "" {
		return ledger.Fail(ledger.Moved, "the ledger moved to %s", moved)
	}
	moving, err := s.store.Marked(ctx, ledger.MarkMoving)
	if err == nil && moving != "" {
		return ledger.Fail(ledger.Moved, "the ledger is moving to %s. Give the same spoilbook move again to finish it, or give it up with spoilbook move --give-up", moving)
	}
	return ledger.Wrap(ledger.StoreDown, err, "ClickHouse")
}

// Connections to ClickHouse: what reads takes none from the intake, so that nobody's
// reports or lists keep an event from being recorded.
const (
	readConnections   = 8
	recordConnections = 2
)

// openRecorder opens the store once more, for the intake alone.
func (s *site) openRecorder(ctx context.Context) (err error) {
	if s.recorder != nil {
		return nil
	}
	stored := store.Options{URL: s.options.clickhouse, Connections: recordConnections}
	if s.engine != nil {
		stored.Transport = s.engine.Transport()
	}
	if s.recorder, err = store.Open(ctx, stored); err != nil {
		return unopened(ledger.Wrap(ledger.StoreDown, err, "ClickHouse, for the intake"))
	}
	return nil
}

// unopened says what repairs a store that can not be opened because it is damaged.
func unopened(err error) error {
	if ledger.CodeOf(err) == ledger.Damaged {
		return ledger.Wrap(ledger.Damaged, err, "the store can not be opened: restore from a backup or, if the broker still has every message, run spoilbook repair store --anew")
	}
	return err
}

// openBroker starts the broker of the data folder, or connects to the one named.
func (s *site) openBroker(ctx context.Context) (err error) {
	if err := s.refuseMoved(ctx); err != nil {
		return err
	}
	o := s.options
	if o.nats.Logger = s.log; o.nats.URL == "" {
		o.nats.Dir = s.brokerFolder()
	}
	s.broker, err = broker.Open(ctx, o.nats)
	return codedBroker(err, "NATS")
}

func (s *site) brokerFolder() string { return filepath.Join(s.options.data, "broker") }
func (s *site) engineFolder() string { return filepath.Join(s.options.data, "engine") }

// makeLedger makes the use cases over what is open. What writes is refused once
// damage was found.
func (s *site) makeLedger(writing bool) {
	config := ledger.Config{Store: gatedStore{s.store, s}, Logger: s.log, Keep: s.options.keep}
	if writing {
		config.Publisher = gatedPublisher{publisher{s.broker}, s}
	}
	s.ledger = ledger.New(config)
}

// openEngine finds or fetches the library and opens the engine of a data folder.
func openEngine(ctx context.Context, o siteOptions, stderr io.Writer) (*engine.Engine, error) {
	var bar *progressbar.ProgressBar
	library, err := engine.Fetch(ctx, engine.FetchOptions{CacheDir: o.engineCache, Progress: func(stage string, done, total int64) {
		if bar == nil || bar.State().Description != stage {
			bar = progressbar.NewOptions64(total, progressbar.OptionSetWriter(stderr), progressbar.OptionSetDescription(stage),
				progressbar.OptionShowBytes(true), progressbar.OptionOnCompletion(func() { fmt.Fprintln(stderr) }))
		}
		if err := bar.Set64(done); err != nil {
			fmt.Fprintf(stderr, "%s %d of %d\n", stage, done, total)
		}
	}})
	if err != nil {
		return nil, ledger.Wrap(ledger.EngineMissing, err, "the embedded ClickHouse engine")
	}
	e, err := engine.Open(ctx, engine.Options{Dir: filepath.Join(o.data, "engine"), Library: library,
		BackupDir: filepath.Join(o.data, "backup"), Connections: readConnections + recordConnections})
	return e, codedEngine(err, library)
}

// codedEngine gives an error of opening the engine the code that users see. Once
// the library is loaded, what the engine says is about the data folder.
func codedEngine(err error, library string) error {
	var exception *engine.Exception
	switch {
	case !errors.As(err, &exception):
		return ledger.Wrap(ledger.EngineMissing, err, "the embedded ClickHouse engine (if its library is broken, delete %s to have it fetched again)", library)
	case store.IsDamage(exception.Text) || strings.Contains(exception.Text, "Cannot parse definition from metadata file") ||
		strings.Contains(exception.Text, "Cannot attach table"): // its description does not say what was written
		return ledger.Wrap(ledger.Damaged, err, "the embedded ClickHouse engine")
	}
	return ledger.Wrap(ledger.StoreDown, err, "the embedded ClickHouse engine")
}

// close stops the intake and closes the parts in the order opposite to opening.
func (s *site) close() error {
	var errs []error
	if s.stopIntake != nil {
		s.stopIntake()
		err := <-s.intakeDone
		errs = append(errs, err)
		if err == nil {
			s.lastHighWater()
		}
	}
	if s.broker != nil {
		ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
		defer cancel()
		errs = append(errs, s.broker.Close(ctx))
	}
	for _, opened := range []*store.Store{s.recorder, s.store} {
		if opened != nil {
			errs = append(errs, opened.Close())
		}
	}
	if s.engine != nil {
		errs = append(errs, s.engine.Close())
	}
	return errors.Join(append(errs, s.lock.release())...)
}
