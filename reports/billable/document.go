package billable

import (
	"slices"
	"strings"

	"github.com/shopspring/decimal"

	"spoilbook/reports"
)

// Document returns the report as tables and pictures. Money columns have totals
// only when all lines are in one currency.
func (r *Report) Document() reports.Document {
	d := reports.Document{
		Report: "billable", Title: "Billable hours and charges", Glance: r.glance(),
		Subject: []reports.Field{{Label: "Currency", Text: strings.Join(r.Currencies(), ", ")}},
		Notes: []string{
			"Each line is charged by the rate card in force when its visit began; bands, days and holidays are those of the job's time zone.",
			"Time is exact; what rounding or a minimum adds is charged beside it, on the line or on a line of its own.",
			"Stops on the carrier's side or an unknown side are never billed, and a reset does not restart the paid clock.",
			"Billed time and time not billed are together the shifts' time in the period.",
			"Later corrections do not change an issued invoice; they make an adjustment. Line keys stay the same for the same work.",
			"Amounts in different currencies are never added up. Whether tax is due is for people to judge.",
		},
		Tables:   []reports.Table{r.invoiceTable(), r.clientTable(), r.jobTable(), r.lineTable(), r.notBilledTable(), r.unpricedTable()},
		Findings: r.Findings,
	}
	d.Pictures = r.pictures()
	return d
}

// money is a column of hundredths, in the one currency of the report or, with
// several, without a total.
func (r *Report) money(key, title string) reports.Column {
	list := r.Currencies()
	if len(list) == 1 {
		return reports.MoneyColumn(key, title, list[0])
	}
	c := reports.MoneyColumn(key, title, "")
	c.Total = false
	return c
}

// scaled is a decimal in a cell of four decimals.
func scaled(d decimal.Decimal) reports.Cell { return reports.N(d.Shift(4).Round(0).IntPart()) }

func table(name, title, note, empty string, cols []reports.Column, rows []reports.Row) reports.Table {
	// Sums cite nothing of their own; the lines and times they are made of do.
	cited := slices.ContainsFunc(rows, func(r reports.Row) bool { return len(r.Cites) > 0 })
	return reports.Table{Name: name, Title: title, Note: note, Empty: empty, Columns: cols, Rows: reports.RowsOf(rows), Totals: reports.AddUp(cols, rows), Cited: cited}
}

func (r *Report) lineTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("client", "Client"), reports.TextColumn("job", "Job"), reports.DateColumn("day", "Date"), reports.TextColumn("truck", "Truck"),
		reports.TextColumn("what", "What"), reports.TextColumn("band", "Band"), reports.InstantColumn("from", "From"), reports.InstantColumn("to", "To"),
		reports.DurationColumn("billed_h", "Time"), reports.RatioColumn("quantity", "Charged", "", 6, 3), reports.TextColumn("unit", "Unit"),
		reports.RatioColumn("rate", "Rate", "", 4, 2), reports.RatioColumn("multiplier", "Times", "", 4, 2), r.money("amount", "Amount"),
		reports.TextColumn("order_number", "Order number").NotPrinted(), reports.TextColumn("kind", "Kind").NotPrinted(),
		reports.TextColumn("activity", "Activity").NotPrinted(), reports.DurationColumn("charged_h", "Time charged").NotPrinted(),
		reports.TextColumn("currency", "Currency").NotPrinted(), reports.TextColumn("tax_name", "Tax").NotPrinted(),
		reports.RatioColumn("tax_percent", "Tax rate", "%", 4, 2).NotPrinted(), r.money("tax", "Tax by line").NotPrinted(),
		reports.TextColumn("key", "Line key").NotPrinted(),
	}
	rows := []reports.Row{}
	for i := range r.Lines {
		l := &r.Lines[i]
		quantity, billed, charged, what := reports.N(l.Micro), reports.Blank(), reports.Blank(), l.What
		if l.Unit == "h" {
			quantity = reports.N(reports.MulDiv(l.ChargedMS, 1_000_000, hourMS))
			billed, charged = reports.N(l.BilledMS), reports.N(l.ChargedMS)
		}
		if l.Kind == ForTime {
			what = strings.ReplaceAll(what, "-", " ")
		}
		percent, tax := reports.Blank(), reports.Blank()
		if l.TaxKnown {
			percent = scaled(l.TaxPercent)
			if l.TaxPerLine {
				tax = reports.N(l.TaxCents)
			}
		}
		rows = append(rows, reports.Row{Key: l.Key, Cites: l.Positions, Cells: []reports.Cell{
			reports.T(string(l.Client)), reports.T(string(l.Job)), reports.T(l.Day), reports.T(string(l.Truck)),
			reports.T(what), reports.T(l.Band), reports.At(l.From), reports.At(l.To),
			billed, quantity, reports.T(l.Unit), scaled(l.Rate), scaled(l.Multiplier), reports.N(l.AmountCents),
			reports.T(l.OrderNumber), reports.T(string(l.Kind)), reports.T(string(l.Activity)), charged,
			reports.T(l.Currency), reports.T(string(l.Tax)), percent, tax, reports.T(l.Key)}})
	}
	return table("Invoice lines", "Invoice lines", "Amount = charged × rate × times, rounded. Time is the exact time behind a line. Tax is in Invoice totals; "+
		"clients and jobs are named in By client and By job.", "Nothing was billed in this period.", cols, rows)
}

// sumColumns are the columns that the sums by client and by job share.
func (r *Report) sumColumns() []reports.Column {
	return []reports.Column{reports.TextColumn("currency", "Currency"), reports.DurationColumn("billed_h", "Billed"),
		reports.DurationColumn("not_billed_h", "Not billed"), reports.DurationColumn("charged_h", "Charged"),
		r.money("net", "Net amount")}
}

