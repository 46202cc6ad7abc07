package sheets

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/xuri/excelize/v2"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/sheets/sheetstest"
	"spoilbook/services/tongue"
)

func provenance(t testing.TB) Provenance {
	t.Helper()
	period, err := sheetstest.Period()
	if err != nil {
		t.Fatal(err)
	}
	return Provenance{Carrier: "Tarnmoor Groundworks", Period: period, Position: 1482,
		LedgerHash:       "5f1d0c3a9b7e4421c6a8d5e2f0134b9c7d8e6f5a4b3c2d1e0f9a8b7c6d5e4f3a",
		RegisterPosition: 1307, RegisterRevisions: 38, Filter: reports.Filter{Truck: "TM-01"}, By: "office/yard",
		At: time.Date(2026, 11, 2, 9, 30, 0, 0, time.UTC), Program: "Spoilbook 1.0",
		Count: reports.Count{Events: 1482, Effective: 1401, Corrected: 22, Voided: 6, Corrections: 37, Revisions: 38}}
}

func workbook(t testing.TB, d reports.Document, l limits, events int) []byte {
	t.Helper()
	p, out := provenance(t), &bytes.Buffer{}
	if err := writeWorkbook(context.Background(), out, d, p, Behind{Cited: sheetstest.Cited(p.Period, events)}, l); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func wide() limits { return limits{sheetRows: excelize.TotalRows, measuredRows: measuredRows} }

// one is a document of one table.
func one(t reports.Table) reports.Document {
	return reports.Document{Report: "sample", Title: "Sample", Tables: []reports.Table{t}}
}

func textTableOf(texts ...string) reports.Table {
	rows := []reports.Row{}
	for _, s := range texts {
		rows = append(rows, reports.Row{Cells: []reports.Cell{{Text: s}}})
	}
	return reports.Table{Name: "Texts", Title: "Texts", Columns: []reports.Column{reports.TextColumn("text", "Text")}, Rows: reports.RowsOf(rows)}
}

func TestWorkbookHoldsTheDocument(t *testing.T) {
	p := provenance(t)
	d := sheetstest.Document(p.Period, 60)
	content := workbook(t, d, wide(), 120)
	findings, list := findingsTable(&d, tongue.Tongue{}), eventsTable(sheetstest.Cited(p.Period, 120))
	for what, book := range map[string]*sheetstest.Workbook{
		"as written": sheetstest.Read(t, content), "recalculated": sheetstest.Recalculate(t, content),
	} {
		t.Run(what, func(t *testing.T) {
			sheetstest.NoErrors(t, book)
			want := []string{"Cover", "Loads", "Time split", "Water", "Charts", "Findings", "Events", "How to read this"}
			if got := book.SheetNames(); !slices.Equal(got, want) {
				t.Fatalf("sheets %q, want %q", got, want)
			}
			for _, table := range append(slices.Clone(d.Tables), findings) {
				sheetstest.Match(t, []*sheetstest.Sheet{book.Sheet(t, table.Name)}, table, p.Period)
			}
			sheetstest.Match(t, []*sheetstest.Sheet{book.Sheet(t, "Events")}, list, p.Period)
		})
	}
}

func TestWorkbookSetUp(t *testing.T) {
	d := sheetstest.Document(provenance(t).Period, 60)
	book := sheetstest.Read(t, workbook(t, d, wide(), 120))
	for _, s := range book.Sheets {
		// A sheet is fitted to the width of a page, or narrower than that at its scale.
		if s.GridLines || s.Paper != paperA4 || s.FitToPage != (s.FitToWidth == 1) || !s.FitToPage && (s.Scale < backingScale || s.Scale > usualScale) ||
			!strings.Contains(s.Footer, "&P of &N") {
			t.Errorf("sheet %s: set-up %+v", s.Name, s.Setup)
		}
		if !strings.Contains(s.Header, "Spoil and water, Tarnmoor") {
			t.Errorf("sheet %s: header %q", s.Name, s.Header)
		}
	}
	loads := book.Sheet(t, "Loads")
	if loads.Freeze != "A5" || loads.Filter != "A4:P64" || loads.PrintTitles != "4:4" || loads.PrintArea != "A1:O65" || loads.Orientation != "landscape" {
		t.Errorf("sheet Loads: set-up %+v", loads.Setup)
	}
	for ref, want := range map[string]string{"A4": "Started", "E4": "Slurry (m³)", "L4": "Loading time (h:mm)", "O4": "Events", "P4": "All events"} {
		if got := loads.Cell(ref).Value; got != want {
			t.Errorf("heading %s is %q, want %q", ref, got, want)
		}
	}
	for ref, want := range map[string]string{"A5": "yyyy-mm-dd hh:mm", "E5": "#,##0.000", "F5": "#,##0", "H5": "#,##0.000", "I5": "yyyy-mm-dd",
		"L5": "[h]:mm", "M5": "#,##0.00"} {
		if got := loads.Cell(ref).Format; got != want {
			t.Errorf("cell %s has format %q, want %q", ref, got, want)
		}
	}
	if got := book.Names["Loads_rows"]; got != "'Loads'!$A$5:$P$64" {
		t.Errorf("the rows of Loads are named %q; all names: %v", got, book.Names)
	}
	if got := book.Sheet(t, "Charts").Charts; got != len(d.Pictures) {
		t.Errorf("%d charts, want %d", got, len(d.Pictures))
	}
	if book.Title != d.Title || book.Creator != "office/yard" || book.Created != "2026-11-02T09:30:00" {
		t.Errorf("properties: title %q, creator %q, created %q", book.Title, book.Creator, book.Created)
	}
}

func TestCites(t *testing.T) {
	d := sheetstest.Document(provenance(t).Period, 16)
	loads := sheetstest.Read(t, workbook(t, d, wide(), 1)).Sheet(t, "Loads")
	for ref, want := range map[string]string{"O5": "1", "O6": "4, 5", "O20": "46–48, 50 +12",
		"P6": "4, 5", "P20": "46–48, 50, 52, 55, 58, 62, 66, 71, 76, 82, 88, 95, 102, 110"} {
		if got := loads.Cell(ref).Value; got != want {
			t.Errorf("cell %s cites %q, want %q", ref, got, want)
		}
	}
	if loads.Cell("O5").Kind != "number" || loads.Cell("P5").Kind != "number" {
		t.Error("a position alone should be a number, to be looked up on the sheet Events")
	}
}

func TestCover(t *testing.T) {
	cover := sheetstest.Read(t, workbook(t, sheetstest.Document(provenance(t).Period, 20), wide(), 5)).Sheet(t, "Cover")
	text := strings.Builder{}
	links := 0
	for row := 1; row <= cover.Rows; row++ {
		fmt.Fprintf(&text, "%s | %s\n", cover.Cell(sheetstest.Ref(0, row)).Value, cover.Cell(sheetstest.Ref(1, row)).Value)
		if cover.Cell(sheetstest.Ref(0, row)).Link != "" {
			links++
		}
	}
	for _, want := range []string{
		"Carrier | Tarnmoor Groundworks", "Period | 2026-10-01 to 2026-10-31 (Europe/Dublin)", "Filter | only truck TM-01",
		"Ledger | events up to position 1482", "Ledger hash | 5f1d0c3a", "Register | 38 revisions, the last at position 1307",
		"1482 read: 1401 in effect (22 of them corrected), 6 voided", "Asked for by | office/yard", "Ledger as of | 2026-11-02 09:30:00 +00:00, when the last of these events was recorded",
		"Spoil | 3.24 m³ of clay", "Serious (1) | permit-expired: 2026-10-06 TM-01 J-102: the permit of F-TIP", "Warning (2) | docket-differs: ", " | no-docket: ", "Note (1) | assumed-density: ",
		"not a statement of legal compliance", "The clocks of Europe/Dublin change within this period", "Loads | Loads and where they went, 20 lines", "Findings | 4 lines",
		"Fleet | 4 trucks",
	} {
		if !strings.Contains(text.String(), want) {
			t.Errorf("the cover does not say %q; it says\n%s", want, text.String())
		}
	}
	if links != 7 {
		t.Errorf("the cover links to %d sheets, want 7", links)
	}
}

func TestContinuation(t *testing.T) {
	p := provenance(t)
	table := sheetstest.Loads(p.Period, 200)
	d := one(table)
	content := workbook(t, d, limits{sheetRows: 50, measuredRows: 10}, 120)
	for what, book := range map[string]*sheetstest.Workbook{
		"as written": sheetstest.Read(t, content), "recalculated": sheetstest.Recalculate(t, content),
	} {
		t.Run(what, func(t *testing.T) {
			sheetstest.NoErrors(t, book)
			parts := []*sheetstest.Sheet{}
			for _, name := range []string{"Loads", "Loads (2)", "Loads (3)", "Loads (4)", "Loads (5)"} {
				s := book.Sheet(t, name)
				if s.Rows > 50 || s.Cell("A4").Value != "Started" || s.PrintTitles != "4:4" {
					t.Errorf("sheet %s has %d rows and the first heading %q", name, s.Rows, s.Cell("A4").Value)
				}
				parts = append(parts, s)
			}
			sheetstest.Match(t, parts, table, p.Period)
			if got := parts[0].Cell("A49").Value; got != "Continued on sheet Loads (2)" {
				t.Errorf("below the first part stands %q", got)
			}
			if formula := parts[4].Cell("E29").Formula; strings.Count(formula, "!E5:E48") != 4 {
				t.Errorf("the total %q should span five sheets", formula)
			}
			if book.Sheet(t, "Events (3)").Cell("A5").Value != "89" {
				t.Errorf("the events do not go on where they should: %+v", book.Sheet(t, "Events (3)").Cell("A5"))
			}
		})
	}
}

func TestTextIsNeverAFormula(t *testing.T) {
	texts := []string{"=1+1", "+1", "-1", "@SUM(A1)", "=cmd|' /C calc'!A0", "\t=1", "=HYPERLINK(\"x\")", "'=1", "<f>1</f>", "_x0041_", "a\nb", " lead and trail ", "0017", "2026-10-05", "TRUE", "#N/A", "😀 Ü"}
	d := one(textTableOf(texts...))
	d.Title, d.Notes = "=1+1", []string{"=2+2", "-note"}
	d.Findings = []reports.Finding{reports.NewFinding(reports.NoDocket, "TM-01", events.Time{}, nil, "=3+3")}
	book := sheetstest.Read(t, workbook(t, d, wide(), 1))
	sheet := book.Sheet(t, "Texts")
	for i, want := range texts {
		c := sheet.Cell(sheetstest.Ref(0, i+5))
		if want == "_x0041_" && c.Value == "_x005F_x0041_" {
			continue // the escape of ISO/IEC 29500 for a literal _x0041_, which openpyxl leaves in place
		}
		if want = strings.ReplaceAll(want, "\t", " "); c.Kind != "text" || c.Value != want || c.Formula != "" {
			t.Errorf("the text %q became %+v", want, c)
		}
	}
	for _, s := range book.Sheets {
		for ref, c := range s.Cells {
			if c.Formula != "" {
				t.Errorf("sheet %s, cell %s is the formula %q", s.Name, ref, c.Formula)
			}
		}
	}
}

func TestLongTextIsCutWithAMark(t *testing.T) {
	for _, long := range []string{strings.Repeat("x", maxCellChars), strings.Repeat("x", maxCellChars+1), strings.Repeat("😀", maxCellChars)} {
		got := cellText(long)
		units := 0
		for _, r := range got {
			units += utf16Len(r)
		}
		if units > maxCellChars {
			t.Errorf("a text of %d bytes takes %d units", len(long), units)
		}
		if cut := strings.Contains(got, "…cut: the whole text has"); cut == (long == got) {
			t.Errorf("a text of %d bytes: cut %v", len(long), cut)
		}
	}
	sheet := sheetstest.Read(t, workbook(t, one(textTableOf(strings.Repeat("word ", 9000))), wide(), 1)).Sheet(t, "Texts")
	if got := sheet.Cell("A5").Value; len(got) > maxCellChars+2 || !strings.HasSuffix(got, "45000 characters and is in the CSV and JSON exports]") {
		t.Errorf("the cell ends %q", got[len(got)-80:])
	}
}

func TestSameInputSameBytes(t *testing.T) {
	d := sheetstest.Document(provenance(t).Period, 300)
	first := workbook(t, d, limits{sheetRows: 60, measuredRows: 10}, 120)
	for range 5 {
		if !bytes.Equal(first, workbook(t, d, limits{sheetRows: 60, measuredRows: 10}, 120)) {
			t.Fatal("two workbooks of the same document differ")
		}
	}
}

func TestTotalsThatDiffer(t *testing.T) {
	table := sheetstest.Water(provenance(t).Period, 5)
	table.Totals[1].Int += 1_000
	book := sheetstest.Read(t, workbook(t, one(table), wide(), 1))
	water := book.Sheet(t, "Water")
	if got := water.Cell("A11").Value; got != "The report's own totals, which differ" {
		t.Errorf("below the totals stands %q", got)
	}
	if lines, own := water.Cell("B10").Number(t), water.Cell("B11").Number(t); own-lines < 0.0009 || own-lines > 0.0011 {
		t.Errorf("the lines add up to %v, the report says %v", lines, own)
	}
	if got := book.Sheet(t, "Cover").Cell("B6").Value; !strings.Contains(got, "the lines of Drawn (m³) add up to") {
		t.Errorf("the cover begins with %q", got)
	}
}

func TestLongHeadings(t *testing.T) {
	table := textTableOf("x")
	table.Columns[0].Title, table.Title, table.Note = strings.Repeat("W", 2000), strings.Repeat("t ", 2000), strings.Repeat("note ", 2000)
	d := one(table)
	d.Title = strings.Repeat("&long title ", 40)
	book := sheetstest.Recalculate(t, workbook(t, d, wide(), 1))
	if got := book.Sheet(t, "Texts").Cell("A4").Value; len(got) != 2000 {
		t.Errorf("the heading has %d characters left", len(got))
	}
}

func TestNoLines(t *testing.T) {
	p := provenance(t)
	d := sheetstest.Document(p.Period, 0)
	d.Findings = nil
	content := workbook(t, d, wide(), 0)
	book := sheetstest.Recalculate(t, content)
	sheetstest.NoErrors(t, book)
	if got := book.Sheet(t, "Loads").Cell("A5").Value; got != "No lines in this period." {
		t.Errorf("an empty table says %q", got)
	}
	d.Pictures = append(d.Pictures, reports.Picture{Title: "Loads", Alt: "Nothing.", Table: "Loads", Category: "truck", Series: []string{"solids_kg"}})
	sheetstest.NoErrors(t, sheetstest.Read(t, workbook(t, d, wide(), 0)))
}

func TestCancelLeavesNothingBehind(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	ctx, cancel := context.WithCancel(context.Background())
	p := provenance(t)
	table := sheetstest.Loads(p.Period, 10)
	row := slices.Collect(table.Rows)[3]
	seen := 0
	table.Rows = func(yield func(reports.Row) bool) {
		for {
			if seen++; seen == 200_000 {
				cancel()
			}
			if !yield(row) {
				return
			}
		}
	}
	err := Workbook(ctx, io.Discard, one(table), p, Behind{})
	if !errors.Is(err, context.Canceled) || !strings.Contains(err.Error(), "Loads") {
		t.Errorf("error %v, want a cancelled sheet Loads", err)
	}
	if seen > 200_000+checkEvery {
		t.Errorf("%d rows were read after the end", seen-200_000)
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 0 {
		t.Errorf("temporary files %v are left (%v)", left, err)
	}
}

// failing refuses to take more than a few bytes.
type failing struct{ left int }

var errFull = errors.New("no space")

func (f *failing) Write(p []byte) (int, error) {
	if f.left -= len(p); f.left < 0 {
		return 0, errFull
	}
	return len(p), nil
}

func TestWriteErrorIsReported(t *testing.T) {
	dir := t.TempDir()
	t.Setenv("TMPDIR", dir)
	p := provenance(t)
	for _, room := range []int{0, 5000} {
		if err := Workbook(context.Background(), &failing{room}, sheetstest.Document(p.Period, 20), p, Behind{}); !errors.Is(err, errFull) {
			t.Errorf("with room for %d bytes: error %v", room, err)
		}
	}
	if left, err := os.ReadDir(dir); err != nil || len(left) != 0 {
		t.Errorf("temporary files %v are left (%v)", left, err)
	}
}

// TestFullSheet fills a sheet to the last row that the format allows, and checks that memory does not grow with the rows.
func TestFullSheet(t *testing.T) {
	const rows = 1_048_576
	peak := uint64(0)
	table := reports.Table{Name: "Full", Title: "Full", Columns: []reports.Column{reports.CountColumn("n", "N"), reports.TextColumn("t", "T")},
		Rows: func(yield func(reports.Row) bool) {
			cells := make([]reports.Cell, 2)
			for i := range rows {
				if i%200_000 == 0 {
					m := runtime.MemStats{}
					runtime.ReadMemStats(&m)
					peak = max(peak, m.HeapInuse)
				}
				cells[0], cells[1] = reports.N(int64(i)), reports.T("a text of some length")
				if !yield(reports.Row{Cells: cells}) {
					return
				}
			}
		}}
	out := &bytes.Buffer{}
	if err := Workbook(context.Background(), out, one(table), provenance(t), Behind{}); err != nil {
		t.Fatal(err)
	}
	if peak > 300<<20 {
		t.Errorf("%d MiB of heap in use while writing %d rows", peak>>20, rows)
	}
	for name, want := range map[string]int{"xl/worksheets/sheet2.xml": 1_048_575, "xl/worksheets/sheet3.xml": headerRow + 1 + rows - (1_048_574 - headerRow)} {
		if got := countRows(t, out.Bytes(), name); got != want {
			t.Errorf("%s has %d rows, want %d", name, got, want)
		}
	}
}

// countRows counts the rows of a sheet in the file itself.
func countRows(t *testing.T, content []byte, part string) int {
	t.Helper()
	r, err := zip.NewReader(bytes.NewReader(content), int64(len(content)))
	if err != nil {
		t.Fatal(err)
	}
	in, err := r.Open(part)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = in.Close() }()
	n, carry, buffer := 0, []byte{}, make([]byte, 1<<20)
	for {
		k, err := in.Read(buffer)
		chunk := append(carry, buffer[:k]...)
		n += bytes.Count(chunk, []byte("<row "))
		carry = bytes.Clone(chunk[max(0, len(chunk)-4):])
		if err == io.EOF {
			return n
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}
