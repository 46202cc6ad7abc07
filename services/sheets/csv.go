package sheets

import (
	"archive/zip"
	"bufio"
	"encoding/csv"
	"fmt"
	"io"
	"strings"
	"time"

	"spoilbook/reports"
)

// CSV writes one table of d as RFC 4180 in UTF-8: a row of column keys, then a row for each line; "findings" names the findings. Figures
// have all their digits, times their offset. A cited table ends with a column "event_positions", the positions separated by spaces.
// Totals are not written: whoever reads rows adds them up.
func CSV(w io.Writer, d reports.Document, table string, p Provenance) error {
	if err := validate(&d, &p); err != nil {
		return err
	}
	known := []string{}
	for i := range d.Tables {
		if d.Tables[i].Name == table {
			return writeCSV(w, &d.Tables[i], &p)
		}
		known = append(known, d.Tables[i].Name)
	}
	if table == findingsFile {
		t := findingsTable(&d, p.Tongue)
		return writeCSV(w, &t, &p)
	}
	return fmt.Errorf("csv %s: there is no table %q; choose one of %s, %s", d.Report, table, strings.Join(known, ", "), findingsFile)
}

// findingsFile names the findings where tables are named.
const findingsFile = "findings"

// CSVZip writes a zip archive with a CSV file for each table, one for the findings, and README.txt, which says what a workbook's cover says.
func CSVZip(w io.Writer, d reports.Document, p Provenance) error {
	if err := validate(&d, &p); err != nil {
		return err
	}
	d = p.Tongue.Document(d)
	zw := zip.NewWriter(w)
	files := newNames("README", findingsFile)
	list := []string{}
	for i := range d.Tables {
		t := &d.Tables[i]
		name := files.sheet(t.Name) + ".csv"
		list = append(list, name+"  "+t.Title)
		if err := zipped(zw, name, &p, func(w io.Writer) error { return writeCSV(w, t, &p) }); err != nil {
			return err
		}
	}
	findings := findingsTable(&d, p.Tongue)
	if err := zipped(zw, findingsFile+".csv", &p, func(w io.Writer) error { return writeCSV(w, &findings, &p) }); err != nil {
		return err
	}
	list = append(list, findingsFile+".csv  "+findings.Title)
	if err := zipped(zw, "README.txt", &p, func(w io.Writer) error { return writeReadme(w, &d, &p, list) }); err != nil {
		return err
	}
	return zw.Close()
}

// zipped writes one file of an archive, dated as the export is.
func zipped(zw *zip.Writer, name string, p *Provenance, write func(io.Writer) error) error {
	at := p.At.UTC().Truncate(time.Second)
	w, err := zw.CreateHeader(&zip.FileHeader{Name: name, Method: zip.Deflate, Modified: at})
	if err == nil {
		err = write(w)
	}
	if err != nil {
		return fmt.Errorf("csv archive, file %s: %w", name, err)
	}
	return nil
}

func writeCSV(w io.Writer, t *reports.Table, p *Provenance) error {
	cw := csv.NewWriter(w)
	cw.UseCRLF = true
	record := []string{}
	for i := range t.Columns {
		record = append(record, t.Columns[i].Key)
	}
	if t.Cited {
		record = append(record, citesKey)
	}
	if err := cw.Write(record); err != nil {
		return fmt.Errorf("csv %s: %w", t.Name, err)
	}
	err := eachRow(t, func(_ int, r *reports.Row) error {
		record = record[:0]
		for i := range r.Cells {
			c := &t.Columns[i]
			s := exact(c, r.Cells[i], p.Period)
			if c.Kind == reports.Text || c.Kind == reports.Date {
				s = inertText(s)
			}
			record = append(record, s)
		}
		if t.Cited {
			record = append(record, citeList(r.Cites, " "))
		}
		return cw.Write(record)
	})
	cw.Flush()
	if err == nil {
		err = cw.Error()
	}
	if err != nil {
		return fmt.Errorf("csv %s: %w", t.Name, err)
	}
	return nil
}

// inertText puts an apostrophe before a text that a spreadsheet would take for a formula, and before one that begins with an apostrophe so
// that taking one away gives every text back. Line ends become newlines, because readers of CSV disagree about lone returns.
func inertText(s string) string {
	s = strings.ToValidUTF8(s, "\uFFFD")
	if strings.IndexByte(s, '\r') >= 0 {
		s = strings.ReplaceAll(strings.ReplaceAll(s, "\r\n", "\n"), "\r", "\n")
	}
	if s != "" && strings.IndexByte("=+-@\t'", s[0]) >= 0 {
		return "'" + s
	}
	return s
}

// writeReadme writes what a workbook's cover says.
func writeReadme(w io.Writer, d *reports.Document, p *Provenance, files []string) error {
	b := bufio.NewWriter(w)
	fmt.Fprintf(b, "%s\n\n", d.Title)
	writeFields(b, append(p.fields(), d.Subject...), "")
	if len(d.Glance) > 0 {
		fmt.Fprintf(b, "\n%s\n", p.Tongue.Write("At a glance"))
		writeFields(b, d.Glance, "  ")
	}
	fmt.Fprintf(b, "\n%s\n", p.Tongue.Write("Findings"))
	writeFindings(b, d, p, 0)
	fmt.Fprintf(b, "\n%s\n", p.Tongue.Write("How to read it"))
	for _, n := range append(allNotes(d, p), csvNotes()...) {
		fmt.Fprintf(b, "- %s\n", p.Tongue.Write(n))
	}
	fmt.Fprintf(b, "\n%s\n", p.Tongue.Write("Files"))
	for _, f := range files {
		fmt.Fprintf(b, "  %s\n", f)
	}
	return b.Flush()
}

// csvNotes is how to read what only CSV has.
func csvNotes() []string {
	return []string{
		"The files are CSV as RFC 4180 describes it, in UTF-8, with the column keys in the first row; a key ends in the unit.",
		"Durations are hours:minutes:seconds. The column event_positions gives the ledger positions that a line rests on.",
		"A text that begins with = + - @, a tab or an apostrophe has one apostrophe in front, so that no spreadsheet runs it as a formula.",
	}
}
