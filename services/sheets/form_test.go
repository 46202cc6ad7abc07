package sheets_test

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports/cells"
	"spoilbook/services/sheets"
	"spoilbook/services/sheets/sheetstest"
)

func sampleForm() *cells.Form {
	return &cells.Form{Title: "A form", Lists: []cells.List{{Name: "Trucks", Items: []string{"TM-01 · Big Heron", "TM-02"}}}, Sheets: []cells.FormSheet{{
		Name: "Day sheet", Freeze: 2, Landscape: true, Widths: []float64{9, 15, 15, 15, 15, 15},
		Rows: [][]cells.FormCell{{cells.Words(cells.Title, "Day sheet")}, {cells.Words(cells.Heading, "No."), cells.Words(cells.Heading, "Slurry (m³)")},
			{cells.Words(cells.Code, "L1"), {Look: cells.FillNumber, Cell: cells.Cell{Kind: cells.Number, Text: "2.4"}}, {Look: cells.FillDate, Cell: cells.Cell{Kind: cells.Moment, Text: "46300"}},
				{Look: cells.FillTime, Cell: cells.Cell{Kind: cells.Moment, Text: "0.34375"}}, cells.Words(cells.Fill, "00417"), {Look: cells.Fill, Cell: cells.Cell{Kind: cells.Truth, Text: "true"}}},
			{cells.Words(cells.Example, "=1+1"), cells.Words(cells.Fill, "@x")}},
		Choices: []cells.Choice{{Range: cells.Range{FirstRow: 3, FirstColumn: 2, LastRow: 3, LastColumn: 2}, List: "Trucks"}}}}}
}

// kept is a form that was written once, for tests that change its parts many times.
var kept struct {
	sync.Once
	content []byte
}

