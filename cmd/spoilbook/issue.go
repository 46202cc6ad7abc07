package main

import (
	"context"
	"fmt"
	"io"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/reports"
	"spoilbook/reports/manifest"
	"spoilbook/reports/workrest"
	"spoilbook/services/api"
	"spoilbook/services/ledger"
	"spoilbook/services/tongue"
)

// addPeriodFlags adds the flags that say which days and whose a report is about.
func addPeriodFlags(c *cobra.Command, a *reportArgs) {
	f := c.Flags()
	f.StringVar(&a.from, "from", "", "first `day`, such as 2026-10-01")
	f.StringVar(&a.to, "to", "", "last `day`, included")
	f.StringVar(&a.zone, "tz", "", "time `zone` of the days, such as Europe/Dublin")
	f.StringVar(&a.truck, "truck", "", "only this truck")
	f.StringVar(&a.job, "job", "", "only this job")
	f.StringVar(&a.client, "client", "", "only this client")
	for _, name := range []string{"from", "to", "tz"} {
		if err := c.MarkFlagRequired(name); err != nil {
			panic(err) // the flag is defined above
		}
	}
}

// addChoiceFlags adds the flags that say how a report is computed.
func addChoiceFlags(c *cobra.Command, o *ledger.Choices) {
	f := c.Flags()
	profiles := []string{}
	for _, p := range manifest.Profiles() {
		profiles = append(profiles, string(p))
	}
	f.StringVar(&o.Profile, "profile", "", "manifest: completeness `profile`: "+strings.Join(profiles, ", "))
	f.StringVar(&o.Rest, "rest", "", "timesplit: `rules` of work and rest: "+strings.Join(workrest.Names(), ", "))
	f.StringVar(&o.Allocation, "allocation", "", "how a tip is shared over the loads in the tank: "+strings.Join(ledger.Allocations(), ", ")+"; not for care and stops")
	f.StringVar(&o.AxleRule, "axle-rule", "", "axles: what axles are held against: "+strings.Join(ledger.AxleRules(), ", ")+" (the US bridge formula too)")
	f.Int64Var(&o.AltitudeM, "altitude-m", 0, "care: altitude of the sites in `metres` above sea level, for the deepest vacuum there can be")
}

// addMannerFlags adds the flags that say how a report is shown.
func addMannerFlags(c *cobra.Command, a *reportArgs) {
	f := c.Flags()
	f.StringVar(&a.SpoilUnit, "spoil-unit", "", "`unit` of volumes of spoil: "+strings.Join(reports.UnitNames(reports.SpoilUnits()), ", "))
	f.StringVar(&a.WaterUnit, "water-unit", "", "`unit` of volumes of water: "+strings.Join(reports.UnitNames(reports.WaterUnits()), ", "))
	f.StringVar(&a.MassUnit, "mass-unit", "", "`unit` of masses: "+strings.Join(reports.UnitNames(reports.MassUnits()), ", "))
	f.StringVar(&a.Language, "language", "", "`language` of titles, headings and notes: "+strings.Join(tongue.Codes(), ", "))
}

// values writes what is asked for as the query of an address; empty members are left
// out.
func (a reportArgs) values() url.Values {
	q := url.Values{}
	for _, p := range [][2]string{{"from", a.from}, {"to", a.to}, {"tz", a.zone}, {"truck", a.truck}, {"job", a.job}, {"client", a.client},
		{"profile", a.choices.Profile}, {"rest", a.choices.Rest}, {"allocation", a.choices.Allocation}, {"axle-rule", a.choices.AxleRule}, {"format", a.Format}, {"table", a.Table}, {"by", a.By},
		{"spoil-unit", a.SpoilUnit}, {"water-unit", a.WaterUnit}, {"mass-unit", a.MassUnit}, {"language", a.Language}, {"at-position", fmt.Sprint(a.upTo)}} {
		if p[1] != "" {
			q.Set(p[0], p[1])
		}
	}
	if a.Workings {
		q.Set("workings", "true")
	}
	if a.choices.AltitudeM != 0 {
		q.Set("altitude-m", fmt.Sprint(a.choices.AltitudeM))
	}
	return q
}

// digested writes what an issued report's digest is taken of: its export as JSON.
func digested(ctx context.Context, w io.Writer, r *ledger.Report) error {
	return writeReport(ctx, w, r, api.Form{Format: "json"})
}

// Issue computes a report here and records that it was given out.
func (o opened) Issue(ctx context.Context, a reportArgs, number, author string) (ledger.Issued, error) {
	q, err := a.query(o.Ledger)
	if err != nil {
		return ledger.Issued{}, err
	}
	return o.Ledger.Issue(ctx, q, number, author, digested)
}

// ExportAdjustment compares an issued report here and writes the difference.
func (o opened) ExportAdjustment(ctx context.Context, w io.Writer, number string, a reportArgs) error {
	r, err := o.Adjustment(ctx, number, a.upTo, digested)
	if err != nil {
		return err
	}
	return writeReport(ctx, w, r, a.Form)
}

// Issue has the server compute a report and record that it was given out.
func (r remote) Issue(ctx context.Context, a reportArgs, number, author string) (ledger.Issued, error) {
	return r.Client.Issue(ctx, a.name, a.values(), number, author)
}

