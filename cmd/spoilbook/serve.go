package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"sync"
	"syscall"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/spf13/cobra"

	"spoilbook/services/api"
	"spoilbook/services/engine"
	"spoilbook/services/ledger"
	"spoilbook/services/web"
)

// defaultKeep is a year of fifty trucks and some.
const defaultKeep = 1_000_000

func serveCommand() *cobra.Command {
	var o siteOptions
	var engineListen string
	var d door
	c := &cobra.Command{
		Use:   "serve",
		Short: "Take events in, record them, and answer over HTTP until told to stop",
		Long: `Run the whole ledger: the broker and the engine (embedded, or your own servers),
the intake, and pages and the HTTP API with reports. Everybody who asks has to prove who
they are, and each role does only what its work needs; the first start prints a code
that makes the first administrator. With --open nobody is asked, and everybody who
reaches the service may do everything, so it then binds to loopback only. SIGTERM ends
it in order; kill -9 loses nothing that was received.`,
		Example: `  spoilbook serve --data ./spoilbook-data --listen 127.0.0.1:8080
  spoilbook serve --nats nats://127.0.0.1:4222 --clickhouse clickhouse://127.0.0.1:9000/spoilbook
  spoilbook serve --url https://yard.example --oidc-issuer https://login.example --oidc-client-id spoilbook --oidc-client-secret-file issuer.secret
  spoilbook serve --listen 0.0.0.0:8443 --tls-cert yard.crt --tls-key yard.key --host yard.example
  spoilbook serve --nats-listen 127.0.0.1:4222 --engine-listen 127.0.0.1:8123`,
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return serve(c.Context(), o, d, engineListen, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&o.data, "data", envOr("SPOILBOOK_DATA", "./spoilbook-data"), "data `folder` of the embedded broker and engine")
	addServerFlags(c, &o)
	d.flags(c)
	f.StringVar(&o.nats.Listen, "nats-listen", "", "loopback `address` on which the embedded broker takes NATS clients; none when empty")
	f.Uint64Var(&o.keep, "keep-events", defaultKeep, "how many `events` to keep decoded in memory, about a kilobyte each, for reports and pages to be quick; a ledger of more keeps none")
	f.StringVar(&engineListen, "engine-listen", "", "loopback `address` on which other ClickHouse clients may read the embedded engine; none when empty")
	return c
}

// serve runs everything until ctx ends.
func serve(ctx context.Context, o siteOptions, d door, engineListen string, stdout, stderr io.Writer) (err error) {
	if err := d.check(); err != nil {
		return err
	}
	o.nats.Guarded = !d.open
	registry := prometheus.NewRegistry()
	s := &site{options: o, log: o.logger(stderr)}
	s.observe = s.alarmed(s.watch(registry))
	defer func() { err = errors.Join(err, s.close()) }()
	// The port is taken first: a second process should learn at once that it is.
	l, err := listenOn(d.listen)
	if err != nil {
		return err
	}
	defer l.Close()
	registry.MustRegister(s.damageMetric())
	if err := s.begin(ctx, stderr); err != nil {
		return err
	}
	if engineListen != "" {
		closeEngine, err := s.serveEngine(engineListen, stdout)
		if err != nil {
			return err
		}
		defer closeEngine()
	}
	url := d.url(l)
	if d.access, err = s.openAccess(ctx, d, url, stdout); err != nil {
		return err
	}
	if d.access != nil && s.broker != nil {
		s.broker.Admit(admitter(d.access))
	}
	if d.signsIn, err = d.elsewhere(url, stdout); err != nil {
		return err
	}
	if s.lock != nil {
		if err := s.lock.note(holderNote(url)); err != nil {
			return ledger.Wrap(ledger.Internal, err, "data folder %s", o.data)
		}
	}
	fmt.Fprintf(stdout, "spoilbook serves at %s (API description at %s/openapi.json)\n", url, url)
	if at := s.natsURL(); at != "" {
		fmt.Fprintf(stdout, "NATS clients connect to %s and publish on spoilbook.events.truck.NAME%s\n", at, map[bool]string{true: "", false: ", with a token and the inbox prefix _INBOX.TOKEN-ID"}[d.open])
	}
	return s.serveHTTP(ctx, l, registry, d)
}

// listenOn takes a port, or says whether it is another's or no port at all.
func listenOn(address string) (net.Listener, error) {
	l, err := net.Listen("tcp", address)
	switch {
	case errors.Is(err, syscall.EADDRINUSE):
		return nil, ledger.Wrap(ledger.InUse, err, "listen on %s", address)
	case err != nil:
		return nil, ledger.Wrap(ledger.BadRequest, err, "listen on %q; an address is such as 127.0.0.1:8080", address)
	}
	return l, nil
}

// serveHTTP answers until ctx ends or the intake dies of something that is not
// damage outside the store.
func (s *site) serveHTTP(ctx context.Context, l net.Listener, registry *prometheus.Registry, d door) error {
	pages, err := web.New(web.Config{Ledger: s.ledger, Access: d.access, Zone: d.zone, Formats: formats(), Files: exchange{}, Export: exportPicked, Logger: s.log, Version: version,
		Issuer: d.signsIn})
	if err != nil {
		return err
	}
	described, err := describedStreams()
	if err != nil {
		return err
	}
	warm, cold := context.WithCancel(ctx)
	var warming sync.WaitGroup
	warming.Go(func() { s.ledger.Warm(warm) })
	defer warming.Wait()
	defer cold()
	server := api.Server(api.Config{Ledger: s.ledger, Copy: s.store, Write: writeReport, Formats: formats(), Registry: registry,
		Ready: s.ready, Logger: s.log, Version: version, Hosts: d.hosts, Behind: d.public != "", Access: d.access, Pages: pages, Rows: rowFormats(), Streams: described})
	failed := make(chan error, 1)
	go func() { failed <- d.serve(server, api.Limited(l, api.MaxConnections)) }()
	var cause error
	select {
	case <-ctx.Done():
	case cause = <-failed:
	case intakeErr := <-s.intakeDone:
		s.intakeDone <- nil // close still reads it
		cause = ledger.Wrap(ledger.Internal, cmpErr(intakeErr, errors.New("the intake ended")), "serve")
		if s.standStill(ctx, cause) == nil {
			select {
			case <-ctx.Done():
				cause = nil
			case cause = <-failed:
			}
		}
	}
	stopping, cancel := context.WithTimeout(context.WithoutCancel(ctx), 20*time.Second)
	defer cancel()
	return errors.Join(cause, server.Shutdown(stopping))
}

func cmpErr(err, otherwise error) error {
	if err != nil {
		return err
	}
	return otherwise
}

// ready says why no traffic should come, beyond what the ledger finds itself.
func (s *site) ready(context.Context) error {
	if err := s.halted(); err != nil {
		return err
	}
	if s.intakeRunning.Load() {
		return nil
	}
	return ledger.Fail(ledger.StoreDown, "the intake is starting again after a failure")
}

// serveEngine lets other ClickHouse clients on this machine read the engine.
func (s *site) serveEngine(listen string, stdout io.Writer) (stop func(), err error) {
	if s.engine == nil {
		return nil, ledger.Fail(ledger.BadRequest, "--engine-listen is for the embedded engine; with --clickhouse, connect to that server")
	}
	host, _, err := net.SplitHostPort(listen)
	if ip := net.ParseIP(host); err != nil || host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, ledger.Fail(ledger.BadRequest, "--engine-listen: found %q; allowed: a loopback address such as 127.0.0.1:8123", listen)
	}
	l, err := listenOn(listen)
	if err != nil {
		return nil, err
	}
	server := &http.Server{Handler: s.engine.Handler(engine.HandlerOptions{ReadOnly: true}), ReadHeaderTimeout: 10 * time.Second, IdleTimeout: 2 * time.Minute}
	go func() {
		if err := server.Serve(api.Limited(l, api.MaxConnections)); !errors.Is(err, http.ErrServerClosed) {
			s.log.Error("engine port", "error", err)
		}
	}()
	fmt.Fprintf(stdout, "ClickHouse clients may read at http://%s (database default, table events)\n", l.Addr())
	return func() { _ = server.Close() }, nil // it held nothing
}
