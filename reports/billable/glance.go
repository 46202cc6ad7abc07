package billable

import (
	"cmp"
	"fmt"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// maxGlance is how many clients are named at a glance.
const maxGlance = 8

// glance says what people ask of the charges first. Its figures are the totals of
// the tables.
func (r *Report) glance() []reports.Field {
	billed, notBilled, charged := int64(0), int64(0), int64(0)
	for i := range r.Lines {
		billed, charged = billed+r.Lines[i].BilledMS, charged+r.Lines[i].ChargedMS
	}
	for i := range r.NotBilled {
		notBilled += r.NotBilled[i].LengthMS()
	}
	fields := []reports.Field{{Label: "Time", Text: fmt.Sprintf("%s billed (%s of all time), charged as %s; %s not billed", reports.Hours(billed),
		reports.Percent(billed, billed+notBilled), reports.Hours(charged), reports.Hours(notBilled))}}
	for _, currency := range r.Currencies() {
		fields = append(fields, reports.Field{Label: "Charged", Text: r.owed(currency, nil)})
	}
	clients := []events.ClientID{}
	for i := range r.Invoices {
		if !slices.Contains(clients, r.Invoices[i].Client) {
			clients = append(clients, r.Invoices[i].Client)
		}
	}
	for i, id := range clients {
		if i == maxGlance {
			return append(fields, reports.Field{Label: "More clients", Text: fmt.Sprintf("%d, see Invoice totals", len(clients)-i)})
		}
		for _, currency := range r.Currencies() {
			if text := r.owed(currency, &id); text != "" {
				fields = append(fields, reports.Field{Label: cmp.Or(r.Clients[id], string(id), "(no client)"), Text: text})
			}
		}
	}
	return fields
}

// owed writes net, tax and gross of the invoices in a currency, of one client or of
// all; "" when there are none. Without the tax in force it is net alone.
func (r *Report) owed(currency string, client *events.ClientID) string {
	sum, found := Invoice{TaxKnown: true}, false
	for i := range r.Invoices {
		v := &r.Invoices[i]
		if v.Currency != currency || client != nil && v.Client != *client {
			continue
		}
		found = true
		sum.NetCents, sum.TaxCents, sum.TaxKnown = sum.NetCents+v.NetCents, sum.TaxCents+v.TaxCents, sum.TaxKnown && v.TaxKnown
	}
	switch {
	case !found:
		return ""
	case !sum.TaxKnown:
		return "net " + reports.Money(sum.NetCents, currency) + "; the tax was not in force"
	}
	return fmt.Sprintf("net %s + tax %s = %s", reports.Money(sum.NetCents, ""), reports.Money(sum.TaxCents, ""), reports.Money(sum.GrossCents(), currency))
}
