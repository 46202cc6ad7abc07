package main

import (
	"bufio"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"strconv"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

func eventsCommand() *cobra.Command {
	var o siteOptions
	var q ledger.EventQuery
	var truck, job, kind, source string
	var asJSON bool
	c := &cobra.Command{
		Use:   "events",
		Short: "List recorded events in the order of their positions",
		Example: `  spoilbook events --truck TM-01 --limit 20
  spoilbook events --kind docket.received --json
  spoilbook events --after 100 --limit 1 --json`,
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			q.Truck, q.Job, q.Kind, q.Source = events.TruckID(truck), events.JobID(job), events.Kind(kind), events.Source(source)
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				list, err := b.Events(ctx, q)
				if err != nil {
					return err
				}
				if asJSON {
					return printEventsJSON(c.OutOrStdout(), list)
				}
				return printEvents(c.OutOrStdout(), list)
			})
		},
	}
	addSiteFlags(c, &o)
	f := c.Flags()
	f.Uint64Var(&q.After, "after", 0, "only positions above this one")
	f.IntVar(&q.Limit, "limit", 100, "at most so many, up to 10000")
	f.StringVar(&truck, "truck", "", "only this truck")
	f.StringVar(&job, "job", "", "only this job")
	f.StringVar(&kind, "kind", "", "only this kind, such as load.collected")
	f.StringVar(&source, "source", "", "only this source, such as /truck/TM-01")
	f.StringVar(&q.ID, "id", "", "only this id")
	f.BoolVar(&asJSON, "json", false, "one JSON object a line, with the event as it was recorded")
	return c
}

func printEvents(w io.Writer, list []ledger.Stored) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "POSITION\tOCCURRED\tSOURCE\tSEQ\tKIND\tJOB\tID")
	for i := range list {
		e := &list[i].Event
		fmt.Fprintf(t, "%d\t%s\t%s\t%d\t%s\t%s\t%s\n", list[i].Position, e.Occurred, e.Source, e.Seq, e.Kind(), e.Job, e.ID)
	}
	return t.Flush()
}

func printEventsJSON(w io.Writer, list []ledger.Stored) error {
	b := bufio.NewWriter(w)
	for i := range list {
		fmt.Fprintf(b, `{"position":%d,"recorded":%q,"hash":%q,"event":%s}`+"\n", list[i].Position,
			list[i].Recorded.UTC().Format(time.RFC3339Nano), hex.EncodeToString(list[i].Hash[:]), list[i].Body)
	}
	return b.Flush()
}

func quarantineCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "quarantine",
		Short: "List, show, release or dismiss what could not be recorded",
		Long: `Messages that could not be recorded are kept whole, each under an entry number
with its reason. Release one, repaired if need be, to have it judged again;
dismiss one to note that it is not to be recorded.`,
	}
	group(c)
	c.AddCommand(quarantineList(), quarantineShow(), quarantineRelease(), quarantineDismiss())
	return c
}

func quarantineList() *cobra.Command {
	var o siteOptions
	q := ledger.QuarantineQuery{}
	c := &cobra.Command{
		Use: "list", Short: "List quarantined messages",
		Example: "  spoilbook quarantine list --all",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				list, err := b.Quarantine(ctx, q)
				if err != nil {
					return err
				}
				t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
				fmt.Fprintln(t, "ENTRY\tRECEIVED\tSTATE\tCODE\tREASON")
				for _, e := range list {
					fmt.Fprintf(t, "%d\t%s\t%s\t%s\t%s\n", e.Entry, e.Received.UTC().Format(time.RFC3339), e.State, e.Code, e.Reason)
				}
				return t.Flush()
			})
		},
	}
	addSiteFlags(c, &o)
	c.Flags().BoolVar(&q.All, "all", false, "also those released or dismissed")
	c.Flags().Uint64Var(&q.After, "after", 0, "only entries above this one")
	c.Flags().IntVar(&q.Limit, "limit", 100, "at most so many")
	return c
}

func quarantineShow() *cobra.Command {
	var o siteOptions
	var raw bool
	c := &cobra.Command{
		Use: "show ENTRY", Short: "Show a quarantined message with its reason",
		Example: `  spoilbook quarantine show 3
  spoilbook quarantine show 3 --raw > repaired.json`,
		Args: exactly(1, "an entry number"),
		RunE: func(c *cobra.Command, args []string) error {
			entry, err := entryNumber(args[0])
			if err != nil {
				return err
			}
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				list, err := b.Quarantine(ctx, ledger.QuarantineQuery{Entry: entry, All: true, Limit: 1})
				if err != nil {
					return err
				}
				if len(list) == 0 {
					return ledger.Fail(ledger.NotFound, "quarantine entry %d does not exist", entry)
				}
				return showQuarantined(c.OutOrStdout(), &list[0], raw)
			})
		},
	}
	addSiteFlags(c, &o)
	c.Flags().BoolVar(&raw, "raw", false, "only the message's bytes")
	return c
}

