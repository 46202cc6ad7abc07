package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/cells"
	"spoilbook/reports/paper"
	regbook "spoilbook/reports/register"
	"spoilbook/services/ledger"
	"spoilbook/services/sheets"
)

func sheetCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "sheet",
		Short: "Make forms for paper and spreadsheets: a day sheet, dockets and meter readings",
		Long: `Write a workbook that is printed and filled in by pen, or filled in as it is, with
lists of what the register has. What was filled in is recorded with spoilbook emit.`,
	}
	group(c)
	c.AddCommand(sheetOf("day", "Write the form of a day sheet of one truck: loads, decants, tips, refills, hours, stops", paper.Day),
		sheetOf("dockets", "Write the form of weighbridge dockets and meter readings", paper.Dockets))
	return c
}

type formOf = func(*regbook.Book, events.Time, paper.Prefill) *cells.Form

func sheetOf(name, short string, form formOf) *cobra.Command {
	var o siteOptions
	var p paper.Prefill
	var out, truck, driver string
	c := &cobra.Command{
		Use: name, Short: short,
		Example: "  spoilbook sheet " + name + " --tz Europe/Dublin -o " + name + ".xlsx",
		Args:    exactly(0, "no arguments"),
		RunE: func(c *cobra.Command, _ []string) error {
			p.Truck, p.Operator = events.TruckID(truck), events.OperatorID(driver)
			at, err := formTime(p)
			if err != nil {
				return err
			}
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				known, _, err := recordedRegister(ctx, b)
				if err != nil {
					return err
				}
				if truck != "" && !known.Known(events.TruckRegister, truck) {
					return ledger.Fail(ledger.NotFound, "truck: the register has no %q; it has %s", truck, strings.Join(known.Keys(events.TruckRegister), ", "))
				}
				f := form(known, at, p)
				return writeOut(c.OutOrStdout(), out, func(w io.Writer) error { return sheets.Form(ctx, w, f) })
			})
		},
	}
	addSiteFlags(c, &o)
	f := c.Flags()
	f.StringVar(&p.Zone, "tz", envOr("SPOILBOOK_TZ", "UTC"), "time `zone` of the times on the sheet, such as Europe/Dublin")
	f.StringVarP(&out, "out", "o", name+".xlsx", "workbook `file`, - for standard output")
	f.StringVar(&p.Date, "date", "", "`day` for which the lists are made, such as 2026-10-05; today when empty")
	if name == "day" {
		f.StringVar(&truck, "truck", "", "`truck` that stands at the head")
		f.StringVar(&driver, "driver", "", "`operator` that stands at the head")
	}
	return c
}

// formTime is the time of which the register's names are offered.
func formTime(p paper.Prefill) (events.Time, error) {
	zone, err := time.LoadLocation(p.Zone)
	if err != nil {
		return events.Time{}, ledger.Fail(ledger.BadRequest, "--tz: found %q; allowed: a time zone of the tz database, such as Europe/Dublin", p.Zone)
	}
	if p.Date == "" {
		return events.TimeOf(time.Now().In(zone)), nil
	}
	day, err := time.ParseInLocation(time.DateOnly, p.Date, zone)
	if err != nil {
		return events.Time{}, ledger.Fail(ledger.BadRequest, "--date: found %q; allowed: a day such as 2026-10-05", p.Date)
	}
	return events.TimeOf(day.Add(12 * time.Hour)), nil
}

// paperOptions are the flags of emit that are for workbooks.
type paperOptions struct {
	zone, author, reason string
	evenSo, look, void   bool
}

func (p *paperOptions) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&p.zone, "tz", envOr("SPOILBOOK_TZ", "UTC"), "time `zone` of a workbook that names none, such as Europe/Dublin")
	f.StringVar(&p.author, "author", "", "who answers for the corrections of a workbook")
	f.StringVar(&p.reason, "reason", "", "why lines of a workbook that say something else than before are corrected")
	f.BoolVar(&p.evenSo, "even-so", false, "record lines of a workbook also where others recorded the same, as it seems")
	f.BoolVar(&p.void, "void-gone", false, "void what the same sheets of a workbook said before and say no longer, with --reason")
	f.BoolVar(&p.look, "look", false, "only say what recording a workbook would do")
}

func isWorkbook(path string) bool { return strings.HasSuffix(strings.ToLower(path), ".xlsx") }

// readWorkbook reads the cells of a workbook, which is small.
func readWorkbook(path string) (*cells.Workbook, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, ledger.Wrap(ledger.NotFound, err, "workbook")
	}
	defer f.Close()
	content, err := io.ReadAll(io.LimitReader(f, sheets.MaxReadBytes+1))
	if err != nil {
		return nil, ledger.Wrap(ledger.BadRequest, err, "workbook")
	}
	wb, err := sheets.Read(content)
	return wb, ledger.Wrap(ledger.BadRequest, err, "workbook %s", path)
}

// emitWorkbook records what stands in a workbook, or says what that would do.
func emitWorkbook(ctx context.Context, b book, path string, p paperOptions, wait time.Duration, stdout io.Writer) error {
	wb, err := readWorkbook(path)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	entry := ledger.PaperEntry{Workbook: wb, Zone: p.zone, Author: p.author, Reason: p.reason, EvenSo: p.evenSo, VoidGone: p.void}
	if entry.Reason != "" && strings.TrimSpace(entry.Author) == "" {
		return ledger.Fail(ledger.BadRequest, "--author: say who corrects the lines")
	}
	if p.look {
		plan, err := ledger.PlanPaper(ctx, b, entry, time.Now())
		if err == nil {
			printPlan(stdout, plan)
		}
		return err
	}
	plan, f, err := ledger.RecordPaper(ctx, b, entry, time.Now())
	if plan != nil && err != nil {
		printPlan(stdout, plan)
	}
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "%d entries on the sheets: %d new, %d duplicate, %d corrected\n", len(plan.Lines), plan.Count(ledger.PaperNew), plan.Count(ledger.PaperSame), plan.Count(ledger.PaperChanged))
	switch {
	case len(plan.Gone) > 0 && p.void:
		fmt.Fprintf(stdout, "%d entries that stand on the sheets no longer are voided\n", len(plan.Gone))
	case len(plan.Gone) > 0:
		fmt.Fprintf(stdout, "%d entries that were recorded before stand on the sheets no longer; they stay until they are voided\n", len(plan.Gone))
	}
	if len(plan.Events()) > 0 {
		fmt.Fprintf(stdout, "%d recorded; the ledger stands at position %d\n", f.Recorded, f.Position)
	}
	return explainQuarantined(ctx, stdout, b, f)
}

// printPlan says of each line what recording it would do.
func printPlan(w io.Writer, plan *ledger.PaperPlan) {
	for i := range plan.Lines {
		l := &plan.Lines[i]
		tell := paper.Teller{Say: fmt.Sprintf, Measures: reports.Metric(), Zone: l.Event.Occurred.Std().Location()}
		fmt.Fprintf(w, "%-8s %s %s: %s %s\n", l.State, l.Sheet, l.Label, l.Event.Truck, tell.Describe(&l.Event))
		if l.State == ledger.PaperChanged {
			fmt.Fprintf(w, "         recorded now: %s\n", tell.Describe(&l.Was.Event))
		}
		for k := range l.Twice {
			fmt.Fprintf(w, "         recorded by %s already: %s\n", l.Twice[k].Source, tell.Describe(&l.Twice[k].Event))
		}
	}
}
