package sheets

import (
	"context"
	"io"
	"testing"

	"github.com/xuri/excelize/v2"

	"spoilbook/reports"
	"spoilbook/services/sheets/sheetstest"
)

const benchmarkRows = 20_000

// BenchmarkWorkbook writes a workbook of one table of 14 columns and positions.
func BenchmarkWorkbook(b *testing.B) {
	p := provenance(b)
	d := one(sheetstest.Loads(p.Period, benchmarkRows))
	b.ReportAllocs()
	for b.Loop() {
		if err := Workbook(context.Background(), io.Discard, d, p, Behind{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(benchmarkRows*b.N)/b.Elapsed().Seconds(), "rows/s")
}

// BenchmarkBareStreamWriter writes the same cells with the library alone: what a workbook can cost at best.
func BenchmarkBareStreamWriter(b *testing.B) {
	p := provenance(b)
	table := sheetstest.Loads(p.Period, benchmarkRows)
	b.ReportAllocs()
	for b.Loop() {
		if err := bare(io.Discard, &table, &p); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(benchmarkRows*b.N)/b.Elapsed().Seconds(), "rows/s")
}

func bare(w io.Writer, t *reports.Table, p *Provenance) (err error) {
	f := excelize.NewFile()
	defer func() {
		if closed := f.Close(); err == nil {
			err = closed
		}
	}()
	sw, err := f.NewStreamWriter("Sheet1")
	if err != nil {
		return err
	}
	g := &grid{book: &book{provenance: p}, table: t}
	row := 0
	for r := range t.Rows {
		row++
		values := make([]any, 0, len(r.Cells)+1)
		for i, c := range r.Cells {
			values = append(values, g.value(&column{Column: t.Columns[i]}, c))
		}
		values = append(values, citeText(r.Cites, citesShown))
		if err := sw.SetRow(sheetstest.Ref(0, row), values); err != nil {
			return err
		}
	}
	if err := sw.Flush(); err != nil {
		return err
	}
	return f.Write(w)
}

// BenchmarkJSON and BenchmarkCSV write the same table.
func BenchmarkJSON(b *testing.B) {
	p := provenance(b)
	d := one(sheetstest.Loads(p.Period, benchmarkRows))
	for b.Loop() {
		if err := JSON(io.Discard, d, p); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(benchmarkRows*b.N)/b.Elapsed().Seconds(), "rows/s")
}

func BenchmarkCSV(b *testing.B) {
	p := provenance(b)
	d := one(sheetstest.Loads(p.Period, benchmarkRows))
	for b.Loop() {
		if err := CSV(io.Discard, d, "Loads", p); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(benchmarkRows*b.N)/b.Elapsed().Seconds(), "rows/s")
}
