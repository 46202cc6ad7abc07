package billable

import (
	"fmt"

	"github.com/shopspring/decimal"

	"spoilbook/reports"
)

// AccountsTable names the table for accounting systems; it is written as CSV on request and is in no workbook, which has the same figures for people.
const AccountsTable = "accounts"

// Accounts returns the invoice lines as an accounting system takes them in: a row for each line, and after the lines of a client, currency and tax
// one for the tax where it is reckoned on the invoice's sum. So the rows of a client add up to net, tax and gross of its invoice to the cent. Tax
// and gross are blank where the tax was not in force.
func (r *Report) Accounts() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("row", "Row"), reports.TextColumn("client", "Client"), reports.TextColumn("client_name", "Name"),
		reports.TextColumn("order_number", "Order number"), reports.TextColumn("job", "Job"), reports.TextColumn("job_name", "Job name"),
		reports.TextColumn("truck", "Truck"), reports.DateColumn("day", "Date"), reports.TextColumn("text", "Text"),
		reports.TextColumn("quantity", "Quantity"), reports.TextColumn("unit", "Unit"), reports.TextColumn("rate", "Rate"), reports.TextColumn("multiplier", "Times"),
		reports.TextColumn("currency", "Currency"), reports.MoneyColumn("net", "Net", ""), reports.TextColumn("tax_name", "Tax"),
		reports.TextColumn("tax_percent", "Tax rate"), reports.MoneyColumn("tax", "Tax amount", ""), reports.MoneyColumn("gross", "Gross", ""),
		reports.DateColumn("period_from", "From"), reports.DateColumn("period_to", "To"), reports.CountColumn("ledger_position", "Ledger position"),
		reports.TextColumn("key", "Line key"),
	}
	first, last := "", ""
	if days := r.Request.Period.EachDay(); len(days) > 0 {
		first, last = days[0], days[len(days)-1]
	}
	end := []reports.Cell{reports.T(first), reports.T(last), reports.N(int64(r.Position))}
	rows := []reports.Row{}
	for i := range r.Invoices {
		v := &r.Invoices[i]
		for k := range r.Lines {
			if l := &r.Lines[k]; v.holds(l) {
				rows = append(rows, r.accountsLine(v, l, end))
			}
		}
		if v.TaxPerLine {
			continue
		}
		tax := taxCells(v.TaxKnown, v.TaxCents, v.TaxCents)
		rows = append(rows, reports.Row{Cells: append(append([]reports.Cell{reports.T("tax"), reports.T(string(v.Client)), reports.T(r.Clients[v.Client]),
			reports.Blank(), reports.Blank(), reports.Blank(), reports.Blank(), reports.T(last), reports.T(fmt.Sprintf("%s on %s", v.Tax, reports.Decimal(v.NetCents, 2, 2))),
			reports.Blank(), reports.Blank(), reports.Blank(), reports.Blank(), reports.T(v.Currency), reports.N(0), reports.T(string(v.Tax)),
			percentOf(v.TaxKnown, v.TaxPercent), tax[0], tax[1]}, end...), reports.T(v.key()))})
	}
	return table(AccountsTable, "Invoice lines for accounting", "", "Nothing was billed in this period.", cols, rows)
}

func (r *Report) accountsLine(v *Invoice, l *Line, end []reports.Cell) reports.Row {
	quantity := decimal.New(l.Micro, -6)
	if l.Unit == "h" {
		quantity = decimal.New(reports.MulDiv(l.ChargedMS, 1_000_000, hourMS), -6)
	}
	known, cents := v.TaxKnown, l.TaxCents
	tax := taxCells(known, cents, l.AmountCents+cents)
	if known && !v.TaxPerLine { // the tax has a row of its own
		tax = [2]reports.Cell{reports.N(0), reports.N(l.AmountCents)}
	}
	return reports.Row{Key: l.Key, Cites: l.Positions, Cells: append(append([]reports.Cell{reports.T("line"), reports.T(string(l.Client)), reports.T(r.Clients[l.Client]),
		reports.T(l.OrderNumber), reports.T(string(l.Job)), reports.T(r.Jobs[l.Job]), reports.T(string(l.Truck)), reports.T(l.Day), reports.T(l.What),
		reports.T(quantity.String()), reports.T(l.Unit), reports.T(l.Rate.String()), reports.T(l.Multiplier.String()),
		reports.T(l.Currency), reports.N(l.AmountCents), reports.T(string(l.Tax)), percentOf(known, l.TaxPercent), tax[0], tax[1]}, end...), reports.T(l.Key))}
}

func percentOf(known bool, percent decimal.Decimal) reports.Cell {
	if !known {
		return reports.Blank()
	}
	return reports.T(percent.String())
}

func taxCells(known bool, tax, gross int64) [2]reports.Cell {
	if !known {
		return [2]reports.Cell{reports.Blank(), reports.Blank()}
	}
	return [2]reports.Cell{reports.N(tax), reports.N(gross)}
}
