// Package sheetstest reads workbooks with programs that had no part in writing them: openpyxl for what a file says, and LibreOffice for what
// its formulas come to. A test that asks for them fails where they are missing.
//
// Worked example:
//
//	book := sheetstest.Recalculate(t, content) // every formula computed afresh by LibreOffice
//	sheetstest.NoErrors(t, book)
//	total := book.Sheet(t, "Manifest").Cell("D45").Number(t)
package sheetstest

import (
	"archive/zip"
	"bytes"
	"context"
	_ "embed"
	"encoding/json"
	"io"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

//go:embed read.py
var reader string

// Workbook is what a workbook holds.
type Workbook struct {
	Sheets  []*Sheet          `json:"sheets"`
	Names   map[string]string `json:"names"` // defined names and what they refer to
	Title   string            `json:"title"`
	Creator string            `json:"creator"`
	Created string            `json:"created"`
}

// Sheet is one sheet, with the cells that hold something by their reference ("B7").
type Sheet struct {
	Name  string          `json:"name"`
	Cells map[string]Cell `json:"cells"`
	Rows  int             `json:"rows"`
	Setup
}

// Setup is how a sheet is shown and printed. References are without dollar signs.
type Setup struct {
	Freeze      string `json:"freeze"`
	Filter      string `json:"filter"`
	PrintTitles string `json:"printTitles"`
	PrintArea   string `json:"printArea"`
	Scale       int    `json:"scale"` // percent, where the sheet is not fitted to a page
	Paper       int    `json:"paper"`
	Orientation string `json:"orientation"`
	FitToWidth  int    `json:"fitToWidth"`
	FitToPage   bool   `json:"fitToPage"`
	GridLines   bool   `json:"gridLines"`
	Header      string `json:"header"`
	Footer      string `json:"footer"`
	Charts      int    `json:"charts"`
}

// Cell is one cell. Kind is "text", "number", "time" (local, to the millisecond), "duration" (milliseconds), "bool" or "error".
type Cell struct {
	Kind    string `json:"kind"`
	Value   string `json:"value"`
	Formula string `json:"formula"`
	Format  string `json:"format"`
	Link    string `json:"link"`
	Bold    bool   `json:"bold"`
}

// Sheet returns the sheet of that name.
func (w *Workbook) Sheet(t testing.TB, name string) *Sheet {
	t.Helper()
	for _, s := range w.Sheets {
		if s.Name == name {
			return s
		}
	}
	t.Fatalf("the workbook has no sheet %q among %q", name, w.SheetNames())
	return nil
}

// SheetNames returns the names of the sheets in order.
func (w *Workbook) SheetNames() []string {
	out := []string{}
	for _, s := range w.Sheets {
		out = append(out, s.Name)
	}
	return out
}

// Cell returns a cell; one that holds nothing has no kind.
func (s *Sheet) Cell(ref string) Cell { return s.Cells[ref] }

// Number returns a number, or a duration as a fraction of a day.
func (c Cell) Number(t testing.TB) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(c.Value, 64)
	if err != nil || c.Kind != "number" && c.Kind != "duration" {
		t.Fatalf("cell %+v is no number", c)
	}
	if c.Kind == "duration" {
		return v / float64(24*time.Hour/time.Millisecond)
	}
	return v
}

// readTimeout bounds one run of an outside program.
const readTimeout = 5 * time.Minute

// missing is what a test says when a program is not there.
const missing = "%s is needed to check workbooks independently; deploy/check.sh says what to install: %v\n%s"

// Read returns what openpyxl finds in a workbook.
func Read(t testing.TB, content []byte) *Workbook {
	t.Helper()
	file := filepath.Join(t.TempDir(), "book.xlsx")
	if err := os.WriteFile(file, content, 0o600); err != nil {
		t.Fatal(err)
	}
	out := run(t, "python3 with openpyxl", python(), "-c", reader, file)
	w := &Workbook{}
	if err := json.Unmarshal(out, w); err != nil {
		t.Fatalf("what openpyxl read: %v", err)
	}
	return w
}

// python is the system's own interpreter where there is one, because openpyxl is installed as a system package.
func python() string {
	const system = "/usr/bin/python3"
	if _, err := os.Stat(system); err == nil {
		return system
	}
	return "python3"
}

// Recalculate takes the written values of all formulas away, lets LibreOffice open the workbook, compute and save it, and returns what
// openpyxl finds in the result.
func Recalculate(t testing.TB, content []byte) *Workbook {
	t.Helper()
	dir := t.TempDir()
	Convert(t, withoutValues(t, content), "xlsx:Calc MS Excel 2007 XML", filepath.Join(dir, "book.xlsx"))
	result, err := os.ReadFile(filepath.Join(dir, "book.xlsx"))
	if err != nil {
		t.Fatal(err)
	}
	return Read(t, result)
}

// Convert lets LibreOffice write a workbook in another format ("pdf") to a file.
func Convert(t testing.TB, content []byte, format, to string) {
	t.Helper()
	in := filepath.Join(t.TempDir(), strings.TrimSuffix(filepath.Base(to), filepath.Ext(to))+".xlsx")
	if err := os.WriteFile(in, content, 0o600); err != nil {
		t.Fatal(err)
	}
	profile := "-env:UserInstallation=file://" + filepath.ToSlash(t.TempDir())
	out := run(t, "soffice (LibreOffice Calc)", "soffice", "--headless", profile, "--convert-to", format, "--outdir", filepath.Dir(to), in)
	if _, err := os.Stat(to); err != nil {
		t.Fatalf("LibreOffice wrote nothing: %v\n%s", err, out)
	}
}

func run(t testing.TB, what, program string, args ...string) []byte {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), readTimeout)
	defer cancel()
	cmd := exec.CommandContext(ctx, program, args...)
	stderr := &bytes.Buffer{}
	cmd.Stderr = stderr
	out, err := cmd.Output()
	if err != nil {
		t.Fatalf(missing, what, err, stderr)
	}
	return out
}

// withoutValues removes the values written beside formulas.
func withoutValues(t testing.TB, content []byte) []byte {
	t.Helper()
	value := regexp.MustCompile(`</f><v>[^<]*</v>`)
	r, err := zip.NewReader(bytes.NewReader(content), int64(len(content)))
	if err != nil {
		t.Fatal(err)
	}
	out := &bytes.Buffer{}
	w := zip.NewWriter(out)
	for _, f := range r.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		part, err := io.ReadAll(in)
		if err != nil {
			t.Fatal(err)
		}
		to, err := w.Create(f.Name)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := to.Write(value.ReplaceAll(part, []byte("</f>"))); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

// NoErrors fails when a cell of the workbook is an error.
func NoErrors(t testing.TB, w *Workbook) {
	t.Helper()
	for _, s := range w.Sheets {
		for _, ref := range slices.Sorted(maps.Keys(s.Cells)) {
			if c := s.Cells[ref]; c.Kind == "error" {
				t.Errorf("sheet %s, cell %s is the error %s of %s", s.Name, ref, c.Value, c.Formula)
			}
		}
	}
}
