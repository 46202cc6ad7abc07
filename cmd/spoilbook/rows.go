package main

import (
	"context"
	"fmt"
	"io"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"spoilbook/events"
	"spoilbook/services/api"
	"spoilbook/services/broker"
	"spoilbook/services/ledger"
	"spoilbook/services/rows"
	"spoilbook/services/streams"
)

func rowsCommand() *cobra.Command {
	var o siteOptions
	var q ledger.EventQuery
	var truck, job, kind, source, format, out string
	var upTo uint64
	c := &cobra.Command{
		Use:   "rows",
		Short: "Write recorded events as rows for other tools, as CSV or Parquet",
		Long: `Write a row for each recorded event, in the order of positions: CSV for everything
that reads tables, Parquet for what reckons over many rows. Both have the columns

` + columnHelp() + `
The same positions give the same rows for ever: with --after, set to where the last
file ended, only what came since is written.`,
		Example: `  spoilbook rows --format parquet -o events.parquet
  spoilbook rows --truck TM-01 --after 400 --at-position 800 -o events.csv`,
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			if !slices.Contains(rows.Formats(), format) {
				return &usageError{"rows", fmt.Errorf("format %q does not exist; there are %s", format, strings.Join(rows.Formats(), ", "))}
			}
			q.Truck, q.Job, q.Kind, q.Source = events.TruckID(truck), events.JobID(job), events.Kind(kind), events.Source(source)
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				return writeOut(c.OutOrStdout(), out, func(w io.Writer) error { return b.Rows(ctx, w, format, q, upTo) })
			})
		},
	}
	addSiteFlags(c, &o)
	f := c.Flags()
	f.StringVar(&format, "format", "csv", strings.Join(rows.Formats(), " or "))
	f.Uint64Var(&q.After, "after", 0, "only positions above this one")
	f.Uint64Var(&upTo, "at-position", 0, "only positions up to this one; 0 is the head")
	f.StringVar(&truck, "truck", "", "only this truck")
	f.StringVar(&job, "job", "", "only this job")
	f.StringVar(&kind, "kind", "", "only this kind, such as load.collected")
	f.StringVar(&source, "source", "", "only this source, such as /truck/TM-01")
	f.StringVarP(&out, "output", "o", "-", "`file` to write; - is standard output")
	return c
}

func columnHelp() string {
	var b strings.Builder
	for _, c := range rows.Columns() {
		fmt.Fprintf(&b, "  %-20s %s\n", c.Key, c.Says)
	}
	return b.String()
}

// rowFormats are the formats in which the server gives events as rows.
func rowFormats() (out []api.RowFormat) {
	for _, format := range rows.Formats() {
		out = append(out, api.RowFormat{Name: format, MediaType: rows.MediaType(format), Columns: rows.Described(),
			New: func(w io.Writer) (api.RowWriter, error) { return rows.New(w, format) }})
	}
	return out
}

func asyncAPICommand() *cobra.Command {
	var out string
	c := &cobra.Command{
		Use:   "asyncapi",
		Short: "Write the description of the broker's streams, as AsyncAPI 3.0",
		Long: `Write which subjects the broker has, what a message on each holds, and the schema of
every kind of event, as an AsyncAPI 3.0 document for programs that send events or
read receipts. A running server gives it at /asyncapi.json.`,
		Example: "  spoilbook asyncapi -o asyncapi.json",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			text, err := describedStreams()
			if err != nil {
				return err
			}
			return writeOut(c.OutOrStdout(), out, func(w io.Writer) error {
				_, err := w.Write(text)
				return err
			})
		},
	}
	c.Flags().StringVarP(&out, "output", "o", "-", "`file` to write; - is standard output")
	return c
}

// describedStreams describes the streams as this program's broker has them.
func describedStreams() ([]byte, error) {
	text, err := streams.Document(streams.Options{Version: version, Events: broker.EventsPrefix, Receipts: broker.ReceiptsPrefix})
	return text, ledger.Wrap(ledger.Internal, err, "asyncapi")
}
