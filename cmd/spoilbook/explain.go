package main

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"unicode/utf8"

	"github.com/spf13/cobra"

	"spoilbook/reports"
	"spoilbook/services/ledger"
)

// Explain says here how a line came about.
func (o opened) Explain(ctx context.Context, a reportArgs, line string) (reports.Explanation, error) {
	q, err := a.query(o.Ledger)
	if err != nil {
		return reports.Explanation{}, err
	}
	return o.Ledger.Explain(ctx, q, a.Table, line)
}

// Lines lists here the lines that can be explained.
func (o opened) Lines(ctx context.Context, a reportArgs) ([]ledger.LineKey, error) {
	q, err := a.query(o.Ledger)
	if err != nil {
		return nil, err
	}
	return o.Ledger.Lines(ctx, q)
}

// Explain asks the server how a line came about.
func (r remote) Explain(ctx context.Context, a reportArgs, line string) (reports.Explanation, error) {
	q := a.values()
	q.Set("line", line)
	return r.Client.Explain(ctx, a.name, q)
}

// Lines asks the server for the lines that can be explained.
func (r remote) Lines(ctx context.Context, a reportArgs) ([]ledger.LineKey, error) {
	return r.Client.Lines(ctx, a.name, a.values())
}

func explainCommand() *cobra.Command {
	var o siteOptions
	var a reportArgs
	var list bool
	var format string
	c := &cobra.Command{
		Use:   "explain REPORT [LINE]",
		Short: "Say how a line of a report came about, step by step",
		Long: `Say how one line of a report came about: the events that it rests on, the
register as it read, the rules with their sources, and each step of arithmetic,
so that anybody can redo it with a calculator. --list lists the lines that can be
explained, each with the key to give as LINE.`,
		Example: `  spoilbook explain billable --from 2026-10-05 --to 2026-10-05 --tz Europe/Dublin --list
  spoilbook explain timesplit TM-01/2026-10-05T05:00:00.000Z --from 2026-10-05 --to 2026-10-05 --tz Europe/Dublin`,
		Args: func(c *cobra.Command, args []string) error {
			if want := 2; len(args) == want && !list || len(args) == 1 && list {
				return nil
			}
			return &usageError{c.Name(), fmt.Errorf("explain takes the name of a report and the key of a line, or only the report with --list; found %d arguments", len(args))}
		},
		RunE: func(c *cobra.Command, args []string) error {
			switch a.name = args[0]; {
			case !slices.Contains(ledger.ReportNames(), a.name):
				return &usageError{"explain", fmt.Errorf("report %q does not exist; there are %s", a.name, strings.Join(ledger.ReportNames(), ", "))}
			case format != "text" && format != "json":
				return &usageError{"explain", fmt.Errorf("format %q does not exist; there are text, json", format)}
			}
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				if list {
					return listLines(ctx, c.OutOrStdout(), b, a, format)
				}
				return explainLine(ctx, c.OutOrStdout(), b, a, args[1], format)
			})
		},
	}
	addSiteFlags(c, &o)
	addPeriodFlags(c, &a)
	addChoiceFlags(c, &a.choices)
	f := c.Flags()
	f.Uint64Var(&a.upTo, "at-position", 0, "ledger position to report at; 0 is the head")
	f.StringVar(&a.Table, "table", "", "the line's table; the first that has such a line when left out")
	f.BoolVar(&list, "list", false, "list the lines that can be explained")
	f.StringVar(&format, "format", "text", "text, json")
	return c
}

func listLines(ctx context.Context, w io.Writer, b book, a reportArgs, format string) error {
	list, err := b.Lines(ctx, a)
	if err != nil {
		return err
	}
	if format == "json" {
		return encodeJSON(w, list)
	}
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "TABLE\tLINE\tSHOWS")
	for _, l := range list {
		if a.Table == "" || l.Table == a.Table {
			fmt.Fprintf(t, "%s\t%s\t%s\n", l.Table, l.Key, l.Shows)
		}
	}
	return t.Flush()
}

func encodeJSON(w io.Writer, v any) error {
	e := json.NewEncoder(w)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	return e.Encode(v)
}

func explainLine(ctx context.Context, w io.Writer, b book, a reportArgs, line, format string) error {
	e, err := b.Explain(ctx, a, line)
	if err != nil {
		return err
	}
	if format == "json" {
		return encodeJSON(w, ledger.ViewOf(e))
	}
	printExplanation(w, &e)
	return printCited(ctx, w, b, e.Cites)
}

// textWidth is how wide sentences are set.
const textWidth = 100

func printExplanation(w io.Writer, e *reports.Explanation) {
	fmt.Fprintf(w, "%s: %s, line %s\n\n", e.Report, e.Table, e.Key)
	printWrapped(w, "", e.Says)
	if len(e.Register) > 0 {
		fmt.Fprint(w, "\nThe register said\n")
	}
	for _, u := range e.Register {
		printWrapped(w, "  ", fmt.Sprintf("%s %s, since %s (event %d): %s", u.Register, u.Key, u.From, u.Position, u.Reads))
	}
	if len(e.Rules) > 0 {
		fmt.Fprint(w, "\nRules\n")
	}
	for _, r := range e.Rules {
		printWrapped(w, "  ", fmt.Sprintf("%s [%s]", r.Rule, r.Source))
	}
	if len(e.Steps) > 0 {
		fmt.Fprint(w, "\nArithmetic\n")
	}
	for i, s := range e.Steps {
		printWrapped(w, "  ", fmt.Sprintf("%d. %s%s", i+1, s.What, resting(s.Cites)))
		switch {
		case s.Arithmetic != "" && s.Result != "":
			printWrapped(w, "       ", s.Arithmetic+" = "+s.Result)
		case s.Arithmetic+s.Result != "":
			printWrapped(w, "       ", s.Arithmetic+s.Result)
		}
	}
}

func resting(cites []uint64) string {
	switch len(cites) {
	case 0:
		return ""
	case 1:
		return fmt.Sprintf(" (event %d)", cites[0])
	}
	return " (events " + strings.Trim(strings.ReplaceAll(fmt.Sprint(cites), " ", ", "), "[]") + ")"
}

// printWrapped sets a text in lines, each after indent and those that follow the
// first a little further in.
func printWrapped(w io.Writer, indent, text string) {
	line := indent
	for i, word := range strings.Fields(text) {
		if i > 0 && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > textWidth {
			fmt.Fprintln(w, line)
			line = indent + "  "
		} else if i > 0 {
			line += " "
		}
		line += word
	}
	fmt.Fprintln(w, line)
}

// maxCited is how many events are named one by one.
const maxCited = 60

// printCited names the events that an explanation rests on.
func printCited(ctx context.Context, w io.Writer, b book, cites []uint64) error {
	if len(cites) == 0 {
		return nil
	}
	fmt.Fprint(w, "\nEvents it rests on\n")
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, p := range cites[:min(len(cites), maxCited)] {
		list, err := b.Events(ctx, ledger.EventQuery{After: p - 1, Limit: 1})
		if err != nil {
			return err
		}
		if len(list) == 1 && list[0].Position == p {
			e := &list[0].Event
			fmt.Fprintf(t, "  %d\t%s\t%s\t%s\t%s\t%s\n", p, e.Occurred, e.Kind(), e.Source, e.Job, e.ID)
		}
	}
	if more := len(cites) - maxCited; more > 0 {
		fmt.Fprintf(t, "  and %d more\n", more)
	}
	return t.Flush()
}
