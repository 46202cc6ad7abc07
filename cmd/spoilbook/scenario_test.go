package main

import (
	"bytes"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"spoilbook/reports"
	"spoilbook/reports/tank"
	"spoilbook/services/api"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
	"spoilbook/services/sheets"
	"spoilbook/services/sheets/sheetstest"
)

// openTestSite opens embedded parts in a folder of the test's, with the intake
// running. One engine fits in a process, so tests that use it do not run in
// parallel.
func openTestSite(t *testing.T) *site {
	t.Helper()
	s, err := openSite(t.Context(), siteOptions{data: t.TempDir()}, true, io.Discard)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.close(); err != nil {
			t.Error(err)
		}
	})
	if err := s.startIntake(t.Context()); err != nil {
		t.Fatal(err)
	}
	return s
}

// The scenario's events: 2.000 m3 of bank soil at 1900 kg/m3, moisture 15 %, solids
// of 2650 kg/m3, with 3.000 m3 of jetting water; 1.500 m3 of clear water decanted;
// half of the rest tipped, well mixed.
const scenarioDay = `
{"specversion":"1.0","id":"1","source":"/truck/EX-01","type":"spoilbook.load.collected","subject":"EX-01","time":"2026-11-03T08:30:00Z","seq":1,"job":"J-1","origin":"crew","data":{"start":"2026-11-03T08:00:00Z","end":"2026-11-03T08:30:00Z","material":"M-CLAY","bank":{"volume":{"volumeML":2000000,"basis":"measured"},"bulkDensityGPerM3":1900000,"moisturePPM":150000},"jettingWater":{"volumeML":3000000,"basis":"measured"}}}
{"specversion":"1.0","id":"2","source":"/truck/EX-01","type":"spoilbook.water.decanted","subject":"EX-01","time":"2026-11-03T09:30:00Z","seq":2,"job":"J-1","origin":"crew","data":{"start":"2026-11-03T09:00:00Z","end":"2026-11-03T09:30:00Z","outfall":"O-1","volume":{"volumeML":1500000,"basis":"measured"}}}
{"specversion":"1.0","id":"3","source":"/truck/EX-01","type":"spoilbook.spoil.tipped","subject":"EX-01","time":"2026-11-03T11:00:00Z","seq":3,"origin":"crew","data":{"start":"2026-11-03T10:45:00Z","end":"2026-11-03T11:00:00Z","facility":"F-1","portionPPM":500000}}
`

// TestScenarioThroughTheWholePipeline sends the scenario from a file through the
// broker into the store and folds what comes back. The figures are first
// principles, computed apart from this program: solids 3304.348 kg and water
// 495.652 kg in the soil, 6800 kg and 4.742576 m3 with the jetting water, 5300 kg
// and 3.242576 m3 after the decant, 2650 kg and 1.621288 m3 tipped.
func TestScenarioThroughTheWholePipeline(t *testing.T) {
	s := openTestSite(t)
	b := opened{s.ledger, s}
	if err := loadRegister(t.Context(), b, filepath.Join("..", "..", "testdata", "example", "register"), registerWorkbook{}, io.Discard); err != nil {
		t.Fatal(err)
	}
	f, lines, err := emit(t.Context(), b, strings.NewReader(scenarioDay), io.Discard, time.Minute)
	if err != nil || lines != 3 || f.Recorded != 3 {
		t.Fatalf("%d lines, %+v, %v", lines, f, err)
	}
	j, err := s.ledger.Journal(t.Context(), "EX-01", f.Position)
	if err != nil {
		t.Fatal(err)
	}
	account := tank.Fold(j, "EX-01", tank.Options{})
	load, tip := account.Loads[0], account.Tips[0]
	for _, c := range []struct {
		what      string
		got, want int64
	}{
		{"solids loaded, g", load.SolidsG, 3_304_348},
		{"water loaded, g", load.WaterG, 495_652 + 3_000_000},
		{"volume loaded, mL", load.VolumeML, 4_742_576},
		{"mass tipped, g", tip.MassG(), 2_650_000},
		{"volume tipped, mL", tip.VolumeML, 1_621_288},
		{"solids tipped, g", tip.SolidsG, 1_652_174},
		{"mass left, g", account.Debris.MassG(), 2_650_000},
		{"volume left, mL", account.Debris.VolumeML(), 1_621_288},
	} {
		if d := c.got - c.want; d < -1 || d > 1 {
			t.Errorf("%s: %d, want %d to 1", c.what, c.got, c.want)
		}
	}
	if density := float64(tip.MassG()) / float64(tip.VolumeML) * 1000; math.Abs(density-1634.50) > 0.01 {
		t.Errorf("density tipped %.3f kg/m3, want 1634.50", density)
	}
	var postings bytes.Buffer
	if err := b.Postings(t.Context(), &postings, "", "Europe/Dublin", 0); err != nil {
		t.Fatal(err)
	}
	balance(t, postings.Bytes())
}

