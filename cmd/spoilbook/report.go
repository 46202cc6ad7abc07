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
	"spoilbook/reports/billable"
	"spoilbook/services/api"
	"spoilbook/services/ledger"
	"spoilbook/services/sheets"
	"spoilbook/services/tongue"
	"spoilbook/services/web"
)

// reportArgs are what a report command asks for, as text.
type reportArgs struct {
	name, from, to, zone string
	truck, job, client   string
	upTo                 uint64
	choices              ledger.Choices
	api.Form
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
out), zip (all tables as CSV), json, text. Of billable, csv with --table accounts is
for accounting systems. A workbook says in its sheet Workings how
each line came about, step by step; --workings adds that to json, zip and csv.

--spoil-unit, --water-unit, --mass-unit and --language change how the report is shown
and nothing else; the keys of columns in csv and json end in their unit.`,
		Example: `  spoilbook report manifest --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin -o manifest.xlsx
  spoilbook report billable --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin --client C-ORLATH --format text
  spoilbook report billable --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin --format csv --table accounts -o october.csv
  spoilbook report water --from 2026-10-05 --to 2026-10-05 --tz Europe/Dublin --truck TM-01 --format csv
  spoilbook report manifest --from 2026-10-01 --to 2026-10-31 --tz Europe/Dublin --spoil-unit yd3 --mass-unit short-ton --language de -o manifest.xlsx`,
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
	addMannerFlags(c, &a)
	f := c.Flags()
	f.Uint64Var(&a.upTo, "at-position", 0, "ledger position to report at; 0 is the head")
	f.StringVar(&a.Format, "format", "text", strings.Join(formats(), ", "))
	f.StringVar(&a.Table, "table", "", "csv: which table")
	f.StringVar(&a.By, "by", "", "who asks, for the cover")
	f.BoolVar(&a.Workings, "workings", false, "json, zip, csv: say how each line came about as well (csv: in table Workings)")
	f.StringVarP(&out, "output", "o", "-", "`file` to write; - is standard output")
	return c
}

// settle takes the format from the file's name when none was asked for.
func (a *reportArgs) settle(out string, formatGiven bool) error {
	if ext := strings.TrimPrefix(filepath.Ext(out), "."); !formatGiven && slices.Contains(formats(), ext) {
		a.Format = ext
	}
	if !slices.Contains(formats(), a.Format) {
		return fmt.Errorf("format %q does not exist; there are %s", a.Format, strings.Join(formats(), ", "))
	}
	if !slices.Contains(ledger.ReportNames(), a.name) {
		return fmt.Errorf("report %q does not exist; there are %s", a.name, strings.Join(ledger.ReportNames(), ", "))
	}
	if a.Workings && a.Format == "text" {
		return errors.New("text does not hold the workings; choose json, zip, csv or xlsx, or explain one line with spoilbook explain")
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
	return writeReport(ctx, w, r, a.Form)
}

// writeReport writes a computed report.
func writeReport(ctx context.Context, w io.Writer, r *ledger.Report, f api.Form) error {
	measures, err := measuresOf(f)
	if err != nil {
		return err
	}
	p, d := provenance(r, f.By), r.Document.Measured(measures)
	p.Tongue = tongue.Of(f.Language)
	if f.Workings && (f.Format == "csv" || f.Format == "zip") {
		d.Tables = append(slices.Clone(d.Tables), sheets.WorkingsTable(d, r.Explainer()))
	}
	if bills, ok := r.Computed.(*billable.Report); ok && f.Format == "csv" && f.Table == billable.AccountsTable {
		d.Tables = append(slices.Clone(d.Tables), bills.Accounts())
	}
	switch f.Format {
	case "xlsx":
		return sheets.Workbook(ctx, w, d, p, sheets.Behind{Cited: r.Cited(), Workings: r.Explainer()})
	case "csv":
		if f.Table == "" && len(d.Tables) > 0 {
			f.Table = d.Tables[0].Name
		}
		err := sheets.CSV(w, d, f.Table, p)
		if !slices.ContainsFunc(d.Tables, func(t reports.Table) bool { return t.Name == f.Table }) {
			err = ledger.Wrap(ledger.NotFound, err, "table") // it names those there are
		}
		return err
	case "zip":
		return sheets.CSVZip(w, d, p)
	case "json":
		if f.Workings {
			return sheets.JSONWithWorkings(w, d, p, r.Explainer())
		}
		return sheets.JSON(w, d, p)
	case "text":
		return sheets.Text(w, d, p, sheets.TextOptions{})
	}
	return ledger.Fail(ledger.BadRequest, "format %q does not exist; there are %s", f.Format, strings.Join(formats(), ", "))
}

// exportPicked writes what somebody picked on a page.
func exportPicked(ctx context.Context, w io.Writer, r *ledger.Report, e web.Export) error {
	return writeReport(ctx, w, r, api.Form{Format: e.Format, By: e.By, SpoilUnit: e.SpoilUnit, WaterUnit: e.WaterUnit, MassUnit: e.MassUnit, Language: e.Language})
}

// measuresOf reads the units that a form names.
func measuresOf(f api.Form) (reports.Measures, error) {
	m, err := reports.MeasuresNamed(f.SpoilUnit, f.WaterUnit, f.MassUnit)
	if err == nil && f.Language != "" && !slices.Contains(tongue.Codes(), f.Language) {
		err = fmt.Errorf("language: found %.20q; allowed: %s", f.Language, strings.Join(tongue.Codes(), ", "))
	}
	return m, ledger.Wrap(ledger.BadRequest, err, "report")
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
