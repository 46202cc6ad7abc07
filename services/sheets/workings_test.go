package sheets

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/sheets/sheetstest"
)

// explaining explains the lines whose keys it has.
type explaining map[string]reports.Explanation

func (x explaining) Explain(table, key string) (reports.Explanation, bool) {
	e, ok := x[key]
	e.Table, e.Key = table, key
	return e, ok
}

// explainedLines is a table of so many lines, all but the second of which are explained in a few rows.
func explainedLines(n int) (reports.Document, explaining) {
	x, rows := explaining{}, []reports.Row{}
	steps := []reports.Step{
		{What: "quarters begun", Arithmetic: "roundup(40 ÷ 15) × 15 ÷ 60 × 180.00 × 1.5", Result: "202.50 EUR", Cites: []uint64{7}},
		{What: "a whole number that binary fractions miss", Arithmetic: "roundup(0.1 × 3 × 10) + rounddown(0.29 × 100) + round(1.005 × 100)", Result: "133"},
		{What: "below zero", Arithmetic: "roundup(−1.5) + rounddown(−2.1) + round(−2.5) − (−1)", Result: "−6"},
		{What: "functions", Arithmetic: "min(3, 2, 4) + max(1, 5) + sqrt(2) + rss(3, 0 − 4)", Result: "13.4142136 m"},
		{What: "a difference", Arithmetic: "0 − 1234.5", Result: "−1,234.50 EUR"},
		{What: "words", Arithmetic: "", Result: "none was recorded"},
	}
	for i := range n {
		key := fmt.Sprintf("L-%d", i+1)
		rows = append(rows, reports.Row{Key: key, Cites: []uint64{7, 9, 11, 13}, Cells: []reports.Cell{reports.T(key), reports.N(int64(i)), reports.T("kept " + key)}})
		if i == 1 {
			continue
		}
		x[key] = reports.Explanation{Says: "Line " + key + " is what it is.", Steps: steps, Cites: []uint64{7, 9, 11, 13},
			Rules: []reports.Rulebook{{Rule: "=Quarters begun are charged & rounded.", Source: "common practice"}},
			Register: []reports.RegisterUse{{Register: events.TruckRegister, Key: "TM-01", From: events.MustTime("2026-09-01T00:00:00.000+01:00"), Position: 3,
				Reads: "Heron, 261-TR-101"}}}
	}
	return reports.Document{Report: "sample", Title: "Sample", Tables: []reports.Table{
		{Name: "Lines", Title: "Lines", Cited: true, Columns: []reports.Column{reports.TextColumn("line", "Line"), reports.CountColumn("n", "Number"),
			reports.TextColumn("kept", "Kept").NotPrinted()}, Rows: reports.RowsOf(rows)},
		textTableOf("not explained"),
	}}, x
}

