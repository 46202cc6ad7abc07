package billable

import (
	"fmt"

	"spoilbook/reports"
)

// Document returns the adjustment as tables.
func (a *Adjustment) Document() reports.Document {
	glance := []reports.Field{{Label: "Lines", Text: fmt.Sprintf("%d added, %d removed, %d changed", a.count(Added), a.count(Removed), a.count(Changed))}}
	for _, d := range a.Due() {
		glance = append(glance, reports.Field{Label: "Adjustment", Text: fmt.Sprintf("net %s + tax %s = %s (gross was %s and is %s)", reports.Money(d.NetCents, ""),
			reports.Money(d.TaxCents, ""), reports.Money(d.GrossCents(), d.Currency), reports.Money(d.OldGrossCents, ""), reports.Money(d.NewGrossCents, d.Currency))})
	}
	return reports.Document{
		Report: "adjustment", Title: "Adjustment of " + a.Number, Glance: glance,
		Subject: []reports.Field{{Label: "Issued report", Text: a.Number}, {Label: "Issued at position", Text: fmt.Sprint(a.Issued)},
			{Label: "Compared at position", Text: fmt.Sprint(a.now.Position)}},
		Notes: []string{
			"The issued report stays as it was issued. This is the difference between it and the same query at the later position, line by line and with the events that brought it about.",
			"Lines are compared by their keys. One that another client or another currency gets is removed on one invoice and added on the other.",
			"A positive difference is charged in addition, a negative one is credited. Amounts in different currencies are never added up.",
			"Tax reckoned by invoice is the difference of the taxes of both sums, and not the tax of the difference.",
		},
		Tables: []reports.Table{a.totalTable(), a.changeTable()},
	}
}

func (a *Adjustment) count(e Effect) int {
	n := 0
	for i := range a.Changes {
		if a.Changes[i].Effect == e {
			n++
		}
	}
	return n
}

// money is a column of hundredths, with a total where there is one currency.
func (a *Adjustment) money(key, title string) reports.Column {
	due := a.Due()
	if len(due) == 1 {
		return reports.MoneyColumn(key, title, due[0].Currency)
	}
	c := reports.MoneyColumn(key, title, "")
	c.Total = false
	return c
}

func (a *Adjustment) totalTable() reports.Table {
	cols := []reports.Column{reports.TextColumn("client", "Client"), reports.TextColumn("currency", "Currency"), reports.TextColumn("tax_name", "Tax"),
		reports.RatioColumn("tax_percent", "Tax rate", "%", 4, 2), a.money("old_net", "Net as issued"), a.money("new_net", "Net now"), a.money("net", "Net difference"),
		a.money("old_tax", "Tax as issued"), a.money("new_tax", "Tax now"), a.money("tax", "Tax difference"), a.money("gross", "To charge or credit")}
	rows := []reports.Row{}
	for i := range a.Totals {
		t := &a.Totals[i]
		percent := reports.Blank()
		if t.New.TaxKnown {
			percent = scaled(t.New.TaxPercent)
		}
		rows = append(rows, reports.Row{Cells: []reports.Cell{reports.T(string(t.New.Client)), reports.T(t.New.Currency), reports.T(string(t.New.Tax)), percent,
			reports.N(t.Old.NetCents), reports.N(t.New.NetCents), reports.N(t.NetCents()), reports.N(t.Old.TaxCents), reports.N(t.New.TaxCents), reports.N(t.TaxCents()), reports.N(t.GrossCents())}})
	}
	return table("Adjustment totals", "What is to be charged or credited", "A negative amount is credited.", "The issued report had no lines and has none.", cols, rows)
}

func (a *Adjustment) changeTable() reports.Table {
	cols := []reports.Column{reports.TextColumn("effect", "Line"), reports.TextColumn("client", "Client"), reports.TextColumn("job", "Job"), reports.DateColumn("day", "Date"),
		reports.TextColumn("truck", "Truck"), reports.TextColumn("what", "What"), reports.TextColumn("unit", "Unit"),
		reports.RatioColumn("old_quantity", "Quantity as issued", "", 6, 3), reports.RatioColumn("new_quantity", "Quantity now", "", 6, 3),
		reports.TextColumn("old_rate", "Rate as issued"), reports.TextColumn("new_rate", "Rate now"), a.money("old_amount", "Amount as issued"),
		a.money("new_amount", "Amount now"), a.money("difference", "Difference"), a.money("tax_difference", "Tax by line"), reports.TextColumn("key", "Line key").NotPrinted()}
	rows := []reports.Row{}
	for i := range a.Changes {
		c := &a.Changes[i]
		l := c.Line()
		tax := reports.Blank()
		if l.TaxPerLine && l.TaxKnown {
			tax = reports.N(c.DifferenceTaxCents())
		}
		rows = append(rows, reports.Row{Key: l.Key, Cites: c.Causes, Cells: []reports.Cell{reports.T(string(c.Effect)), reports.T(string(l.Client)), reports.T(string(l.Job)),
			reports.T(l.Day), reports.T(string(l.Truck)), reports.T(l.What), reports.T(l.Unit), quantityOf(c.Old), quantityOf(c.New), reports.T(rateText(c.Old)), reports.T(rateText(c.New)),
			moneyOf(c.Old), moneyOf(c.New), reports.N(c.DifferenceCents()), tax, reports.T(l.Key)}})
	}
	return table("Adjustment lines", "Lines that are not what they were", "The ledger positions are those of the events, recorded after the issue, that brought the change about.",
		"Nothing has changed since the report was issued.", cols, rows)
}

func quantityOf(l *Line) reports.Cell {
	switch {
	case l == nil:
		return reports.Blank()
	case l.Unit == "h":
		return reports.N(reports.MulDiv(l.ChargedMS, 1_000_000, hourMS))
	}
	return reports.N(l.Micro)
}

func moneyOf(l *Line) reports.Cell {
	if l == nil {
		return reports.Blank()
	}
	return reports.N(l.AmountCents)
}
