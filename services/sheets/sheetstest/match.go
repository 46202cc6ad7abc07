package sheetstest

import (
	"fmt"
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
)

// HeaderRow is the row of a table's sheet that holds the headings; the lines follow below it.
const HeaderRow = 4

// Match fails unless the sheets, in order, hold the lines of a table and nothing else: every number, time, duration and text of every line,
// and below the last line a formula for each total that comes to table.Totals. It computes what it expects on its own.
func Match(t testing.TB, sheets []*Sheet, table reports.Table, period reports.Period) {
	t.Helper()
	at, row := 0, HeaderRow
	for r := range table.Rows {
		if row++; at < len(sheets)-1 && row > lastLine(sheets[at]) {
			at, row = at+1, HeaderRow+1
		}
		for i, cell := range r.Cells {
			ref := Ref(position(sheets[at], &table, i), row)
			if err := same(&table.Columns[i], cell, sheets[at].Cell(ref), period); err != nil {
				t.Fatalf("sheet %s, cell %s, column %s: %v", sheets[at].Name, ref, table.Columns[i].Key, err)
			}
		}
	}
	if at != len(sheets)-1 || row != lastLine(sheets[at]) {
		t.Fatalf("the lines of table %s end on sheet %d in row %d; the filter of the last of %d sheets covers %s",
			table.Name, at+1, row, len(sheets), sheets[len(sheets)-1].Filter)
	}
	for i := range table.Columns {
		if table.Totals == nil || !table.Columns[i].Total {
			continue
		}
		ref := Ref(position(sheets[at], &table, i), row+1)
		got := sheets[at].Cell(ref)
		if !strings.HasPrefix(got.Formula, "=SUBTOTAL(109,") {
			t.Errorf("sheet %s, cell %s: formula %q is no live total", sheets[at].Name, ref, got.Formula)
		}
		if err := same(&table.Columns[i], table.Totals[i], got, period); err != nil {
			t.Errorf("sheet %s, total %s of %s: %v", sheets[at].Name, ref, table.Columns[i].Key, err)
		}
	}
}

// position is [Position] on a sheet that may have a column leading to workings, before those that are not printed.
func position(s *Sheet, table *reports.Table, i int) int {
	at := Position(table, i)
	if table.Columns[i].Aside && s.Cell(Ref(firstAside(table), HeaderRow)).Value == "Workings" {
		at++
	}
	return at
}

// Position returns in which column of its sheet, from 0, column i of a table stands: those that are not printed come last, after the events.
func Position(table *reports.Table, i int) int {
	at := 0
	for k, c := range table.Columns {
		if c.Aside != table.Columns[i].Aside {
			if !c.Aside {
				at++
			}
			continue
		}
		if k < i {
			at++
		}
	}
	if table.Columns[i].Aside && table.Cited {
		at++
	}
	return at
}

// lastLine is the last row that a sheet's filter covers.
func lastLine(s *Sheet) int {
	_, end, _ := strings.Cut(s.Filter, ":")
	row, err := strconv.Atoi(strings.TrimLeft(end, "ABCDEFGHIJKLMNOPQRSTUVWXYZ"))
	if err != nil {
		return 0
	}
	return row
}

// Ref returns the reference of column i, from 0, in a row: "A5".
func Ref(i, row int) string {
	letters := ""
	for i++; i > 0; i = (i - 1) / 26 {
		letters = string(rune('A'+(i-1)%26)) + letters
	}
	return fmt.Sprintf("%s%d", letters, row)
}

// same compares a cell of a document with a cell of a workbook.
func same(c *reports.Column, want reports.Cell, got Cell, period reports.Period) error {
	if want.Empty {
		if got.Kind != "" && got.Value != "Total" {
			return fmt.Errorf("want a blank cell, got %+v", got)
		}
		return nil
	}
	switch c.Kind {
	case reports.Number:
		exact, _ := new(big.Rat).SetFrac(big.NewInt(want.Int), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(c.Scale)), nil)).Float64()
		return near(exact, got, "number")
	case reports.Duration:
		if got.Kind == "duration" {
			return check(got, "duration", fmt.Sprint(want.Int))
		}
		return near(float64(want.Int)/86_400_000, got, "number")
	case reports.Instant:
		return check(got, "time", period.Local(events.Time{UnixMS: want.Int}).Format("2006-01-02T15:04:05.000"))
	case reports.Date:
		if day, err := time.Parse(time.DateOnly, want.Text); err == nil {
			return check(got, "time", day.Format("2006-01-02T15:04:05.000"))
		}
	case reports.YesNo:
		return check(got, "text", map[bool]string{true: "Yes", false: "No"}[want.Int != 0])
	}
	return check(got, "text", want.Text)
}

func check(got Cell, kind, value string) error {
	if got.Kind != kind || got.Value != value {
		return fmt.Errorf("want the %s %q, got %+v", kind, value, got)
	}
	return nil
}

// near allows what a sum of a million doubles may lose, and what the fifteen digits of a spreadsheet do.
func near(want float64, got Cell, kind string) error {
	v := math.NaN()
	if _, err := fmt.Sscan(got.Value, &v); err != nil || got.Kind != kind || math.Abs(v-want) > 1e-10*max(1, math.Abs(want)) {
		return fmt.Errorf("want the %s %v, got %+v", kind, want, got)
	}
	return nil
}
