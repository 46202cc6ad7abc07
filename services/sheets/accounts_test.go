package sheets

import (
	"bytes"
	"encoding/csv"
	"testing"
	"time"

	money "github.com/shopspring/decimal"

	"spoilbook/reports/billable"
)

// The file for accounting systems adds up, client by client, to net, tax and gross of the invoices, to the cent, and names every line once.
func TestAccountsAddUpToTheInvoices(t *testing.T) {
	j, q := month(t)
	r := billable.Compute(j, q, billable.Options{Zones: time.LoadLocation})
	d := r.Document()
	d.Tables = append(d.Tables, r.Accounts())
	var b bytes.Buffer
	if err := CSV(&b, d, billable.AccountsTable, Provenance{Period: q.Period, Position: r.Position}); err != nil {
		t.Fatal(err)
	}
	records, err := csv.NewReader(&b).ReadAll()
	if err != nil || len(records) < 100 {
		t.Fatalf("%d rows, %v", len(records), err)
	}
	column := map[string]int{}
	for i, name := range records[0] {
		column[name] = i
	}
	type sums struct{ net, tax, gross money.Decimal }
	got, keys, taxes := map[string]sums{}, map[string]bool{}, 0
	for _, rec := range records[1:] {
		field := func(name string) string { return rec[column[name]] }
		amount := func(name string) money.Decimal {
			if field(name) == "" {
				return money.Zero
			}
			d, err := money.NewFromString(field(name))
			if err != nil {
				t.Fatalf("%s: %v", name, err)
			}
			return d
		}
		if _, err := time.Parse(time.DateOnly, field("day")); err != nil {
			t.Errorf("day: %v", err)
		}
		id := field("client") + field("currency") + field("tax_name")
		s := got[id]
		got[id] = sums{s.net.Add(amount("net")), s.tax.Add(amount("tax")), s.gross.Add(amount("gross"))}
		switch field("row") {
		case "line":
			if keys[field("key")] {
				t.Errorf("line %s is there twice", field("key"))
			}
			keys[field("key")] = true
		case "tax":
			taxes++
		default:
			t.Errorf("row %q", field("row"))
		}
	}
	if len(keys) != len(r.Lines) || taxes == 0 {
		t.Errorf("%d lines of %d, %d rows of tax", len(keys), len(r.Lines), taxes)
	}
	for i := range r.Invoices {
		v := &r.Invoices[i]
		s := got[string(v.Client)+v.Currency+string(v.Tax)]
		if want := money.New(v.NetCents, -2); !s.net.Equal(want) {
			t.Errorf("%s: net %s, want %s", v.Client, s.net, want)
		}
		if want := money.New(v.TaxCents, -2); v.TaxKnown && !s.tax.Equal(want) {
			t.Errorf("%s: tax %s, want %s", v.Client, s.tax, want)
		}
		if want := money.New(v.GrossCents(), -2); v.TaxKnown && !s.gross.Equal(want) {
			t.Errorf("%s: gross %s, want %s", v.Client, s.gross, want)
		}
	}
}
