package sheets

import (
	"bytes"
	"math"
	"math/big"
	"strconv"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"
	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
)

func TestDecimalIsExact(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		v, scale := rapid.Int64().Draw(rt, "v"), rapid.IntRange(0, maxScale).Draw(rt, "scale")
		want := new(big.Rat).SetFrac(big.NewInt(v), new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(scale)), nil))
		if got, ok := new(big.Rat).SetString(decimal(v, scale)); !ok || got.Cmp(want) != 0 {
			rt.Fatalf("decimal(%d, %d) = %s", v, scale, decimal(v, scale))
		}
	})
}

func TestNumberKeepsFifteenDigits(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		v, scale := rapid.Int64Range(-1e15+1, 1e15-1).Draw(rt, "v"), rapid.IntRange(0, 12).Draw(rt, "scale")
		want, err := strconv.ParseFloat(decimal(v, scale), 64)
		if err != nil || number(v, scale) != want {
			rt.Fatalf("number(%d, %d) = %v, want %v", v, scale, number(v, scale), want)
		}
	})
	if got := number(math.MaxInt64, 0); strconv.FormatFloat(got, 'f', -1, 64) != "9223372036854780000" {
		t.Errorf("the largest number is %v", got)
	}
}

func TestShown(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	period, err := reports.Days("2026-10-01", "2026-10-31", zone)
	if err != nil {
		t.Fatal(err)
	}
	summer, winter := events.MustTime("2026-10-25T01:30:00.250+01:00"), events.MustTime("2026-10-25T01:30:00.250Z")
	for _, c := range []struct {
		column       reports.Column
		cell         reports.Cell
		shown, exact string
	}{
		{reports.VolumeColumn("v_m3", "V"), reports.N(3242576), "3.243", "3.242576"},
		{reports.VolumeColumn("v_m3", "V"), reports.N(-499), "0.000", "-0.000499"},
		{reports.MassColumn("m_kg", "M"), reports.N(1_234_567_500), "1,234,568", "1234567.500"},
		{reports.MoneyColumn("e", "E", "EUR"), reports.N(-5), "-0.05", "-0.05"},
		{reports.CountColumn("n", "N"), reports.N(-1234), "-1,234", "-1234"},
		{reports.InstantColumn("t", "T"), reports.At(summer), "2026-10-25 01:30", "2026-10-25T01:30:00.250+01:00"},
		{reports.InstantColumn("t", "T"), reports.At(winter), "2026-10-25 01:30", "2026-10-25T01:30:00.250Z"},
		{reports.DurationColumn("d_h", "D"), reports.N(27_930_000), "7:45", "7:45:30"},
		{reports.DurationColumn("d_h", "D"), reports.N(-60_001), "-0:01", "-0:01:00.001"},
		{reports.DurationColumn("d_h", "D"), reports.N(360_000_000), "100:00", "100:00:00"},
		{reports.Column{Kind: reports.YesNo}, reports.Yes(true), "Yes", "Yes"},
		{reports.Column{Kind: reports.YesNo}, reports.Yes(false), "No", "No"},
		{reports.TextColumn("x", "X"), reports.T("x"), "x", "x"},
		{reports.VolumeColumn("v_m3", "V"), reports.Blank(), "", ""},
	} {
		if got := shown(&c.column, c.cell, period); got != c.shown {
			t.Errorf("%+v is shown as %q, want %q", c.cell, got, c.shown)
		}
		if got := exact(&c.column, c.cell, period); got != c.exact {
			t.Errorf("%+v is exactly %q, want %q", c.cell, got, c.exact)
		}
	}
}

func TestClockChanges(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		first, last string
		want        bool
	}{{"2026-10-01", "2026-10-24", false}, {"2026-10-25", "2026-10-25", true}, {"2026-10-26", "2026-10-31", false}, {"2026-01-01", "2026-12-31", true}} {
		period, err := reports.Days(c.first, c.last, zone)
		if err != nil {
			t.Fatal(err)
		}
		if p := (&Provenance{Period: period}); p.clockChanges() != c.want {
			t.Errorf("clocks change from %s to %s: %v, want %v", c.first, c.last, !c.want, c.want)
		}
	}
}

func TestPeriodText(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Dublin")
	if err != nil {
		t.Fatal(err)
	}
	day, err := reports.Days("2026-10-25", "2026-10-25", zone)
	if err != nil {
		t.Fatal(err)
	}
	shift := reports.Period{From: events.MustTime("2026-10-05T06:00:00.000+01:00"), To: events.MustTime("2026-10-06T06:00:00.000+01:00"), Zone: zone}
	for want, period := range map[string]reports.Period{"2026-10-25": day, "2026-10-05 06:00 up to 2026-10-06 06:00": shift} {
		if p := (&Provenance{Period: period}); p.periodText() != want {
			t.Errorf("period %q, want %q", p.periodText(), want)
		}
	}
}

