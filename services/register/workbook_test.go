package register_test

import (
	"bytes"
	"errors"
	"os"
	"reflect"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports/cells"
	"spoilbook/services/register"
	"spoilbook/services/sheets"
	"spoilbook/services/sheets/sheetstest"
)

// asCells is a form as a workbook, without a file between them.
func asCells(form *cells.Form) *cells.Workbook {
	wb := &cells.Workbook{}
	for _, s := range form.Sheets {
		sheet := cells.Sheet{Name: s.Name}
		for _, row := range s.Rows {
			list := make([]cells.Cell, len(row))
			for i := range row {
				list[i] = row[i].Cell
			}
			sheet.Rows = append(sheet.Rows, list)
		}
		wb.Sheets = append(wb.Sheets, sheet)
	}
	return wb
}

func invented(t *testing.T, folder string) []events.RegisterRevised {
	t.Helper()
	revs, err := register.Read(os.DirFS(folder))
	if err != nil {
		t.Fatal(err)
	}
	return revs
}

// byText says what revisions say, whatever their order.
func byText(t *testing.T, revs []events.RegisterRevised) map[string][]byte {
	t.Helper()
	files, err := register.Write(revs)
	if err != nil {
		t.Fatal(err)
	}
	return files
}

// The register as a workbook is the register, also after a file was written, and after LibreOffice saved that.
func TestWorkbookSaysTheSame(t *testing.T) {
	for _, folder := range []string{"../demo/register", "../../testdata/example/register"} {
		revs := invented(t, folder)
		form, err := register.Workbook(revs)
		if err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := sheets.Form(t.Context(), &b, form); err != nil {
			t.Fatal(err)
		}
		copied := t.TempDir() + "/register.xlsx"
		sheetstest.Convert(t, b.Bytes(), "xlsx:Calc MS Excel 2007 XML", copied)
		saved, err := os.ReadFile(copied)
		if err != nil {
			t.Fatal(err)
		}
		want := byText(t, revs)
		for name, content := range map[string][]byte{"ours": b.Bytes(), "LibreOffice's": saved} {
			wb, err := sheets.Read(content)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			got, err := register.Loader{}.Workbook(wb, "", time.UTC)
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			if have := byText(t, got); !reflect.DeepEqual(have, want) {
				for file := range want {
					if !bytes.Equal(have[file], want[file]) {
						t.Errorf("%s, %s: %s\nwant\n%s", folder, file, have[file], want[file])
					}
				}
			}
		}
	}
}

func TestWorkbookThatIsWrong(t *testing.T) {
	revs := invented(t, "../../testdata/example/register")
	text := func(s string) cells.Cell { return cells.Cell{Kind: cells.Text, Text: s} }
	find := func(wb *cells.Workbook, sheet, heading string) (*cells.Sheet, int) {
		for i := range wb.Sheets {
			s := &wb.Sheets[i]
			for c := 1; s.Name == sheet && c <= len(s.Rows[2]); c++ {
				if s.At(3, c).Says() == heading {
					return s, c
				}
			}
		}
		t.Fatalf("no %s %s", sheet, heading)
		return nil, 0
	}
	for _, c := range []struct {
		sheet, heading string
		row            int
		cell           cells.Cell
		says           string
	}{
		{"truck", "Key", 4, text("no key"), "letters, digits"}, {"truck", "Holds from", 4, text("soon"), "a day such as"}, {"truck", "Name", 4, cells.Cell{}, "1 to 80"},
		{"truck", "Tare, both tanks empty (kg)", 4, text("heavy"), "a whole number"}, {"truck", "Tare, both tanks empty (kg)", 4, cells.Cell{Kind: cells.Formula, Text: "1+1"}, "the value itself"},
		{"truck", "Carrier", 4, text("NOBODY"), "in force"}, {"truck", "Name", 3, text("Nmae"), "the headings"}, {"job", "Time zone", 4, text("Nowhere"), "IANA"},
		{"rate-card", "Hourly rates: An hour", 5, text("much"), "decimal"}, {"rate-card", "Name", 5, text("x"), "nothing in a row without a key"}, {"tax", "Key", 3, text("Keys"), "no heading Key"},
	} {
		form, err := register.Workbook(revs)
		if err != nil {
			t.Fatal(err)
		}
		wb := asCells(form)
		s, column := find(wb, c.sheet, c.heading)
		s.Rows[c.row-1][column-1] = c.cell
		got, err := register.Loader{}.Workbook(wb, "x", time.UTC)
		var p *cells.Problems
		if got != nil || !errors.As(err, &p) || !strings.Contains(err.Error(), c.says) || !strings.Contains(err.Error(), "sheet "+c.sheet) {
			t.Errorf("%s %s row %d: %v", c.sheet, c.heading, c.row, err)
		}
		if c.row > 3 && !strings.Contains(err.Error(), "cell "+cells.Ref(c.row, column)) {
			t.Errorf("%s: the cell is %s: %v", c.heading, cells.Ref(c.row, column), err)
		}
	}
	for _, wb := range []*cells.Workbook{{}, {Sheets: []cells.Sheet{{Name: "truck"}}}, {Sheets: []cells.Sheet{{Name: "truck", Merged: []cells.Range{{FirstRow: 1, FirstColumn: 1, LastRow: 2, LastColumn: 2}}}}}} {
		if _, err := (register.Loader{}).Workbook(wb, "x", time.UTC); err == nil {
			t.Errorf("%+v is taken", wb)
		}
	}
}

// Whatever stands in a cell, reading ends in revisions that are valid, or in problems with their place.
func FuzzWorkbook(f *testing.F) {
	f.Add(uint8(1), uint8(4), uint8(1), "no key", uint8(1))
	f.Add(uint8(9), uint8(6), uint8(30), "85,00", uint8(1))
	f.Add(uint8(0), uint8(4), uint8(2), "46300", uint8(3))
	revs, err := register.Read(os.DirFS("../../testdata/example/register"))
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, sheet, row, column uint8, content string, kind uint8) {
		form, err := register.Workbook(revs)
		if err != nil {
			t.Fatal(err)
		}
		wb := asCells(form)
		s := &wb.Sheets[int(sheet)%len(wb.Sheets)]
		if list := s.Rows[int(row)%len(s.Rows)]; len(list) > 0 {
			list[int(column)%len(list)] = cellOf(content, kind)
		}
		got, err := register.Loader{}.Workbook(wb, "x", time.UTC)
		var p *cells.Problems
		if err != nil && (!errors.As(err, &p) || len(p.List) == 0 || p.List[0].Sheet == "") {
			t.Fatalf("%v", err)
		}
		for _, rev := range got {
			c := &events.Check{}
			if rev.Check(c); c.Err() != nil {
				t.Fatalf("%s: %v", rev.Key, c.Err())
			}
		}
	})
}

func cellOf(content string, kind uint8) cells.Cell {
	return cells.Cell{Kind: cells.Kind(kind % 7), Text: content}
}
