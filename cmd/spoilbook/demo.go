package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/spf13/cobra"

	"spoilbook/services/api"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

func demoCommand() *cobra.Command {
	var o siteOptions
	var out, listen string
	var stay bool
	c := &cobra.Command{
		Use:   "demo",
		Short: "See the main job happen: one invented month, from events to workbooks",
		Long: `Publish one month of the invented contractor Tarnmoor Groundworks through the
broker, wait until it is recorded, and write the reports as workbooks. Run again
on the same data, everything is a duplicate and nothing changes.`,
		Example: `  spoilbook demo
  spoilbook demo --data /tmp/month --out /tmp/workbooks --serve`,
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return runDemo(c.Context(), o, out, listen, stay, c.OutOrStdout(), c.ErrOrStderr())
		},
	}
	f := c.Flags()
	f.StringVar(&o.data, "data", envOr("SPOILBOOK_DATA", "./spoilbook-data"), "data `folder` of the embedded broker and engine")
	addServerFlags(c, &o)
	f.StringVar(&out, "out", "./out", "`folder` for the workbooks")
	f.BoolVar(&stay, "serve", false, "leave the HTTP API up afterwards")
	f.StringVar(&listen, "listen", "127.0.0.1:8080", "with --serve: `address` of the HTTP API")
	return c
}

func runDemo(ctx context.Context, o siteOptions, out, listen string, stay bool, stdout, stderr io.Writer) (err error) {
	started := time.Now()
	month, err := demo.Build()
	if err != nil {
		return ledger.Wrap(ledger.Internal, err, "demo")
	}
	registry := prometheus.NewRegistry()
	s := &site{options: o, log: o.logger(stderr)}
	s.observe = s.watch(registry)
	defer func() { err = errors.Join(err, s.close()) }()
	if err := s.open(ctx, true, stderr); err != nil {
		return err
	}
	if err := s.startIntake(ctx); err != nil && ledger.CodeOf(err) != ledger.InUse {
		return err
	}
	fates, count, err := publishMonth(ctx, s.ledger, month, stderr)
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "Tarnmoor Groundworks, October 2026 (invented)\n\n%d messages sent: %d recorded, %d duplicate, %d quarantined; the ledger stands at position %d\n",
		count, fates.Recorded, fates.Duplicates, fates.Quarantined, fates.Position)
	paths, err := writeMonth(ctx, s.ledger, out, stdout)
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "\nWorkbooks:\n")
	for _, p := range paths {
		fmt.Fprintf(stdout, "  %s\n", p)
	}
	where := o.data
	if !o.embedded() {
		where = "your servers"
	}
	fmt.Fprintf(stdout, "Ledger: %s\nDone in %s.\n", where, time.Since(started).Round(100*time.Millisecond))
	if !stay {
		fmt.Fprintf(stdout, "\nNext: spoilbook demo --serve leaves the HTTP API up; spoilbook quarantine list shows what could not be recorded.\n")
		return nil
	}
	d := door{listen: listen, open: true, zone: demo.ZoneName}
	if err := d.check(); err != nil {
		return err
	}
	l, err := listenOn(listen)
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "\nServing at http://%s (API description at /openapi.json) until you press Ctrl-C; nobody is asked who they are\n", l.Addr())
	return s.serveHTTP(ctx, l, registry, d)
}

// publishMonth publishes the month's batches in their order, then the messages
// that can not become events, and waits until all are handled. The register goes
// first: events of a truck that nobody knows yet are quarantined.
func publishMonth(ctx context.Context, l *ledger.Ledger, month demo.Month, stderr io.Writer) (total ledger.Fates, count int, err error) {
	bar := newProgress(stderr, "publishing", int64(len(month.Batches)+1))
	var tickets []ledger.Ticket
	send := func(msgs []ledger.Message) error {
		t, err := l.Submit(ctx, msgs)
		tickets, count = append(tickets, t), count+len(msgs)
		return errors.Join(err, bar.Add(1))
	}
	for _, batch := range month.Batches {
		msgs, err := ledger.MessagesOf(batch.Events)
		if err != nil {
			return total, count, err
		}
		if err := send(msgs); err != nil {
			return total, count, err
		}
	}
	var raw []ledger.Message
	for _, m := range demo.Raw() {
		raw = append(raw, ledger.MessageOf(m.Body))
	}
	if err := send(raw); err != nil {
		return total, count, err
	}
	for _, t := range tickets {
		f, err := l.Await(ctx, t)
		if err != nil {
			return total, count, err
		}
		total = add(total, f)
	}
	return total, count, bar.Finish()
}

// writeMonth writes the workbooks and prints a summary of each.
func writeMonth(ctx context.Context, l *ledger.Ledger, out string, stdout io.Writer) ([]string, error) {
	var paths []string
	for _, name := range ledger.ReportNames() {
		period, err := l.PeriodOf("2026-10-01", "2026-10-31", demo.ZoneName)
		if err != nil {
			return nil, err
		}
		r, err := l.Report(ctx, ledger.ReportQuery{Name: name, Period: period})
		if err != nil {
			return nil, err
		}
		path := filepath.Join(out, fmt.Sprintf("%s-2026-10.xlsx", name))
		if err := writeOut(stdout, path, func(w io.Writer) error { return writeReport(ctx, w, r, api.Form{Format: "xlsx", By: "Demo"}) }); err != nil {
			return nil, err
		}
		paths = append(paths, path)
		if err := summarise(stdout, r); err != nil {
			return nil, err
		}
	}
	return paths, nil
}
