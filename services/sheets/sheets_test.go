package sheets

import (
	"bytes"
	"context"
	"os"
	"testing"
	"time"

	"spoilbook/reports"
	"spoilbook/services/sheets/sheetstest"
)

func provenance(t testing.TB) Provenance {
	t.Helper()
	period, err := sheetstest.Period()
	if err != nil {
		t.Fatal(err)
	}
	return Provenance{Carrier: "Tarnmoor Groundworks", Period: period, Position: 1482,
		LedgerHash:       "5f1d0c3a9b7e4421c6a8d5e2f0134b9c7d8e6f5a4b3c2d1e0f9a8b7c6d5e4f3a",
		RegisterPosition: 1307, RegisterRevisions: 38, By: "office/yard", At: time.Date(2026, 11, 2, 9, 30, 0, 0, time.UTC), Program: "Spoilbook 1.0",
		Count: reports.Count{Events: 1482, Effective: 1401, Corrected: 22, Voided: 6, Corrections: 37, Revisions: 38}}
}

func workbook(t testing.TB, d reports.Document, l limits, events int) []byte {
	t.Helper()
	p, out := provenance(t), &bytes.Buffer{}
	if err := writeWorkbook(context.Background(), out, d, p, sheetstest.Cited(p.Period, events), l); err != nil {
		t.Fatal(err)
	}
	return out.Bytes()
}

func TestPrint(t *testing.T) {
	d := sheetstest.Document(provenance(t).Period, 60)
	os.WriteFile("/tmp/w/sheets/book.xlsx", workbook(t, d, limits{1 << 20, 200}, 120), 0o644)
	var b bytes.Buffer
	Text(&b, d, provenance(t), TextOptions{Notes: true, Rows: 4})
	os.WriteFile("/tmp/w/sheets/text.txt", b.Bytes(), 0o644)
}
