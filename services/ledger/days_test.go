package ledger_test

import (
	"bytes"
	"encoding/csv"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/diff"
	"github.com/rogpeppe/go-internal/txtar"

	"spoilbook/reports"
	"spoilbook/reports/tank"
	"spoilbook/services/ledger"
	"spoilbook/services/sheets"
)

// update rewrites what the days want. The stories are not rewritten: whoever
// updates a figure does its arithmetic in the story again.
var update = flag.Bool("update", false, "rewrite the want sections of testdata/days")

const daysFolder = "../../testdata/days"

// fourReports are the reports whose findings a day must name, all of them. The others,
// of care, stops and axles, are asked for by the days that tell of them.
func fourReports() []string { return []string{"manifest", "water", "timesplit", "billable"} }

// TestDays holds the golden days of testdata/days to their stories. A day is a
// txtar archive: its comment tells the story with the arithmetic; register files
// add to those of the folder register; the section events has a line for each
// event (see [day.line]); and the sections named want say what is seen:
//
//	want/REPORT/TABLE        rows of a table as CSV, of the columns in its first line
//	want/findings            all findings of the four reports: time, truck, code, reports, answers
//	want/REPORT/findings     the same of one report, such as care, stops or axles
//	want/totals              totals of tables: report, table, column, value
//	want/accounts            what each account of the trucks' double entries holds
//
// REPORT, findings, totals and accounts may be followed by @VIEW, a line of the section
// views: "early upto=d1 days=2026-10-05..2026-10-06 truck=TM-01 profile=us-form". The
// manifest of a view with order=first-in tips the oldest loads first.
// Without one the view is of all days that have events, at the ledger's head.
func TestDays(t *testing.T) {
	files, err := filepath.Glob(filepath.Join(daysFolder, "*.txtar"))
	if err != nil || len(files) == 0 {
		t.Fatalf("no day was found in %s: %v", daysFolder, err)
	}
	for _, file := range files {
		t.Run(strings.TrimSuffix(filepath.Base(file), ".txtar"), func(t *testing.T) {
			t.Parallel()
			archive, err := txtar.ParseFile(file)
			if err != nil {
				t.Fatal(err)
			}
			d, err := readDay(archive, os.DirFS(daysFolder))
			if err != nil {
				t.Fatalf("%s: %v", file, err)
			}
			d.holds(t, file)
			d.laws(t)
		})
	}
}