// balance lets hledger, a general double-entry program, read a journal strictly and
// add it up.
func balance(t *testing.T, journal []byte) {
	t.Helper()
	path := filepath.Join(t.TempDir(), "postings.journal")
	if err := os.WriteFile(path, journal, 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("hledger", "-f", path, "check", "--strict").CombinedOutput(); err != nil {
		t.Fatalf("hledger check (deploy/check.sh installs hledger): %v\n%s", err, out)
	}
	out, err := exec.Command("hledger", "-f", path, "balance", "--depth", "1", "-O", "csv", "--empty").CombinedOutput()
	if err != nil {
		t.Fatalf("hledger balance: %v\n%s", err, out)
	}
	rows := strings.Split(strings.TrimSpace(string(out)), "\n")
	if last := rows[len(rows)-1]; len(rows) < 2 || last != `"Total:","0"` && last != `"total","0"` && last != `"Total","0"` {
		t.Errorf("hledger's total is not zero:\n%s", out)
	}
}

// TestMonthInWorkbooks runs the demo's month through the whole pipeline and has each
// workbook read and computed afresh by programs that had no part in writing it.
func TestMonthInWorkbooks(t *testing.T) {
	s := openTestSite(t)
	month, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	if f, _, err := publishMonth(t.Context(), s.ledger, month, io.Discard); err != nil || f.Recorded == 0 || f.Quarantined != 3 {
		t.Fatalf("%+v, %v", f, err)
	}
	period, err := s.ledger.PeriodOf("2026-10-01", "2026-10-31", demo.ZoneName)
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range ledger.ReportNames() {
		t.Run(name, func(t *testing.T) {
			r, err := s.ledger.Report(t.Context(), ledger.ReportQuery{Name: name, Period: period})
			if err != nil {
				t.Fatal(err)
			}
			var content bytes.Buffer
			if err := writeReport(t.Context(), &content, r, api.Form{Format: "xlsx", By: "Test"}); err != nil {
				t.Fatal(err)
			}
			book := sheetstest.Recalculate(t, content.Bytes())
			sheetstest.NoErrors(t, book)
			for _, table := range r.Document.Tables {
				sheet := book.Sheet(t, table.Name) // fails when there is none
				for range table.Rows {             // an empty table has neither lines nor totals
					sheetstest.Match(t, []*sheetstest.Sheet{sheet}, table, period)
					break
				}
			}
			printed := r.Document.Tables
			if x := r.Explainer(); x != nil {
				if n := sheetstest.Workings(t, book, r.Document, x); n == 0 {
					t.Error("no step of arithmetic is a formula")
				}
				workings := sheets.WorkingsTable(r.Document, x)
				for i := range 3 { // which line and which part, the sheet says in its own way
					workings.Columns[i] = workings.Columns[i].NotPrinted()
				}
				printed = append(printed, workings)
			}
			nothingCut(t, content.Bytes(), printed)
		})
	}
	var postings bytes.Buffer
	if err := s.ledger.Postings(t.Context(), &postings, "", demo.ZoneName, 0); err != nil {
		t.Fatal(err)
	}
	balance(t, postings.Bytes())
}

// nothingCut prints a workbook to PDF and asks that no number overflows its cell
// and that every word of the tables' texts can be read on the pages.
func nothingCut(t *testing.T, content []byte, tables []reports.Table) {
	t.Helper()
	pdf := filepath.Join(t.TempDir(), "book.pdf")
	sheetstest.Convert(t, content, "pdf", pdf)
	out, err := exec.Command("pdftotext", "-raw", pdf, "-").Output()
	if err != nil {
		t.Fatalf("pdftotext (deploy/check.sh installs poppler-utils): %v", err)
	}
	text := string(out)
	if strings.Contains(text, "###") {
		t.Error("a number does not fit its cell in print")
	}
	// A long word may be broken between lines, so the page is searched unbroken.
	unbroken := strings.Join(strings.Fields(text), "")
	words := 0
	for word := range texts(tables) {
		words++
		if !strings.Contains(unbroken, word) {
			t.Errorf("%q can not be read in print", word)
		}
	}
	if words == 0 {
		t.Error("there are no texts to look for")
	}
}

// texts gives every different word of the text cells that are printed.
func texts(tables []reports.Table) map[string]bool {
	words := map[string]bool{}
	for _, table := range tables {
		for row := range table.Rows {
			for i, cell := range row.Cells {
				if table.Columns[i].Kind == reports.Text && !table.Columns[i].Aside {
					for _, word := range strings.Fields(cell.Text) {
						words[word] = true
					}
				}
			}
		}
	}
	return words
}