func TestSumOverflow(t *testing.T) {
	s := sum{}
	s.add(reports.N(math.MaxInt64))
	s.add(reports.N(-1))
	s.add(reports.Blank())
	if s.overflow || s.value != math.MaxInt64-1 {
		t.Errorf("sum %+v", s)
	}
	s.add(reports.N(2))
	if !s.overflow {
		t.Error("a sum beyond 64 bits was not noticed")
	}
	s = sum{}
	s.add(reports.N(math.MinInt64))
	s.add(reports.N(-1))
	if !s.overflow {
		t.Error("a sum below 64 bits was not noticed")
	}
}

func TestHourStep(t *testing.T) {
	for longest, want := range map[int64]time.Duration{0: 10 * time.Minute, 8 * msPerHour: time.Hour, 11 * msPerHour: 2 * time.Hour,
		40 * msPerHour: 6 * time.Hour, 300 * msPerHour: 48 * time.Hour} {
		if got := hourStep(longest) * 24; math.Abs(got-want.Hours()) > 1e-9 {
			t.Errorf("an axis to %d h has steps of %v h, want %v", longest/msPerHour, got, want.Hours())
		}
	}
}

func TestLineCount(t *testing.T) {
	for _, c := range []struct {
		text  string
		width float64
		lines int
	}{{"", 10, 1}, {"aaaa aaaa", 10, 1}, {"aaaa aaaa aaaa", 10, 2}, {"aaaaaaaaaaaaaaaaaaaaaaaaa", 10, 3}, {"a\nb\n\nc", 10, 4}, {"aaaa aaaaaaaaaaaaaaa", 10, 3}} {
		if got := lineCount(c.text, c.width); got != c.lines {
			t.Errorf("%q takes %d lines of %v, want %d", c.text, got, c.width, c.lines)
		}
	}
}

func FuzzSheetNames(f *testing.F) {
	f.Add("Loads", "loads")
	f.Add("History", "Cover")
	f.Add("a/b[c]:*?\\", "''")
	f.Add(strings.Repeat("😀", 20), strings.Repeat("😀", 20))
	f.Add("\x00\xff", "Loads (2)")
	f.Fuzz(func(t *testing.T, a, b string) {
		n, book := newNames(coverSheet), excelize.NewFile()
		seen := map[string]bool{"sheet1": true}
		for _, wanted := range []string{a, b, a, b} {
			name := n.sheet(wanted)
			if key := strings.ToLower(name); key == "cover" || key == "history" || seen[key] && key != "sheet1" {
				t.Fatalf("the name %q for %q is taken", name, wanted)
			}
			seen[strings.ToLower(name)] = true
			if _, err := book.NewSheet(name); err != nil {
				t.Fatalf("the name %q for %q is refused: %v", name, wanted, err)
			}
			defined := n.rangeName(name)
			if err := book.SetDefinedName(&excelize.DefinedName{Name: defined, RefersTo: quoteSheet(name) + "!$A$1"}); err != nil {
				t.Fatalf("the name %q for the rows of %q is refused: %v", defined, name, err)
			}
		}
	})
}

func FuzzTexts(f *testing.F) {
	f.Add("=1+1", "Sheet")
	f.Add("\x00\x1b\ufffe\xff", "'[]")
	f.Add("_x0041_", " ")
	f.Add("a\r\nb\rc", "&D&P")
	f.Fuzz(func(t *testing.T, text, name string) {
		if name == "" {
			return
		}
		d := one(textTableOf(text))
		d.Title, d.Tables[0].Name, d.Tables[0].Title, d.Tables[0].Note = text, name, text, text
		content := workbook(t, d, wide(), 1)
		book, err := excelize.OpenReader(bytes.NewReader(content))
		if err != nil {
			t.Fatalf("the workbook can not be read: %v", err)
		}
		defer func() { _ = book.Close() }()
		sheet := book.GetSheetList()[1]
		got, err := book.GetCellValue(sheet, "A5")
		if err != nil {
			t.Fatal(err)
		}
		if want := cellText(text); got != want || !utf8.ValidString(got) {
			t.Fatalf("the text %q came back as %q, want %q", text, got, want)
		}
		if formula, err := book.GetCellFormula(sheet, "A5"); err != nil || formula != "" {
			t.Fatalf("the text %q became the formula %q (%v)", text, formula, err)
		}
	})
}
