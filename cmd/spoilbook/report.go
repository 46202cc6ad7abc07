package main

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/ledger"
	"spoilbook/services/sheets"
)

// reportArgs are what a report command asks for, as text.
type reportArgs struct {
	name, from, to, zone string
	truck, job, client   string
	upTo                 uint64
	choices              ledger.Choices
	format, table        string
	by                   string
}

// formats lists the export formats.
func formats() []string { return []string{"xlsx", "csv", "zip", "json", "text"} }

func reportCommand() *cobra.Command {
	var o siteOptions
	var a reportArgs
	var out string
	c := &cobra.Command{
		Use:   "report NAME",
		Short: "Compute a report and write it as a workbook, CSV, JSON or text",
		Long: `Compute one of the reports manifest, water, timesplit, billable, care, stops, axles
for a period of whole local days, and write it. The same command at the same
position (--at-position) gives the same report for ever.

Formats: xlsx (a workbook), csv (one table, --table NAME; the first when left
out), zip (all tables as CSV), json, text.`,
		Example: `  spoilbook report manifest --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin -o manifest.xlsx
  spoilbook report billable --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin --client CL-QUAY --format text
  spoilbook report water --from 2026-10-05 --to 2026-10-05 --tz Europe/Dublin --truck TM-01 --format csv`,
		Args: exactly(1, "the name of a report: "+strings.Join(ledger.ReportNames(), ", ")),
		RunE: func(c *cobra.Command, args []string) error {
			a.name = args[0]
			if err := a.settle(out, c.Flags().Changed("format")); err != nil {
				return &usageError{"report", err}
			}
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				return writeOut(c.OutOrStdout(), out, func(w io.Writer) error { return b.Export(ctx, w, a) })
			})
		},
	}
	addSiteFlags(c, &o)
	addPeriodFlags(c, &a)
	addChoiceFlags(c, &a.choices)
	f := c.Flags()
	f.Uint64Var(&a.upTo, "at-position", 0, "ledger position to report at; 0 is the head")
	f.StringVar(&a.format, "format", "text", strings.Join(formats(), ", "))
	f.StringVar(&a.table, "table", "", "csv: which table")
	f.StringVar(&a.by, "by", "", "who asks, for the cover")
	f.StringVarP(&out, "output", "o", "-", "`file` to write; - is standard output")
	return c
}

// settle takes the format from the file's name when none was asked for.
func (a *reportArgs) settle(out string, formatGiven bool) error {
	if ext := strings.TrimPrefix(filepath.Ext(out), "."); !formatGiven && slices.Contains(formats(), ext) {
		a.format = ext
	}
	if !slices.Contains(formats(), a.format) {
		return fmt.Errorf("format %q does not exist; there are %s", a.format, strings.Join(formats(), ", "))
	}
	if !slices.Contains(ledger.ReportNames(), a.name) {
		return fmt.Errorf("report %q does not exist; there are %s", a.name, strings.Join(ledger.ReportNames(), ", "))
	}
	return nil
}

// query turns the texts into a report query.
func (a reportArgs) query(l *ledger.Ledger) (ledger.ReportQuery, error) {
	period, err := l.PeriodOf(a.from, a.to, a.zone)
	return ledger.ReportQuery{Name: a.name, Period: period, UpTo: a.upTo, Choices: a.choices, Filter: reports.Filter{
		Truck: events.TruckID(a.truck), Job: events.JobID(a.job), Client: events.ClientID(a.client)}}, err
}

// exportReport computes a report and writes it in the format asked for.
func exportReport(ctx context.Context, w io.Writer, l *ledger.Ledger, a reportArgs) error {
	q, err := a.query(l)
	if err != nil {
		return err
	}
	r, err := l.Report(ctx, q)
	if err != nil {
		return err
	}
	return writeReport(ctx, w, r, a.format, a.table, a.by)
}

// writeReport writes a computed report in a format.
func writeReport(ctx context.Context, w io.Writer, r *ledger.Report, format, table, by string) error {
	p := provenance(r, by)
	switch format {
	case "xlsx":
		return sheets.Workbook(ctx, w, r.Document, p, r.Cited())
	case "csv":
		if table == "" && len(r.Document.Tables) > 0 {
			table = r.Document.Tables[0].Name
		}
		err := sheets.CSV(w, r.Document, table, p)
		if !slices.ContainsFunc(r.Document.Tables, func(t reports.Table) bool { return t.Name == table }) {
			err = ledger.Wrap(ledger.NotFound, err, "table") // it names those there are
		}
		return err
	case "zip":
		return sheets.CSVZip(w, r.Document, p)
	case "json":
		return sheets.JSON(w, r.Document, p)
	case "text":
		return sheets.Text(w, r.Document, p, sheets.TextOptions{})
	}
	return ledger.Fail(ledger.BadRequest, "format %q does not exist; there are %s", format, strings.Join(formats(), ", "))
}

// provenance says what a report was computed from. Its only clock is when the
// last event covered was recorded, so the same position gives the same bytes.
func provenance(r *ledger.Report, by string) sheets.Provenance {
	p := sheets.Provenance{Period: r.Query.Period, ZoneName: r.Query.Period.Zone.String(), Position: r.Position,
		LedgerHash: r.Root, RegisterPosition: r.Journal.Book.Position(), RegisterRevisions: r.Journal.Book.Revisions(),
		Filter: r.Query.Filter, By: by, At: r.AsOf.Std().UTC(), Program: "Spoilbook " + version, Count: r.Journal.Count}
	carriers := []string{}
	for _, key := range r.Journal.Book.Keys(events.CarrierRegister) {
		if carrier, ok := r.Journal.Book.Carrier(key, r.Query.Period.To); ok {
			carriers = append(carriers, carrier.Name)
		}
	}
	p.Carrier = strings.Join(carriers, ", ")
	return p
}

// writeOut calls write with standard output, or with a file that appears under
// its name only when it is complete.
func writeOut(stdout io.Writer, path string, write func(io.Writer) error) (err error) {
	if path == "-" || path == "" {
		b := bufio.NewWriter(stdout)
		if err := write(b); err != nil {
			return err
		}
		return b.Flush()
	}
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return ledger.Wrap(ledger.BadRequest, err, "write %s", path)
	}
	tmp, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".*")
	if err != nil {
		return ledger.Wrap(ledger.BadRequest, err, "write %s", path)
	}
	defer func() {
		if err != nil {
			err = errors.Join(err, os.Remove(tmp.Name()))
		}
	}()
	b := bufio.NewWriterSize(tmp, 1<<16)
	if err := write(b); err != nil {
		return errors.Join(err, tmp.Close())
	}
	if err := errors.Join(b.Flush(), tmp.Chmod(0o644), tmp.Sync(), tmp.Close()); err != nil {
		return ledger.Wrap(ledger.BadRequest, err, "write %s", path)
	}
	return os.Rename(tmp.Name(), path)
}