func written(t testing.TB) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := sheets.Form(t.Context(), &b, sampleForm()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// A form that is read says what was written, also after LibreOffice saved it.
func TestFormIsReadBack(t *testing.T) {
	content := written(t)
	if again := written(t); !bytes.Equal(content, again) {
		t.Error("the same form gives other bytes")
	}
	copied := t.TempDir() + "/book.xlsx"
	sheetstest.Convert(t, content, "xlsx:Calc MS Excel 2007 XML", copied)
	for name, content := range map[string][]byte{"ours": content, "LibreOffice's": func() []byte {
		b, err := os.ReadFile(copied)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}()} {
		wb, err := sheets.Read(content)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if len(wb.Sheets) != 2 || wb.Sheets[0].Name != "Day sheet" || wb.Sheets[1].At(2, 1).Text != "TM-01 · Big Heron" {
			t.Fatalf("%s: %+v", name, wb)
		}
		s := &wb.Sheets[0]
		for ref, c := range map[[2]int]cells.Cell{{1, 1}: {Kind: cells.Text, Text: "Day sheet"}, {3, 2}: {Kind: cells.Number, Text: "2.4"}, {3, 3}: {Kind: cells.Moment, Text: "46300"}, {3, 4}: {Kind: cells.Moment, Text: "0.34375"},
			{3, 5}: {Kind: cells.Text, Text: "00417"}, {3, 6}: {Kind: cells.Truth, Text: "true"}, {4, 1}: {Kind: cells.Text, Text: "=1+1"}, {4, 2}: {Kind: cells.Text, Text: "@x"}, {9, 9}: {}} {
			if got := s.At(ref[0], ref[1]); got != c {
				t.Errorf("%s: %s is %+v, want %+v", name, cells.Ref(ref[0], ref[1]), got, c)
			}
		}
	}
	book := sheetstest.Read(t, content)
	if s := book.Sheet(t, "Day sheet"); s.Freeze != "A3" || s.Paper != 9 || s.Orientation != "landscape" || s.FitToWidth != 1 || s.Cell("A4").Formula != "" {
		t.Errorf("setup %+v", s.Setup)
	}
}

// edited is a workbook that somebody changed with another program.
func edited(t testing.TB, change func(f *excelize.File) error) []byte {
	t.Helper()
	f, err := excelize.OpenReader(bytes.NewReader(written(t)))
	if err != nil {
		t.Fatal(err)
	}
	if err := change(f); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := errors.Join(f.Write(&b), f.Close()); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func TestFormulasMergedCellsAndDates(t *testing.T) {
	system1904 := true
	format := func(f *excelize.File, text string) int {
		id, err := f.NewStyle(&excelize.Style{CustomNumFmt: &text})
		if err != nil {
			t.Fatal(err)
		}
		return id
	}
	content := edited(t, func(f *excelize.File) error {
		return errors.Join(f.SetCellFormula("Day sheet", "B3", "1+1"), f.MergeCell("Day sheet", "A4", "B5"), f.SetWorkbookProps(&excelize.WorkbookPropsOptions{Date1904: &system1904}),
			f.SetCellValue("Day sheet", "C3", 44838), f.SetCellValue("Day sheet", "E3", 12.5), f.SetCellStyle("Day sheet", "E3", "E3", format(f, `0.0" d/s"`)),
			f.SetCellValue("Day sheet", "F3", 0.5), f.SetCellStyle("Day sheet", "F3", "F3", format(f, `[h]:mm`)))
	})
	wb, err := sheets.Read(content)
	if err != nil {
		t.Fatal(err)
	}
	s := &wb.Sheets[0]
	if c := s.At(3, 2); c.Kind != cells.Formula || c.Text != "1+1" {
		t.Errorf("formula %+v", c)
	}
	if c := s.At(3, 3); c.Kind != cells.Moment || c.Text != "46300" {
		t.Errorf("a day counted from 1904 is %+v", c)
	}
	if c := s.At(3, 5); c.Kind != cells.Number {
		t.Errorf("a number with letters in its format is %+v", c)
	}
	if c := s.At(3, 6); c.Kind != cells.Moment {
		t.Errorf("elapsed hours are %+v", c)
	}
	if m, ok := s.Joined(5, 2); !ok || m.String() != "A4:B5" {
		t.Errorf("merged %v", s.Merged)
	}
}

// parts makes a workbook of a form with parts changed or added.
func parts(t testing.TB, change map[string]string) []byte {
	t.Helper()
	kept.Do(func() { kept.content = written(t) })
	content := kept.content
	z, err := zip.NewReader(bytes.NewReader(content), int64(len(content)))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	put := func(name string, in io.Reader) {
		out, err := w.Create(name)
		if err == nil {
			_, err = io.Copy(out, in)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, f := range z.File {
		if _, changed := change[f.Name]; changed {
			continue
		}
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		put(f.Name, in)
	}
	for name, text := range change {
		put(name, strings.NewReader(text))
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

const sheetPart = "xl/worksheets/sheet1.xml"

func sheetXML(inside string) map[string]string {
	return map[string]string{sheetPart: `<?xml version="1.0"?><worksheet xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData>` + inside + `</worksheet>`}
}

func TestHarmfulFilesAreRefused(t *testing.T) {
	var many strings.Builder
	for range 3000 {
		many.WriteString(`<row>` + strings.Repeat(`<c><v>1</v></c>`, 20) + `</row>`)
	}
	for name, c := range map[string]struct {
		content []byte
		says    string
	}{
		"nothing":             {nil, "no workbook"},
		"text":                {[]byte("hello"), "no workbook"},
		"old or locked":       {append([]byte{0xd0, 0xcf, 0x11, 0xe0}, make([]byte, 600)...), "password"},
		"large":               {make([]byte, sheets.MaxReadBytes+1), "at most"},
		"macros":              {parts(t, map[string]string{"xl/vbaProject.bin": "x"}), "macros"},
		"old macros":          {parts(t, map[string]string{"xl/macrosheets/sheet1.xml": "x"}), "macros"},
		"bomb":                {parts(t, map[string]string{"xl/media/image1.png": strings.Repeat("0", 60<<20)}), "far larger unpacked"},
		"bomb in a sheet":     {parts(t, sheetXML(strings.Repeat(" ", 60<<20))), "far larger unpacked"},
		"a far row":           {parts(t, sheetXML(`<row r="1048576"><c r="A1048576"><v>1</v></c></row></sheetData>`)), "row 1048576"},
		"a far column":        {parts(t, sheetXML(`<row r="1"><c r="XFD1"><v>1</v></c></row></sheetData>`)), "XFD1"},
		"a nonsense cell":     {parts(t, sheetXML(`<row r="1"><c r="1A"><v>1</v></c></row></sheetData>`)), "1A"},
		"too many rows":       {parts(t, sheetXML(many.String()+`</sheetData>`)), "40000 cells"},
		"a merged sheet":      {parts(t, sheetXML(`</sheetData><mergeCells count="1"><mergeCell ref="A1:XFD1048576"/></mergeCells>`)), "merged cells"},
		"broken XML":          {parts(t, sheetXML(`<row></c>`)), "saved by a spreadsheet program"},
		"another kind of zip": {func() []byte { var b bytes.Buffer; w := zip.NewWriter(&b); _ = w.Close(); return b.Bytes() }(), "no XLSX workbook"},
		"many parts": {parts(t, func() map[string]string {
			m := map[string]string{}
			for i := range 500 {
				m[fmt.Sprint("xl/x", i)] = ""
			}
			return m
		}()), "parts in the file"},
		"cut off":                {written(t)[:4000], "no workbook"},
		"shared text that lacks": {parts(t, map[string]string{"xl/workbook.xml": "<workbook"}), "saved by a spreadsheet program"},
	} {
		wb, err := sheets.Read(c.content)
		var p *cells.Problems
		if !errors.As(err, &p) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: want %q, found %v, %v", name, c.says, err, wb)
		}
	}
}

// Whatever the file, reading it ends in cells or in problems.
func FuzzRead(f *testing.F) {
	f.Add(written(f))
	f.Add(parts(f, sheetXML(`<row r="3"><c r="B3" t="s"><v>99</v></c><c t="inlineStr"><is><t>x</t></is></c></row></sheetData>`)))
	f.Add(parts(f, sheetXML(`<row><c r="B3" s="9999" t="d"><f t="shared" si="9"/><v>2026-10-05</v></c></row></sheetData>`)))
	f.Fuzz(func(t *testing.T, content []byte) {
		wb, err := sheets.Read(content)
		var p *cells.Problems
		if err != nil && !errors.As(err, &p) {
			t.Fatalf("%v", err)
		}
		if err == nil && len(wb.Sheets) > 60 {
			t.Fatalf("%d sheets", len(wb.Sheets))
		}
	})
}

// Whatever stands in a sheet's part, reading it ends so too; this reaches further in than bytes of a zip file.
func FuzzReadSheet(f *testing.F) {
	f.Add(`<row r="3"><c r="B3" t="s"><v>99</v></c><c t="inlineStr"><is><t>x</t></is></c></row></sheetData>`)
	f.Add(`<row><c r="B3" s="9999"><f t="shared" si="9"/><v>1e999</v></c></row></sheetData><mergeCells><mergeCell ref="B3:A1"/></mergeCells>`)
	f.Add(`</sheetData><mergeCells><mergeCell ref="A1:B2"/><mergeCell ref="A2:C9"/></mergeCells>`)
	f.Fuzz(func(t *testing.T, inside string) {
		_, err := sheets.Read(parts(t, sheetXML(inside)))
		var p *cells.Problems
		if err != nil && !errors.As(err, &p) {
			t.Fatalf("%v", err)
		}
	})
}
