package main

import (
	"context"
	"fmt"
	"io"

	"github.com/spf13/cobra"

	"spoilbook/events"
)

func rebuildCommand() *cobra.Command {
	var o siteOptions
	c := &cobra.Command{
		Use:   "rebuild",
		Short: "Read every event again and check that reports can be made from them alone",
		Long: `Read every event of the ledger in order, hold its bytes against its hash and
against the columns made from it, compute the Merkle tree anew and compare it
with the roots stored as the events came in. Reports are computed from the
events alone, so a ledger that passes gives the reports it always gave.`,
		Example: "  spoilbook rebuild --data ./spoilbook-data",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				r, err := b.Rebuild(ctx, func(done, total uint64) {
					fmt.Fprintf(c.ErrOrStderr(), "\r%d of %d events", done, total)
				})
				fmt.Fprintln(c.ErrOrStderr())
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(c.OutOrStdout(), "%d events in %d blocks read again; every hash and root agrees\nroot %s\n", r.Events, r.Blocks, r.Root)
				return err
			})
		},
	}
	addSiteFlags(c, &o)
	return c
}

func postingsCommand() *cobra.Command {
	var o siteOptions
	var truck, zone, out string
	var upTo uint64
	c := &cobra.Command{
		Use:   "postings",
		Short: "Write the tanks' double-entry movements as a plain-text journal",
		Long: `Write every movement of solids and water between site, tanks, facilities,
outfalls and water sources, in grams, as a plain-text journal that general
double-entry programs read. Its balance is zero.`,
		Example: "  spoilbook postings --tz Europe/Dublin --truck TM-01 -o postings.journal",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				return writeOut(c.OutOrStdout(), out, func(w io.Writer) error { return b.Postings(ctx, w, events.TruckID(truck), zone, upTo) })
			})
		},
	}
	addSiteFlags(c, &o)
	f := c.Flags()
	f.StringVar(&truck, "truck", "", "only this truck")
	f.StringVar(&zone, "tz", "", "time `zone` of the dates, such as Europe/Dublin")
	f.Uint64Var(&upTo, "at-position", 0, "ledger position; 0 is the head")
	f.StringVarP(&out, "output", "o", "-", "`file` to write; - is standard output")
	if err := c.MarkFlagRequired("tz"); err != nil {
		panic(err) // the flag is defined above
	}
	return c
}