func (s *Sum) cells() []reports.Cell {
	return []reports.Cell{reports.T(s.Currency), reports.N(s.BilledMS), reports.N(s.NotBilledMS), reports.N(s.ChargedMS), reports.N(s.NetCents)}
}

const noTime = "No time was spent and nothing was billed in this period."

func (r *Report) clientTable() reports.Table {
	cols := append([]reports.Column{reports.TextColumn("client", "Client"), reports.TextColumn("client_name", "Name")}, r.sumColumns()...)
	rows := []reports.Row{}
	for _, s := range r.ByClient() {
		rows = append(rows, reports.Row{Cells: append([]reports.Cell{named(string(s.Client), "(no client)"), reports.T(r.Clients[s.Client])}, s.cells()...)})
	}
	return table("By client", "Hours and charges by client", "Charged hours are after rounding and minimum; the net amount holds spoil, water and fees too.", noTime, cols, rows)
}

func (r *Report) jobTable() reports.Table {
	cols := append([]reports.Column{reports.TextColumn("job", "Job"), reports.TextColumn("job_name", "Name"), reports.TextColumn("client", "Client"),
		reports.TextColumn("order_number", "Order number")}, r.sumColumns()...)
	rows := []reports.Row{}
	for _, s := range r.ByJob() {
		rows = append(rows, reports.Row{Cells: append([]reports.Cell{named(string(s.Job), "(no job)"),
			reports.T(r.Jobs[s.Job]), reports.T(string(s.Client)), reports.T(s.OrderNumber)}, s.cells()...)})
	}
	return table("By job", "Hours and charges by job", "Charged hours are after rounding and minimum; the net amount holds spoil, water and fees too.", noTime, cols, rows)
}

func named(s, otherwise string) reports.Cell {
	if s == "" {
		s = otherwise
	}
	return reports.T(s)
}

func (r *Report) notBilledTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("client", "Client"), reports.TextColumn("job", "Job"), reports.TextColumn("truck", "Truck"),
		reports.TextColumn("activity", "Activity"), reports.TextColumn("cause", "Cause"), reports.InstantColumn("from", "From"),
		reports.InstantColumn("to", "To"), reports.DurationColumn("length_h", "Length"), reports.TextColumn("reason", "Why it is not billed"),
	}
	rows := []reports.Row{}
	for i := range r.NotBilled {
		n := &r.NotBilled[i]
		rows = append(rows, reports.Row{Key: n.key(), Cites: n.Positions, Cells: []reports.Cell{
			reports.T(string(n.Client)), reports.T(string(n.Job)), reports.T(string(n.Truck)), reports.T(string(n.Activity)), reports.T(n.Cause),
			reports.At(n.From), reports.At(n.To), reports.N(n.LengthMS()), reports.T(n.Reason)}})
	}
	t := table("Not billed", "Time that was not billed", "With the time of the invoice lines, this is all time of the shifts in the period.", "All time was billed, or there was none.", cols, rows)
	t.Backing = true
	return t
}

func (r *Report) invoiceTable() reports.Table {
	cols := []reports.Column{
		reports.TextColumn("client", "Client"), reports.TextColumn("client_name", "Name"), reports.TextColumn("currency", "Currency"), reports.TextColumn("tax_name", "Tax"),
		reports.RatioColumn("tax_percent", "Tax rate", "%", 4, 2), reports.TextColumn("tax_per", "Tax reckoned by"),
		reports.TextColumn("rounding", "Money rounding"), reports.CountColumn("lines", "Lines"),
		r.money("net", "Net"), r.money("tax", "Tax"), r.money("gross", "Gross"),
	}
	rows := []reports.Row{}
	for i := range r.Invoices {
		v := &r.Invoices[i]
		per, rounding := "invoice", "half away from zero"
		if v.TaxPerLine {
			per = "line"
		}
		if v.HalfEven {
			rounding = "half to even"
		}
		percent, tax, gross := scaled(v.TaxPercent), reports.N(v.TaxCents), reports.N(v.GrossCents())
		if !v.TaxKnown {
			percent, tax, gross = reports.Blank(), reports.Blank(), reports.Blank()
		}
		rows = append(rows, reports.Row{Key: v.key(), Cells: []reports.Cell{
			named(string(v.Client), "(no client)"), reports.T(r.Clients[v.Client]), reports.T(v.Currency), reports.T(string(v.Tax)), percent, reports.T(per), reports.T(rounding),
			reports.N(int64(v.Lines)), reports.N(v.NetCents), tax, gross}})
	}
	return table("Invoice totals", "Invoice totals with tax", "Tax and gross are blank where the tax was not in force.", "Nothing was billed in this period.", cols, rows)
}

// maxBars is how many jobs a picture can show and still be read.
const maxBars = 31

func (r *Report) pictures() []reports.Picture {
	n := min(len(r.ByJob()), maxBars)
	if n == 0 {
		return nil
	}
	label := "job_name"
	for _, s := range r.ByJob() {
		if r.Jobs[s.Job] == "" {
			label = "job"
		}
	}
	pictures := []reports.Picture{{Title: "Hours billed and not billed by job", Alt: "A stacked bar for each job: the hours billed and the hours not billed.",
		Kind: reports.StackedBars, Table: "By job", Category: label, Series: []string{"billed_h", "not_billed_h"}, Rows: n}}
	if len(r.Currencies()) == 1 {
		pictures = append(pictures, reports.Picture{Title: "Net amount by job", Alt: "A bar for each job: its net amount.",
			Kind: reports.Bars, Table: "By job", Category: label, Series: []string{"net"}, Rows: n})
	}
	return pictures
}