func explainedWorkbook(t *testing.T, d reports.Document, x reports.Explainer, l limits) []byte {
	t.Helper()
	out := &bytes.Buffer{}
	if err := writeWorkbook(context.Background(), out, d, provenance(t), Behind{Workings: x}, l); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// Another program computes every formula to the figure stated, and every line leads to its workings and back, on one sheet or on many.
func TestWorkingsAreRedone(t *testing.T) {
	for _, c := range []struct {
		lines  int
		limits limits
		sheets string
	}{
		{3, wide(), "Cover, Lines, Texts, Findings, Workings"},
		{14, limits{sheetRows: 16, measuredRows: 2}, "Workings (11)"},
	} {
		d, x := explainedLines(c.lines)
		content := explainedWorkbook(t, d, x, c.limits)
		if !bytes.Equal(content, explainedWorkbook(t, d, x, c.limits)) {
			t.Error("the same workings give other bytes")
		}
		book := sheetstest.Recalculate(t, content)
		sheetstest.NoErrors(t, book)
		if names := strings.Join(book.SheetNames(), ", "); !strings.Contains(names, c.sheets) {
			t.Errorf("sheets %s, want %s", names, c.sheets)
		}
		if got, want := sheetstest.Workings(t, book, d, x), 5*(c.lines-1); got != want {
			t.Errorf("%d formulas, want %d", got, want)
		}
		w := sheetstest.Read(t, content).Sheet(t, "Workings")
		if w.Freeze != "A5" || w.PrintTitles != "4:4" || w.Orientation != "landscape" || w.Paper != paperA4 || w.GridLines || !strings.HasPrefix(w.PrintArea, "A1:F") {
			t.Errorf("the sheet is set up as %+v", w.Setup)
		}
	}
	d, x := explainedLines(3)
	sheet := sheetstest.Read(t, explainedWorkbook(t, d, x, wide())).Sheet(t, "Lines")
	if c := sheet.Cell("D6"); sheet.Cell("D4").Value != "Workings" || c.Formula != "" || c.Value != "" {
		t.Errorf("a line without workings leads to %+v", c)
	}
}

// A step whose figure is not what its arithmetic comes to is said on the cover; what is no arithmetic, or too long for a cell, is no formula.
func TestWorkingsThatAreNotTrue(t *testing.T) {
	d, x := explainedLines(1)
	long := strings.Repeat("1 + ", 5000) + "1"
	x["L-1"] = reports.Explanation{Says: "A line.", Steps: []reports.Step{{What: "wrong", Arithmetic: "1 + 1", Result: "3"}, {What: "long", Arithmetic: long, Result: "5001"},
		{What: "endless", Arithmetic: "1 ÷ 0", Result: "0"}, {What: "no figure", Arithmetic: "1 + 1", Result: "two"}, {What: "a name", Arithmetic: "1 + x", Result: "2"}}}
	book := sheetstest.Recalculate(t, explainedWorkbook(t, d, x, wide()))
	sheetstest.NoErrors(t, book)
	w := book.Sheet(t, "Workings")
	if c := w.Cell("E6"); c.Formula != "=1+1" || c.Value != "2" {
		t.Errorf("the arithmetic comes to %+v", c)
	}
	for _, ref := range []string{"E7", "E8", "E9", "E10"} {
		if c := w.Cell(ref); c.Formula != "" || c.Value != "" {
			t.Errorf("cell %s is %+v", ref, c)
		}
	}
	cover := ""
	for _, c := range book.Sheet(t, coverSheet).Cells {
		cover += c.Value + "\n"
	}
	if !strings.Contains(cover, `line L-1 of Lines, wrong: arithmetic "1 + 1" comes to 2.000000000, not to "3". Report this.`) {
		t.Errorf("the cover does not say what is wrong:\n%s", cover)
	}
}

// Without explanations there is neither the sheet nor a word of it.
func TestNoWorkings(t *testing.T) {
	d, _ := explainedLines(2)
	for _, x := range []reports.Explainer{nil, explaining{}} {
		book := sheetstest.Read(t, explainedWorkbook(t, d, x, wide()))
		if names := book.SheetNames(); strings.Contains(strings.Join(names, ","), "Workings") || book.Sheet(t, "Lines").Cell("D4").Value == "Workings" {
			t.Errorf("sheets %q", names)
		}
	}
}

func TestWorkingsInJSONAndCSV(t *testing.T) {
	d, x := explainedLines(3)
	p := provenance(t)
	var bare, full, list bytes.Buffer
	if err := JSON(&bare, d, p); err != nil || strings.Contains(bare.String(), "workings") {
		t.Errorf("JSON holds workings that nobody asked for (%v)", err)
	}
	if err := JSONWithWorkings(&full, d, p, x); err != nil {
		t.Fatal(err)
	}
	var got struct {
		Tables []struct {
			Rows []struct {
				Workings *struct {
					Line, Says string
					Steps      []struct {
						What, Arithmetic, Result string
						Events                   []uint64
					}
					Rules    []struct{ Rule, Source string }
					Register []struct {
						Register, Key, From, Reads string
						Position                   uint64
					}
					Events []uint64
				}
			}
		}
	}
	if err := json.Unmarshal(full.Bytes(), &got); err != nil {
		t.Fatal(err)
	}
	rows := got.Tables[0].Rows
	w := rows[2].Workings
	if rows[1].Workings != nil || w == nil || w.Line != "L-3" || len(w.Steps) != 6 || w.Steps[0].Events[0] != 7 || w.Rules[0].Source != "common practice" ||
		w.Register[0].Position != 3 || len(w.Events) != 4 || got.Tables[1].Rows[0].Workings != nil {
		t.Errorf("the workings are %+v", w)
	}
	d.Tables = append(d.Tables, WorkingsTable(d, x))
	if err := CSV(&list, d, workingsSheet, p); err != nil {
		t.Fatal(err)
	}
	if lines := strings.Split(strings.TrimSpace(list.String()), "\n"); len(lines) != 1+2*9 || !strings.HasPrefix(lines[1], "Lines,L-1,Line,Line L-1 is what it is.") {
		t.Errorf("%d lines of CSV, the first %q", len(lines), lines[1])
	}
}
