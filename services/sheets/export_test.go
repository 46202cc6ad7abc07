package sheets

import (
	"archive/zip"
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"math/big"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/sheets/sheetstest"
)

func readCSV(t *testing.T, content []byte) [][]string {
	t.Helper()
	records, err := csv.NewReader(bytes.NewReader(content)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return records
}

func TestCSV(t *testing.T) {
	p := provenance(t)
	out := &bytes.Buffer{}
	if err := CSV(out, sheetstest.Document(p.Period, 3), "Loads", p); err != nil {
		t.Fatal(err)
	}
	want := "started,truck,job,material,slurry_m3,solids_kg,decanted_l,density_kg_l,tipped_on,facility,docket,loading_h,fee_eur,remarks,event_positions\r\n" +
		"2026-10-01T00:00:00.000+01:00,TM-01,J-101,\"Clay, firm\",1.242576,983.250,0.000,1.180,2026-10-01,F-QUARRY Stonefield recovery,No,0:07:00,42.50,,1\r\n" +
		"2026-10-01T00:41:00.000+01:00,TM-02,J-102,Made ground with brick and timber,1.335583,1039.021,17.500,1.187,2026-10-01,F-TIP Lower Tarn landfill,Yes,0:08:01.500,55.87,\"Slow: cobbles at 0.9 m, nozzle changed\",4 5\r\n" +
		"2026-10-01T01:22:00.000+01:00,TM-03,J-103,Silty sand,1.428590,1094.792,35.000,1.194,2026-10-01,F-QUARRY Stonefield recovery,Yes,0:09:03,69.24,,7 8 9\r\n"
	if out.String() != want {
		t.Errorf("CSV is\n%s\nwant\n%s", out, want)
	}
	out.Reset()
	if err := CSV(out, sheetstest.Document(p.Period, 3), "findings", p); err != nil {
		t.Fatal(err)
	}
	if got := readCSV(t, out.Bytes()); len(got) != 5 || got[1][0] != "Serious" || got[1][8] != "12 15" {
		t.Errorf("findings are %q", got)
	}
	err := CSV(out, sheetstest.Document(p.Period, 3), "Spoil", p)
	if err == nil || !strings.Contains(err.Error(), "choose one of Loads, Time split, Water, findings") {
		t.Errorf("an unknown table gives %v", err)
	}
}

// TestCSVTextIsInert checks that taking one leading apostrophe away gives every text back, and that none begins as a formula does.
func TestCSVTextIsInert(t *testing.T) {
	p := provenance(t)
	rapid.Check(t, func(rt *rapid.T) {
		want := rapid.OneOf(rapid.String(), rapid.StringMatching(`[=+@'\t\r-]{0,3}[a-z ,"\n]{0,5}`)).Draw(rt, "text")
		want = strings.NewReplacer("\r\n", "\n", "\r", "\n").Replace(want)
		out := &bytes.Buffer{}
		if err := CSV(out, one(textTableOf(want, "x")), "Texts", p); err != nil {
			rt.Fatal(err)
		}
		records, err := csv.NewReader(out).ReadAll()
		if err != nil {
			rt.Fatal(err)
		}
		got := ""
		if len(records) == 3 { // the reader leaves out a line that is empty, as that of an empty text is
			got = records[1][0]
		}
		if got != "" && strings.ContainsAny(got[:1], "=+-@\t\r") {
			rt.Fatalf("the text %q became %q, which a spreadsheet runs", want, got)
		}
		if back := strings.TrimPrefix(got, "'"); back != want && got != want {
			rt.Fatalf("the text %q came back as %q", want, got)
		}
	})
}

func TestCSVZip(t *testing.T) {
	p := provenance(t)
	d := sheetstest.Document(p.Period, 30)
	first, second := &bytes.Buffer{}, &bytes.Buffer{}
	for _, out := range []*bytes.Buffer{first, second} {
		if err := CSVZip(out, d, p); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(first.Bytes(), second.Bytes()) {
		t.Error("two archives of the same document differ")
	}
	files := unzip(t, first.Bytes())
	for name, lines := range map[string]int{"Loads.csv": 31, "Time split.csv": 41, "Water.csv": 15, "findings.csv": 5} {
		if got := readCSV(t, files[name]); len(got) != lines {
			t.Errorf("%s has %d records, want %d", name, len(got), lines)
		}
	}
	for _, want := range []string{"Tarnmoor Groundworks", "events up to position 1482", "Serious (1)", "permit-expired: 2026-10-06 TM-01 J-102: the permit of F-TIP", "Spoil          3.24 m³ of clay", "not a statement of legal compliance",
		"Loads.csv  Loads and where they went", "one apostrophe in front"} {
		if !strings.Contains(string(files["README.txt"]), want) {
			t.Errorf("README.txt does not say %q; it says\n%s", want, files["README.txt"])
		}
	}
	if len(files) != 5 {
		t.Errorf("%d files, want 5", len(files))
	}
}

func unzip(t *testing.T, content []byte) map[string][]byte {
	t.Helper()
	r, err := zip.NewReader(bytes.NewReader(content), int64(len(content)))
	if err != nil {
		t.Fatal(err)
	}
	files := map[string][]byte{}
	for _, f := range r.File {
		in, err := f.Open()
		if err != nil {
			t.Fatal(err)
		}
		if files[f.Name], err = io.ReadAll(in); err != nil {
			t.Fatal(err)
		}
	}
	return files
}

// parsed is a JSON export as a reader without this package sees it.
type parsed struct {
	Report     string
	Provenance map[string]any
	Notes      []string
	Tables     []struct {
		Name string
		Rows []struct {
			Values map[string]any
			Events []uint64
		}
		Totals map[string]any
	}
	Pictures []map[string]any
	Findings []map[string]any
}

func readJSON(t *testing.T, d reports.Document) parsed {
	t.Helper()
	out, got := &bytes.Buffer{}, parsed{}
	if err := JSON(out, d, provenance(t)); err != nil {
		t.Fatal(err)
	}
	decoder := json.NewDecoder(out)
	decoder.UseNumber()
	if err := decoder.Decode(&got); err != nil {
		t.Fatal(err)
	}
	return got
}

// TestFormatsAgree reads every line of every table from the workbook, the CSV and the JSON, and compares them with each other.
func TestFormatsAgree(t *testing.T) {
	p := provenance(t)
	d := sheetstest.Document(p.Period, 40)
	book, fromJSON := sheetstest.Read(t, workbook(t, d, wide(), 1)), readJSON(t, d)
	for n, table := range d.Tables {
		out := &bytes.Buffer{}
		if err := CSV(out, d, table.Name, p); err != nil {
			t.Fatal(err)
		}
		records, sheet := readCSV(t, out.Bytes()), book.Sheet(t, table.Name)
		for r, row := range fromJSON.Tables[n].Rows {
			record := records[r+1]
			for c, column := range table.Columns {
				cell := sheet.Cell(sheetstest.Ref(sheetstest.Position(&table, c), r+5))
				if err := agree(column, cell, record[c], row.Values[column.Key], p.Period); err != nil {
					t.Fatalf("table %s, line %d, column %s: %v", table.Name, r+1, column.Key, err)
				}
			}
			if table.Cited && record[len(table.Columns)] != strings.Trim(fmt.Sprint(row.Events), "[]") {
				t.Fatalf("table %s, line %d: CSV cites %q, JSON %v", table.Name, r+1, record[len(table.Columns)], row.Events)
			}
		}
		if len(records) != len(fromJSON.Tables[n].Rows)+1 {
			t.Errorf("table %s: %d records of CSV, %d rows of JSON", table.Name, len(records), len(fromJSON.Tables[n].Rows))
		}
	}
}

func agree(c reports.Column, cell sheetstest.Cell, fromCSV string, fromJSON any, period reports.Period) error {
	problem := fmt.Errorf("workbook %+v, CSV %q, JSON %v", cell, fromCSV, fromJSON)
	if fromJSON == nil {
		if cell.Kind != "" || fromCSV != "" {
			return problem
		}
		return nil
	}
	text := fmt.Sprint(fromJSON)
	switch c.Kind {
	case reports.Number:
		v, err := strconv.ParseFloat(text, 64)
		inBook, bookErr := strconv.ParseFloat(cell.Value, 64)
		if err != nil || bookErr != nil || v != inBook || text != fromCSV {
			return problem
		}
	case reports.Instant:
		at, err := time.Parse(time.RFC3339, text)
		if err != nil || at.In(period.Zone).Format("2006-01-02T15:04:05.000") != cell.Value || text != fromCSV {
			return problem
		}
	case reports.Duration:
		ms, err := strconv.ParseInt(cell.Value, 10, 64)
		if err != nil || exactClock(ms) != text || text != fromCSV {
			return problem
		}
	case reports.Date:
		if cell.Value != text+"T00:00:00.000" || text != fromCSV {
			return problem
		}
	case reports.YesNo:
		if cell.Value != fromCSV || (fromCSV == "Yes") != fromJSON.(bool) {
			return problem
		}
	default:
		if cell.Value != text || text != fromCSV {
			return problem
		}
	}
	return nil
}

func TestJSONIsExact(t *testing.T) {
	values := []int64{3242576, 0, -1, 1<<63 - 1, -1 << 63, 1_000_000, 123_456_789_012_345_678}
	rows := []reports.Row{}
	for _, v := range values {
		rows = append(rows, reports.Row{Cells: []reports.Cell{reports.N(v)}})
	}
	got := readJSON(t, one(reports.Table{Name: "N", Columns: []reports.Column{reports.VolumeColumn("v_m3", "V")}, Rows: reports.RowsOf(rows)}))
	if first := fmt.Sprint(got.Tables[0].Rows[0].Values["v_m3"]); first != "3.242576" {
		t.Errorf("3242576 mL is written as %s m³, want 3.242576", first)
	}
	for i, v := range values {
		text := fmt.Sprint(got.Tables[0].Rows[i].Values["v_m3"])
		r, ok := new(big.Rat).SetString(text)
		if !ok || r.Cmp(big.NewRat(v, 1_000_000)) != 0 {
			t.Errorf("%d mL is written as %s m³", v, text)
		}
	}
	if got.Tables[0].Totals != nil {
		t.Errorf("a table without totals has %v", got.Tables[0].Totals)
	}
}

func TestJSONCover(t *testing.T) {
	d := sheetstest.Document(provenance(t).Period, 5)
	got := readJSON(t, d)
	for key, want := range map[string]string{"carrier": "Tarnmoor Groundworks", "from": "2026-10-01T00:00:00.000+01:00", "to": "2026-11-01T00:00:00.000Z",
		"zone": "Europe/Dublin", "truck": "TM-01", "position": "1482", "registerPosition": "1307", "at": "2026-11-02T09:30:00.000Z"} {
		if text := fmt.Sprint(got.Provenance[key]); text != want {
			t.Errorf("provenance %s is %s, want %s", key, text, want)
		}
	}
	if len(got.Findings) != 4 || got.Findings[0]["code"] != "permit-expired" || fmt.Sprint(got.Findings[0]["events"]) != "[12 15]" {
		t.Errorf("findings are %v", got.Findings)
	}
	if len(got.Pictures) != 3 || got.Pictures[0]["kind"] != "stacked-columns" || got.Report != "manifest" {
		t.Errorf("report %s, pictures %v", got.Report, got.Pictures)
	}
	if !slices.ContainsFunc(got.Notes, func(s string) bool { return strings.Contains(s, "legal compliance") }) {
		t.Errorf("notes are %q", got.Notes)
	}
	if want := decimal(d.Tables[0].Totals[4].Int, 6); fmt.Sprint(got.Tables[0].Totals["slurry_m3"]) != want {
		t.Errorf("total is %v, want %s", got.Tables[0].Totals["slurry_m3"], want)
	}
}

func TestText(t *testing.T) {
	p := provenance(t)
	table := sheetstest.Water(p.Period, 4)
	d := one(table)
	d.Findings = []reports.Finding{reports.NewFinding(reports.NoDocket, "TM-01", events.Time{}, nil, "no docket")}
	d.Glance = []reports.Field{{Label: "Drawn", Text: "7.26 m³ by 4 sources, of which the one at the invented mill road no. 3 gave no more than it had been asked for"}}
	out := &bytes.Buffer{}
	if err := Text(out, d, p, TextOptions{Rows: 2, Width: 12}); err != nil {
		t.Fatal(err)
	}
	want := `Sample  2026-10-01 to 2026-10-31 (Europe/Dublin)  ledger position 1482
  Drawn          7.26 m³ by 4 sources, of which the one at the invented mill road no. 3 gave no more than it
                 had been asked for
  Warning (1)
    no-docket: TM-01: no docket

Fresh water by source, 4 lines
  Drawn is what meters or gauges showed.
  Source        Drawn (m³)  Used (m³)  Daily cap (m³)  Backflow device recorded
  ------------  ----------  ---------  --------------  ------------------------
  S-01 Hydran…       0.900      0.850             5.0  Yes
  S-02 Hydran…       1.510      1.320             5.0  No
  … 2 more
  ------------  ----------  ---------  --------------  ------------------------
  Total              7.260      6.220
`
	if out.String() != want {
		t.Errorf("text is\n%s\nwant\n%s", out, want)
	}
	summary := &bytes.Buffer{}
	if err := Summary(summary, d, p); err != nil {
		t.Fatal(err)
	}
	if head, _, _ := strings.Cut(want, "\n\n"); strings.TrimRight(summary.String(), "\n") != head {
		t.Errorf("the summary is\n%s\nwant\n%s", summary, head)
	}
	out.Reset()
	if err := Text(out, one(textTableOf("bell\a and \x1b[31mred")), p, TextOptions{Notes: true}); err != nil {
		t.Fatal(err)
	}
	if strings.ContainsAny(out.String(), "\a\x1b") || !strings.Contains(out.String(), "legal compliance") {
		t.Errorf("text is %q", out)
	}
}

func TestInvalidDocuments(t *testing.T) {
	p := provenance(t)
	good := textTableOf("x")
	short := good
	short.Rows = reports.RowsOf([]reports.Row{{}})
	scaled := good
	scaled.Columns = []reports.Column{{Key: "n", Kind: reports.Number, Scale: 3, Decimals: 4}}
	repeated := good
	repeated.Columns = []reports.Column{reports.TextColumn("a", "A"), reports.TextColumn("a", "B")}
	totals := good
	totals.Totals = []reports.Cell{reports.Blank(), reports.Blank()}
	picture := func(pic reports.Picture) reports.Document {
		d := one(good)
		d.Pictures = []reports.Picture{pic}
		return d
	}
	for name, c := range map[string]struct {
		d    reports.Document
		says string
	}{
		"two tables of a name": {reports.Document{Tables: []reports.Table{good, good}}, "used twice"},
		"short row":            {one(short), "line 1 has 0 cells for 1 columns"},
		"decimals":             {one(scaled), "scale 3 with 4 decimals"},
		"repeated key":         {one(repeated), `column key "a"`},
		"totals":               {one(totals), "2 totals for 1 columns"},
		"no such table":        {picture(reports.Picture{Title: "P", Table: "Q"}), `no table "Q"`},
		"no such column":       {picture(reports.Picture{Title: "P", Alt: "a", Table: "Texts", Category: "text", Series: []string{"n"}}), `no column "n"`},
		"no alternative text":  {picture(reports.Picture{Title: "P", Table: "Texts", Category: "text", Series: []string{"text"}}), "can not see"},
	} {
		t.Run(name, func(t *testing.T) {
			for what, err := range map[string]error{
				"workbook": Workbook(t.Context(), io.Discard, c.d, p, Behind{}), "JSON": JSON(io.Discard, c.d, p), "text": Text(io.Discard, c.d, p, TextOptions{}),
				"archive": CSVZip(io.Discard, c.d, p),
			} {
				if err == nil || !strings.Contains(err.Error(), c.says) {
					t.Errorf("%s: error %v, want one that says %q", what, err, c.says)
				}
			}
		})
	}
	p.Period.Zone = nil
	if err := JSON(io.Discard, one(good), p); err == nil || !strings.Contains(err.Error(), "no time zone") {
		t.Errorf("without a zone: %v", err)
	}
}
