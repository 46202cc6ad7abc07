package main

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"strconv"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

func sourcesCommand() *cobra.Command {
	var o siteOptions
	var q ledger.SourceQuery
	var source, format string
	c := &cobra.Command{
		Use:   "sources",
		Short: "Say what has come of each source, what is missing since when, and what came late",
		Long: `Each source counts its events from 1, so a number that is missing below one that
has come is an event still in the source's outbox, in quarantine, or lost. It is
missing since the first event beyond it was recorded. It came late when it was
recorded after a higher number, and late by how long it was missing.

The clock is the smallest difference, recorded less occurred, among a source's
last 1000 events: its clock is behind by at most that; where it is negative, ahead
by at least that.`,
		Example: `  spoilbook sources
  spoilbook sources --source /truck/TM-01 --format json
  spoilbook sources --at-position 1000 --format csv`,
		Args: exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			write, ok := map[string]func(io.Writer, []ledger.SourceView) error{"text": sourcesText, "csv": sourcesCSV, "json": sourcesJSON}[format]
			if !ok {
				return &usageError{"sources", fmt.Errorf("format %q does not exist; there are text, csv, json", format)}
			}
			q.Source = events.Source(source)
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				list, err := b.Sources(ctx, q)
				if err != nil {
					return err
				}
				return write(c.OutOrStdout(), list)
			})
		},
	}
	addSiteFlags(c, &o)
	c.Flags().StringVar(&source, "source", "", "only this source, such as /truck/TM-01")
	c.Flags().Uint64Var(&q.UpTo, "at-position", 0, "as the ledger was at this position; 0 is the head")
	c.Flags().StringVar(&format, "format", "text", "text, csv, json")
	return c
}

func sourcesJSON(w io.Writer, list []ledger.SourceView) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	return e.Encode(map[string]any{"sources": list})
}

// sourcesText shows a line for each source, and below the ranges that are missing
// or came late.
func sourcesText(w io.Writer, list []ledger.SourceView) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "SOURCE\tLAST\tCOUNT\tMISSING\tLATE\tLONGEST LATE\tLAST HEARD\tWHAT HAPPENED AT\tCLOCK")
	for i := range list {
		v := &list[i]
		fmt.Fprintf(t, "%s\t%d\t%d\t%d\t%d\t%s\t%s\t%s\t%s\n", v.Source, v.Highest, v.Count, v.MissingNumbers, v.LateNumbers, milliseconds(v.LongestLateMS),
			second(v.LastRecorded), second(v.LastOccurred), milliseconds(v.ClockMS))
	}
	for i := range list {
		v := &list[i]
		for _, m := range v.Missing {
			fmt.Fprintf(t, "%s\tmissing %s\tsince %s\n", v.Source, span(m.From, m.To), second(m.Since))
		}
		if hidden := v.MissingRanges - len(v.Missing); hidden > 0 {
			fmt.Fprintf(t, "%s\tmissing: %d ranges more\n", v.Source, hidden)
		}
		for _, l := range v.Late {
			fmt.Fprintf(t, "%s\tlate %s\tcame %s\tafter %s\n", v.Source, span(l.From, l.To), second(l.LastCame), l.LateBy())
		}
	}
	return t.Flush()
}

// span shows a half-open range of numbers as people count.
func span(from, to uint64) string {
	if to == from+1 {
		return strconv.FormatUint(from, 10)
	}
	return fmt.Sprintf("%d to %d", from, to-1)
}

func second(t time.Time) string { return t.UTC().Format(time.RFC3339) }

func milliseconds(ms int64) string {
	if ms == 0 {
		return "0s"
	}
	return (time.Duration(ms) * time.Millisecond).String()
}

// sourcesCSV writes a row for each source and one for each of its ranges; "to" is
// the last number of a range.
func sourcesCSV(w io.Writer, list []ledger.SourceView) error {
	c := csv.NewWriter(w)
	number := func(n uint64) string { return strconv.FormatUint(n, 10) }
	exact := func(t time.Time) string { return t.UTC().Format(time.RFC3339Nano) }
	rows := [][]string{{"source", "what", "from", "to", "numbers", "since", "came", "late_ms", "last_recorded", "last_occurred", "clock_ms"}}
	for i := range list {
		v := &list[i]
		rows = append(rows, []string{string(v.Source), "recorded", "1", number(v.Highest), number(v.Count), "", "", strconv.FormatInt(v.LongestLateMS, 10),
			exact(v.LastRecorded), exact(v.LastOccurred), strconv.FormatInt(v.ClockMS, 10)})
		for _, m := range v.Missing {
			rows = append(rows, []string{string(v.Source), "missing", number(m.From), number(m.To - 1), number(m.To - m.From), exact(m.Since), "", "", "", "", ""})
		}
		for _, l := range v.Late {
			rows = append(rows, []string{string(v.Source), "late", number(l.From), number(l.To - 1), number(l.To - l.From), exact(l.Since), exact(l.LastCame),
				strconv.FormatInt(l.LateBy().Milliseconds(), 10), "", "", ""})
		}
	}
	return c.WriteAll(rows)
}