// holds compares every want section with what the reports give, or rewrites them.
func (d *day) holds(t *testing.T, file string) {
	t.Helper()
	book := d.ledger(t, d.sent())
	wants, tables := 0, 0
	for i := range d.archive.Files {
		section := &d.archive.Files[i]
		what, ok := strings.CutPrefix(section.Name, "want/")
		if !ok {
			continue
		}
		wants++
		if strings.Contains(what, "/") && !strings.HasSuffix(what, "/findings") {
			tables++
		}
		got, err := d.seen(t, book, what, section.Data)
		switch {
		case err != nil:
			t.Errorf("%s, section %s: %v", file, section.Name, err)
		case *update:
			section.Data = got
		case !bytes.Equal(section.Data, got):
			t.Errorf("%s\n%s", file, diff.Diff("wanted "+section.Name, section.Data, "seen", got))
		}
	}
	if wants == tables || tables == 0 {
		t.Errorf("%s wants no findings or no table; a day says what is to be seen", file)
	}
	if *update && !t.Failed() {
		if err := os.WriteFile(file, txtar.Format(d.archive), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// seen returns what a want section should hold, in its form.
func (d *day) seen(t *testing.T, book *ledger.Ledger, what string, wanted []byte) ([]byte, error) {
	t.Helper()
	what, table, isTable := strings.Cut(what, "/")
	what, name, _ := strings.Cut(what, "@")
	v, ok := d.views[name]
	switch {
	case !ok:
		return nil, fmt.Errorf("there is no view %q", name)
	case table == "findings":
		return d.findingsSeen(t, book, v, []string{what}), nil
	case isTable:
		return tableSeen(d.report(t, book, what, v), table, wanted)
	case what == "findings":
		return d.findingsSeen(t, book, v, fourReports()), nil
	case what == "totals":
		return d.totalsSeen(t, book, v, wanted)
	case what == "accounts":
		return accountsSeen(d.report(t, book, "manifest", v).Journal), nil
	}
	return nil, fmt.Errorf("want %q is neither a table nor findings, totals or accounts", what)
}

// report runs one report as people do.
func (d *day) report(t *testing.T, book *ledger.Ledger, name string, v view) *ledger.Report {
	t.Helper()
	period, err := reports.Days(v.first, v.last, d.zone)
	if err != nil {
		t.Fatal(err)
	}
	q := ledger.ReportQuery{Name: name, Period: period, Filter: v.filter, UpTo: v.upTo}
	if name == "manifest" {
		q.Profile = v.profile
		if v.firstIn {
			q.Allocation = ledger.FirstInFirstOut
		}
	}
	r, err := book.Report(t.Context(), q)
	if err != nil {
		t.Fatalf("report %s: %v", name, err)
	}
	return r
}

// tableSeen returns the columns that wanted names of a table's rows, as CSV.
func tableSeen(r *ledger.Report, table string, wanted []byte) ([]byte, error) {
	head, _, _ := strings.Cut(string(wanted), "\n")
	if strings.TrimSpace(head) == "" {
		return nil, fmt.Errorf("its first line must name the columns wanted")
	}
	out := &bytes.Buffer{}
	if err := sheets.CSV(out, r.Document, table, sheets.Provenance{Period: r.Query.Period}); err != nil {
		return nil, err
	}
	rows, err := csv.NewReader(out).ReadAll()
	if err != nil {
		return nil, err
	}
	columns := []int{}
	for key := range strings.SplitSeq(strings.TrimSpace(head), ",") {
		n := slices.Index(rows[0], key)
		if n < 0 {
			return nil, fmt.Errorf("table %q has no column %q; it has %q", table, key, rows[0])
		}
		columns = append(columns, n)
	}
	kept := make([][]string, len(rows))
	for i, row := range rows {
		for _, n := range columns {
			kept[i] = append(kept[i], shortInstant(row[n]))
		}
	}
	return csvOf(kept), nil
}

var wholeMinute = regexp.MustCompile(`^(\d{4}-\d\d-\d\dT\d\d:\d\d):00\.000(Z|[+-]\d\d:\d\d)$`)

// shortInstant leaves out the seconds of a whole minute.
func shortInstant(s string) string { return wholeMinute.ReplaceAllString(s, "$1$2") }

func csvOf(rows [][]string) []byte {
	out := &bytes.Buffer{}
	w := csv.NewWriter(out)
	if err := w.WriteAll(rows); err != nil {
		panic(fmt.Sprintf("a buffer takes everything: %v", err))
	}
	return out.Bytes()
}

// findingsSeen lists the findings of reports, each with those that show it and with
// who answered it.
func (d *day) findingsSeen(t *testing.T, book *ledger.Ledger, v view, names []string) []byte {
	t.Helper()
	shownBy, order := map[string][]string{}, []string{}
	for _, name := range names {
		r := d.report(t, book, name, v)
		times := map[string]int{}
		for _, f := range r.Document.Findings {
			truck := string(f.Truck)
			if truck == "" {
				truck = "-"
			}
			key := fmt.Sprintf("%s %s %s", r.Query.Period.Local(f.At).Format("2006-01-02 15:04"), truck, f.Code)
			if times[key]++; times[key] > 1 {
				key += fmt.Sprintf(" (%d)", times[key])
			}
			for _, a := range f.Answers {
				key += fmt.Sprintf(", %s by %s", a.Outcome, a.By)
			}
			if shownBy[key] == nil {
				order = append(order, key)
			}
			shownBy[key] = append(shownBy[key], name)
		}
	}
	slices.Sort(order)
	out := &bytes.Buffer{}
	for _, key := range order {
		fmt.Fprintf(out, "%s: %s\n", key, strings.Join(shownBy[key], " "))
	}
	return out.Bytes()
}

// totalsSeen fills in the values of the totals that wanted names.
func (d *day) totalsSeen(t *testing.T, book *ledger.Ledger, v view, wanted []byte) ([]byte, error) {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(wanted)).ReadAll()
	if err != nil {
		return nil, err
	}
	for _, row := range rows {
		if len(row) != 4 {
			return nil, fmt.Errorf("a total is report,table,column,value; found %q", row)
		}
		if row[3], err = totalOf(d.report(t, book, row[0], v), row[1], row[2]); err != nil {
			return nil, err
		}
	}
	return csvOf(rows), nil
}

// totalOf returns a total as the table's CSV would write it: that of a document
// with the totals for its only row.
func totalOf(r *ledger.Report, table, column string) (string, error) {
	for _, tab := range r.Document.Tables {
		if tab.Name != table || tab.Totals == nil {
			continue
		}
		one := tab
		one.Rows, one.Cited = reports.RowsOf([]reports.Row{{Cells: tab.Totals}}), false
		got, err := tableSeen(&ledger.Report{Query: r.Query, Document: reports.Document{Report: r.Document.Report, Tables: []reports.Table{one}}},
			table, []byte(column+"\n"))
		if err != nil {
			return "", err
		}
		_, value, _ := strings.Cut(strings.TrimSpace(string(got)), "\n")
		return value, nil
	}
	return "", fmt.Errorf("report %s has no table %q with totals", r.Query.Name, table)
}

// accountsSeen lists the accounts' balances, of the trucks' whole history.
func accountsSeen(j *reports.Journal) []byte {
	rows := [][]string{{"account", "solids_kg", "water_kg"}}
	for _, truck := range j.Trucks() {
		for _, b := range tank.Fold(j, truck, tank.Options{}).Balances() {
			rows = append(rows, []string{fmt.Sprintf("%s:%s", truck, b.Account), kilograms(b.SolidsG), kilograms(b.WaterG)})
		}
	}
	return csvOf(rows)
}

func kilograms(g int64) string {
	sign := ""
	if g < 0 {
		sign, g = "-", -g
	}
	return fmt.Sprintf("%s%d.%03d", sign, g/1000, g%1000)
}
