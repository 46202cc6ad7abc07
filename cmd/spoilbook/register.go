package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"spoilbook/events"
	regbook "spoilbook/reports/register"
	"spoilbook/services/ledger"
	"spoilbook/services/register"
	"spoilbook/services/sheets"
)

// registerDesk is the office desk that counts register revisions.
const registerDesk = ledger.RegisterDesk

func registerCommand() *cobra.Command {
	c := &cobra.Command{
		Use:   "register",
		Short: "Load the register from YAML files or a workbook, check them, or write it out",
		Long: `The register says what trucks, jobs, clients, materials, facilities, water
sources, outfalls and rate cards are, each entry from a time on. It is kept as
YAML files or as a workbook, and recorded in the ledger as register revised events, so that the
ledger alone reproduces a report. Loading files again records only what changed.`,
	}
	group(c)
	c.AddCommand(registerLoad(), registerCheck(), registerWrite(), registerHolidays())
	return c
}

func registerLoad() *cobra.Command {
	var o siteOptions
	var w registerWorkbook
	c := &cobra.Command{
		Use: "load DIR", Short: "Record what changed in a folder of register files, or in a workbook",
		Example: "  spoilbook register load ./register --data ./spoilbook-data\n  spoilbook register load register.xlsx --author \"Yard office\" --tz Europe/Dublin",
		Args:    exactly(1, "a folder, or a workbook"),
		RunE: func(c *cobra.Command, args []string) error {
			return withBook(c, o, writing, func(ctx context.Context, b book) error {
				return loadRegister(ctx, b, args[0], w, c.OutOrStdout())
			})
		},
	}
	addSiteFlags(c, &o)
	w.flags(c)
	return c
}

// registerWorkbook is what a workbook of the register does not say itself.
type registerWorkbook struct{ author, zone string }

func (w *registerWorkbook) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&w.author, "author", "", "who answers for entries of a workbook that name nobody")
	f.StringVar(&w.zone, "tz", envOr("SPOILBOOK_TZ", "UTC"), "time `zone` of days in a workbook, such as Europe/Dublin")
}

// read reads a workbook, or a folder of files.
func (w registerWorkbook) read(path string, known *regbook.Book) ([]events.RegisterRevised, error) {
	if !isWorkbook(path) {
		return register.Loader{Known: known}.Read(os.DirFS(path))
	}
	zone, err := time.LoadLocation(w.zone)
	if err != nil {
		return nil, ledger.Fail(ledger.BadRequest, "--tz: found %q; allowed: a time zone of the tz database, such as Europe/Dublin", w.zone)
	}
	wb, err := readWorkbook(path)
	if err != nil {
		return nil, err
	}
	return register.Loader{Known: known}.Workbook(wb, w.author, zone)
}

// loadRegister submits the revisions of dir that the ledger does not have, and
// waits until they are recorded.
func loadRegister(ctx context.Context, b book, dir string, w registerWorkbook, stdout io.Writer) error {
	known, last, err := recordedRegister(ctx, b)
	if err != nil {
		return err
	}
	revisions, err := w.read(dir, known)
	if err != nil {
		return ledger.Wrap(ledger.BadRequest, err, "register files in %s", dir)
	}
	changed, err := register.Changed(revisions, known)
	if err != nil {
		return ledger.Wrap(ledger.BadRequest, err, "register files in %s", dir)
	}
	list, err := register.Events(changed, known, registerDesk, last+1, events.TimeOf(time.Now()))
	if err != nil {
		return ledger.Wrap(ledger.BadRequest, err, "register files in %s", dir)
	}
	msgs, err := ledger.MessagesOf(list)
	if err != nil {
		return err
	}
	fmt.Fprintf(stdout, "%d entries read, %d changed\n", len(revisions), len(changed))
	if len(msgs) == 0 {
		return nil
	}
	t, err := b.Submit(ctx, msgs)
	if err != nil {
		return err
	}
	ctx, cancel := context.WithTimeout(ctx, recordPatience)
	defer cancel()
	f, err := b.Await(ctx, t)
	if err != nil {
		return err
	}
	printFates(stdout, f, len(msgs))
	return explainQuarantined(ctx, stdout, b, f)
}

// recordedRegister reads the register from the ledger, with the last number that
// its desk has counted.
func recordedRegister(ctx context.Context, b book) (*regbook.Book, uint64, error) {
	q := ledger.EventQuery{Kind: events.KindRegisterRevised, Limit: ledger.MaxPage}
	var all []events.Recorded
	var last uint64
	for {
		list, err := b.Events(ctx, q)
		if err != nil {
			return nil, 0, err
		}
		for i := range list {
			all = append(all, events.Recorded{Event: list[i].Event, Position: list[i].Position})
			if list[i].Event.Source == events.OfficeSource(registerDesk) {
				last = max(last, list[i].Event.Seq)
			}
		}
		if len(list) < q.Limit {
			return regbook.NewBook(all), last, nil
		}
		q.After = list[len(list)-1].Position
	}
}

func registerCheck() *cobra.Command {
	var w registerWorkbook
	c := &cobra.Command{
		Use: "check DIR", Short: "Check register files, or a workbook, without recording anything",
		Example: "  spoilbook register check ./register",
		Args:    exactly(1, "a folder, or a workbook"),
		RunE: func(c *cobra.Command, args []string) error {
			revisions, err := w.read(args[0], nil)
			if err != nil {
				return ledger.Wrap(ledger.BadRequest, err, "register files in %s", args[0])
			}
			_, err = fmt.Fprintf(c.OutOrStdout(), "%d entries, nothing wrong\n", len(revisions))
			return err
		},
	}
	w.flags(c)
	return c
}

func registerWrite() *cobra.Command {
	var o siteOptions
	c := &cobra.Command{
		Use: "write DIR", Short: "Write the recorded register as YAML files, or as a workbook",
		Example: "  spoilbook register write ./register-copy\n  spoilbook register write register.xlsx",
		Args:    exactly(1, "a folder, or a workbook"),
		RunE: func(c *cobra.Command, args []string) error {
			return withBook(c, o, reading, func(ctx context.Context, b book) error {
				known, _, err := recordedRegister(ctx, b)
				if err != nil {
					return err
				}
				if isWorkbook(args[0]) {
					form, err := register.Workbook(register.Standing(known))
					if err != nil {
						return err
					}
					return writeOut(c.OutOrStdout(), args[0], func(w io.Writer) error { return sheets.Form(ctx, w, form) })
				}
				files, err := register.Write(register.Standing(known))
				if err != nil {
					return err
				}
				return writeFiles(args[0], files, c.OutOrStdout())
			})
		},
	}
	addSiteFlags(c, &o)
	return c
}

func writeFiles(dir string, files map[string][]byte, stdout io.Writer) error {
	names := make([]string, 0, len(files))
	for name := range files {
		names = append(names, name)
	}
	slices.Sort(names)
	for _, name := range names {
		path := filepath.Join(dir, filepath.Base(name))
		err := writeOut(stdout, path, func(w io.Writer) error { _, err := w.Write(files[name]); return err })
		if err != nil {
			return err
		}
		fmt.Fprintln(stdout, path)
	}
	return nil
}
