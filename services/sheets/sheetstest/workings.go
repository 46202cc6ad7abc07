package sheetstest

import (
	"math"
	"math/big"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"spoilbook/reports"
)

// Workings fails unless every line of a document that x explains leads to its workings, which lead back, say the same and redo every step of
// arithmetic that begins with a number: the formula comes to the figure stated, to its printed digits. The workbook is one whose formulas
// were computed by another program. It returns how many formulas it held against their figures.
func Workings(t testing.TB, book *Workbook, d reports.Document, x reports.Explainer) (formulas int) {
	t.Helper()
	for i := range d.Tables {
		table, line := &d.Tables[i], cursor{book: book, sheet: d.Tables[i].Name, row: HeaderRow}
		for row := range table.Rows {
			line.next(t)
			e, ok := x.Explain(table.Name, row.Key)
			if row.Key == "" || !ok {
				continue
			}
			sheet := book.Sheet(t, line.sheet)
			to, at := target(t, sheet.Cell(Ref(firstAside(table), line.row)), "how")
			w := cursor{book: book, sheet: to, row: at}
			back, backRow := target(t, book.Sheet(t, to).Cell(Ref(0, at)), "")
			if back != line.sheet || backRow != line.row {
				t.Errorf("the workings on sheet %s in row %d lead back to %s, row %d, and not to %s, row %d", to, at, back, backRow, line.sheet, line.row)
			}
			formulas += matchWorkings(t, &w, &e)
		}
	}
	return formulas
}

// cursor is a row of a list that may go on on further sheets.
type cursor struct {
	book  *Workbook
	sheet string
	row   int
}

// next goes on to the next row of the list.
func (c *cursor) next(t testing.TB) {
	t.Helper()
	if c.row++; c.row <= lastLine(c.book.Sheet(t, c.sheet)) {
		return
	}
	if goesOn, ok := strings.CutPrefix(c.book.Sheet(t, c.sheet).Cell(Ref(0, c.row)).Value, "Continued on sheet "); ok {
		c.sheet, c.row = goesOn, HeaderRow+1
	}
}

func (c *cursor) cell(t testing.TB, column int) Cell {
	t.Helper()
	return c.book.Sheet(t, c.sheet).Cell(Ref(column, c.row))
}

var leads = regexp.MustCompile(`^=HYPERLINK\("#'(.+)'!A(\d+)","(.+)"\)$`)

// target returns where a cell leads, which shows label unless that is empty.
func target(t testing.TB, c Cell, label string) (sheet string, row int) {
	t.Helper()
	found := leads.FindStringSubmatch(c.Formula)
	if found == nil || c.Kind != "text" || c.Value != found[3] || label != "" && c.Value != label {
		t.Fatalf("the cell %+v leads nowhere", c)
	}
	row, err := strconv.Atoi(found[2])
	if err != nil {
		t.Fatal(err)
	}
	return found[1], row
}

// matchWorkings compares an explanation with the rows from where the cursor stands.
func matchWorkings(t testing.TB, w *cursor, e *reports.Explanation) (formulas int) {
	t.Helper()
	want := func(column int, text string) {
		t.Helper()
		if got := w.cell(t, column); got.Value != text {
			t.Errorf("sheet %s, row %d: found %q, want %q", w.sheet, w.row, got.Value, text)
		}
	}
	want(1, e.Says)
	want(2, e.Key)
	for _, u := range e.Register {
		w.next(t)
		want(0, "Register")
		want(1, string(u.Register)+" "+u.Key+": "+u.Reads)
		want(5, strconv.FormatUint(u.Position, 10))
	}
	for _, r := range e.Rules {
		w.next(t)
		want(0, "Rule")
		want(1, r.Rule)
		want(3, r.Source)
	}
	for _, s := range e.Steps {
		w.next(t)
		want(0, "Step")
		want(1, s.What)
		want(2, s.Arithmetic)
		want(3, s.Result)
		if s.Arithmetic == "" {
			continue
		}
		formulas++
		if got := w.cell(t, 4); !strings.HasPrefix(got.Formula, "=") || !comesTo(got.Value, s.Result) {
			t.Errorf("sheet %s, row %d: %q comes to %+v, and the result is %q", w.sheet, w.row, s.Arithmetic, got, s.Result)
		}
	}
	return formulas
}

// comesTo reports whether a number is the one that a result begins with, to its last printed digit.
func comesTo(got, result string) bool {
	text, _, _ := strings.Cut(result, " ")
	text = strings.NewReplacer(",", "", "−", "-").Replace(text)
	want, ok := new(big.Rat).SetString(text)
	number, err := strconv.ParseFloat(got, 64)
	if !ok || err != nil {
		return false
	}
	_, fraction, _ := strings.Cut(text, ".")
	exact, _ := want.Float64()
	return math.Abs(number-exact) <= 0.5*math.Pow10(-len(fraction))+1e-12*math.Abs(exact)
}

// firstAside is the column after those that are printed, in which a table's links to its workings stand.
func firstAside(table *reports.Table) int {
	n := 0
	for _, c := range table.Columns {
		if !c.Aside {
			n++
		}
	}
	if table.Cited {
		n++
	}
	return n
}