// ExportAdjustment has the server compare an issued report.
func (r remote) ExportAdjustment(ctx context.Context, w io.Writer, number string, a reportArgs) error {
	return r.Client.ExportAdjustment(ctx, w, number, a.values())
}

func issueCommand() *cobra.Command {
	var o siteOptions
	var a reportArgs
	var number, author string
	c := &cobra.Command{
		Use:   "issue REPORT",
		Short: "Give a report out under a number that it keeps",
		Long: `Compute a report as the ledger stands and record that it was given out: its
number, the position that it covers, what was chosen for it (profile, rules,
allocation) and the SHA-256 digest of its export as JSON.
What comes later does not change it; spoilbook adjustment says what an invoice
would be now, and why.`,
		Example: `  spoilbook issue billable --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin --client C-ORLATH --number INV-1 --author "Yard office"`,
		Args:    exactly(1, "the name of a report: "+strings.Join(ledger.ReportNames(), ", ")),
		RunE: func(c *cobra.Command, args []string) error {
			if a.name = args[0]; !slices.Contains(ledger.ReportNames(), a.name) {
				return &usageError{"issue", fmt.Errorf("report %q does not exist; there are %s", a.name, strings.Join(ledger.ReportNames(), ", "))}
			}
			return withBook(c, o, writing, func(ctx context.Context, b book) error {
				ctx, cancel := context.WithTimeout(ctx, recordPatience)
				defer cancel()
				issued, err := b.Issue(ctx, a, number, author)
				if err != nil {
					return err
				}
				_, err = fmt.Fprintf(c.OutOrStdout(), "%s is issued: %s up to position %d, recorded at position %d\nSHA-256 of its JSON at that position: %s\n",
					issued.Number, issued.Report, issued.Position, issued.EventPosition, issued.Digest)
				return err
			})
		},
	}
	addSiteFlags(c, &o)
	addPeriodFlags(c, &a)
	addChoiceFlags(c, &a.choices)
	c.Flags().StringVar(&number, "number", "", "the report's `number`: letters, digits, dots, _ and -")
	c.Flags().StringVar(&author, "author", "", "who issues it")
	for _, name := range []string{"number", "author"} {
		if err := c.MarkFlagRequired(name); err != nil {
			panic(err) // the flag is defined above
		}
	}
	return c
}

func issuedCommand() *cobra.Command {
	var o siteOptions
	c := &cobra.Command{
		Use: "issued", Short: "List the reports that were given out",
		Example: "  spoilbook issued --data ./spoilbook-data",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				list, err := b.IssuedReports(ctx)
				if err != nil {
					return err
				}
				t := tabwriter.NewWriter(c.OutOrStdout(), 0, 0, 2, ' ', 0)
				fmt.Fprintln(t, "NUMBER\tREPORT\tCLIENT\tJOB\tTRUCK\tFROM\tTO\tPOSITION\tISSUED\tBY\tCHOSEN")
				for i := range list {
					r := &list[i]
					fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%d\t%s\t%s\t%s\n", r.Number, r.Report, r.Client, r.Job, r.Truck, r.From, r.To, r.Position, r.At.Std().Format(time.RFC3339), r.Author, r.Choices())
				}
				return t.Flush()
			})
		},
	}
	addSiteFlags(c, &o)
	return c
}

func adjustmentCommand() *cobra.Command {
	var o siteOptions
	var a reportArgs
	var out string
	c := &cobra.Command{
		Use:   "adjustment NUMBER",
		Short: "Say what has become of an issued invoice since, and why",
		Long: `Compare an issued billable report with the same query at a later position, line
by line: added, removed and changed lines with both amounts, the difference of the
tax, the total, and the events that brought it about. The issued report stays as
it is.`,
		Example: `  spoilbook adjustment INV-1
  spoilbook adjustment INV-1 -o adjustment.xlsx`,
		Args: exactly(1, "the number of an issued report"),
		RunE: func(c *cobra.Command, args []string) error {
			if ext := strings.TrimPrefix(filepath.Ext(out), "."); !c.Flags().Changed("format") && slices.Contains(formats(), ext) {
				a.Format = ext
			}
			if !slices.Contains(formats(), a.Format) {
				return &usageError{"adjustment", fmt.Errorf("format %q does not exist; there are %s", a.Format, strings.Join(formats(), ", "))}
			}
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				return writeOut(c.OutOrStdout(), out, func(w io.Writer) error { return b.ExportAdjustment(ctx, w, args[0], a) })
			})
		},
	}
	addSiteFlags(c, &o)
	addMannerFlags(c, &a)
	f := c.Flags()
	f.Uint64Var(&a.upTo, "at-position", 0, "ledger position to compare at; 0 is the head")
	f.StringVar(&a.Format, "format", "text", strings.Join(formats(), ", "))
	f.StringVar(&a.Table, "table", "", "csv: which table")
	f.StringVar(&a.By, "by", "", "who asks, for the cover")
	f.StringVarP(&out, "output", "o", "-", "`file` to write; - is standard output")
	return c
}