func showQuarantined(w io.Writer, q *ledger.Quarantined, raw bool) error {
	if raw {
		_, err := w.Write(q.Body)
		return err
	}
	fmt.Fprintf(w, "entry     %d (%s)\nreceived  %s, message %d of %s on %s\ncode      %s\nreason    %s\n", q.Entry, q.State,
		q.Received.UTC().Format(time.RFC3339), q.StreamSeq, q.Stream, q.Subject, q.Code, q.Reason)
	if q.Settled != nil {
		fmt.Fprintf(w, "settled   %s by %s at %s: %s\n", q.Settled.Action, q.Settled.Author, q.Settled.At.UTC().Format(time.RFC3339), q.Settled.Note)
	}
	text := string(q.Body)
	if !json.Valid(q.Body) {
		text = strconv.QuoteToGraphic(text) // nothing that a terminal would obey
	}
	_, err := fmt.Fprintf(w, "message   %s\n", text)
	return err
}

func quarantineRelease() *cobra.Command {
	var o siteOptions
	var repaired, author, note string
	c := &cobra.Command{
		Use: "release ENTRY", Short: "Send a quarantined message again, repaired if need be",
		Example: `  spoilbook quarantine release 3 --author "Yard office" --note "truck added to the register"
  spoilbook quarantine release 4 --repaired repaired.json --author "Yard office" --note "litres were meant"`,
		Args: exactly(1, "an entry number"),
		RunE: func(c *cobra.Command, args []string) error {
			entry, err := entryNumber(args[0])
			if err != nil {
				return err
			}
			var body []byte
			if repaired != "" {
				if body, err = os.ReadFile(repaired); err != nil {
					return ledger.Wrap(ledger.NotFound, err, "release")
				}
			}
			return withBook(c, o, writing, func(ctx context.Context, b book) error {
				ctx, cancel := context.WithTimeout(ctx, recordPatience)
				defer cancel()
				f, err := b.Release(ctx, entry, body, author, note)
				if err != nil {
					return err
				}
				printFates(c.OutOrStdout(), f, 1)
				return explainQuarantined(ctx, c.OutOrStdout(), b, f)
			})
		},
	}
	addSiteFlags(c, &o)
	c.Flags().StringVar(&repaired, "repaired", "", "`file` with the repaired event")
	addAuthorFlags(c, &author, &note)
	return c
}

func quarantineDismiss() *cobra.Command {
	var o siteOptions
	var author, note string
	c := &cobra.Command{
		Use: "dismiss ENTRY", Short: "Note that a quarantined message is not to be recorded, and why",
		Example: `  spoilbook quarantine dismiss 5 --author "Yard office" --note "test message of the fitter"`,
		Args:    exactly(1, "an entry number"),
		RunE: func(c *cobra.Command, args []string) error {
			entry, err := entryNumber(args[0])
			if err != nil {
				return err
			}
			return withBook(c, o, writing, func(ctx context.Context, b book) error {
				if err := b.Dismiss(ctx, entry, author, note); err != nil {
					return err
				}
				_, err := fmt.Fprintf(c.OutOrStdout(), "entry %d is dismissed\n", entry)
				return err
			})
		},
	}
	addSiteFlags(c, &o)
	addAuthorFlags(c, &author, &note)
	return c
}

func addAuthorFlags(c *cobra.Command, author, note *string) {
	c.Flags().StringVar(author, "author", "", "who decides this (required)")
	c.Flags().StringVar(note, "note", "", "why")
	if err := c.MarkFlagRequired("author"); err != nil {
		panic(err) // the flag is defined above
	}
}

func entryNumber(s string) (uint64, error) {
	n, err := strconv.ParseUint(s, 10, 64)
	if err != nil || n == 0 {
		return 0, &usageError{"quarantine", errors.New("an entry is a number from 1, as quarantine list shows it; found " + strconv.Quote(s))}
	}
	return n, nil
}

func versionCommand() *cobra.Command {
	return &cobra.Command{
		Use: "version", Short: "Print the program's version",
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			_, err := fmt.Fprintf(c.OutOrStdout(), "spoilbook %s\n", version)
			return err
		},
	}
}
