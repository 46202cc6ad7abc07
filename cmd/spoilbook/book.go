package main

import (
	"context"
	"errors"
	"io"

	"github.com/spf13/cobra"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/ledger"
	"spoilbook/services/rows"
)

// book is the ledger as commands use it: opened here or reached at a server.
type book interface {
	Head(ctx context.Context) (ledger.Head, error)
	Submit(ctx context.Context, msgs []ledger.Message) (ledger.Ticket, error)
	Await(ctx context.Context, t ledger.Ticket) (ledger.Fates, error)
	Events(ctx context.Context, q ledger.EventQuery) ([]ledger.Stored, error)
	Sources(ctx context.Context, q ledger.SourceQuery) ([]ledger.SourceView, error)
	Quarantine(ctx context.Context, q ledger.QuarantineQuery) ([]ledger.Quarantined, error)
	Release(ctx context.Context, entry uint64, body []byte, author, note string) (ledger.Fates, error)
	Dismiss(ctx context.Context, entry uint64, author, note string) error
	Export(ctx context.Context, w io.Writer, a reportArgs) error
	Issue(ctx context.Context, a reportArgs, number, author string) (ledger.Issued, error)
	IssuedReports(ctx context.Context) ([]ledger.Issued, error)
	ExportAdjustment(ctx context.Context, w io.Writer, number string, a reportArgs) error
	Explain(ctx context.Context, a reportArgs, line string) (reports.Explanation, error)
	Lines(ctx context.Context, a reportArgs) ([]ledger.LineKey, error)
	Postings(ctx context.Context, w io.Writer, truck events.TruckID, zone string, upTo uint64) error
	Rows(ctx context.Context, w io.Writer, format string, q ledger.EventQuery, upTo uint64) error
	Rebuild(ctx context.Context, progress func(done, total uint64)) (ledger.Rebuilt, error)
}

// opened is a ledger whose store, and broker when writing, this process opened.
type opened struct {
	*ledger.Ledger
	site *site
}

// Export computes a report here and writes it.
func (o opened) Export(ctx context.Context, w io.Writer, a reportArgs) error {
	return exportReport(ctx, w, o.Ledger, a)
}

// Rows writes events as rows here.
func (o opened) Rows(ctx context.Context, w io.Writer, format string, q ledger.EventQuery, upTo uint64) error {
	out, err := rows.New(w, format)
	if err == nil {
		_, err = o.Walk(ctx, q, upTo, out.Write)
	}
	if err != nil {
		return err
	}
	return out.Close()
}

// need is what a command needs of the ledger.
type need int

const (
	reading need = iota
	writing      // submit, and wait until recorded
)

// withBook opens the ledger that the options name, calls f with it and closes it.
func withBook(c *cobra.Command, o siteOptions, wanted need, f func(context.Context, book) error) (err error) {
	ctx := c.Context()
	if o.server != "" {
		return withServer(ctx, o, f)
	}
	s, err := openSite(ctx, o, wanted == writing, c.ErrOrStderr())
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, s.close()) }()
	if wanted == writing {
		// With servers of one's own another process may be the intake already.
		if err := s.startIntake(ctx); err != nil && ledger.CodeOf(err) != ledger.InUse {
			return err
		}
	}
	return f(ctx, opened{s.ledger, s})
}
