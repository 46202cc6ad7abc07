package billable

import (
	"fmt"
	"math/big"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
)

func localTime(t events.Time, zone *time.Location) string {
	return time.UnixMilli(t.UnixMS).In(zone).Format("2006-01-02 15:04:05.000")
}

// shared adds the steps by which a tip's docket or mass is divided among jobs.
func (x *exposition) shared() {
	tip, mine := x.w.tip, &x.w.share
	weights, totalG := make([]int64, len(x.w.shares)), int64(0)
	for i := range x.w.shares {
		weights[i] = x.w.shares[i].accountG
		totalG += weights[i]
	}
	x.step("grams of the job in the tip, by the tank's account", fmt.Sprint(mine.accountG), reports.Decimal(mine.accountG, 0, 0)+" g", reports.Union(mine.cites, tip.Entry.Positions))
	if tip.Docket == nil {
		return
	}
	sums, cites := make([]string, len(weights)), slices.Clone(tip.Entry.Positions)
	for i := range weights {
		sums[i] = fmt.Sprint(weights[i])
		cites = append(cites, x.w.shares[i].cites...)
	}
	x.step("grams of all jobs in the tip", strings.Join(sums, " + "), reports.Decimal(totalG, 0, 0)+" g", reports.Union(cites))
	x.rule("common practice", "A docket's net mass is divided among the jobs by mass; the grams left over go to the largest remainders, so that the parts sum to the docket.")
	if totalG > 0 {
		whole := new(big.Int).Mul(big.NewInt(tip.Docket.NetG), big.NewInt(mine.accountG))
		down := whole.Div(whole, big.NewInt(totalG)).Int64()
		x.step("grams of the job by docket "+tip.Docket.Number+", with its part of the grams left over", fmt.Sprintf("rounddown(%d × %d ÷ %d) + %d", tip.Docket.NetG, mine.accountG, totalG, mine.settledG-down),
			reports.Decimal(mine.settledG, 0, 0)+" g", tip.Docket.Entry.Positions)
	}
}

// tonnage explains spoil and gate fees.
func (x *exposition) tonnage() {
	l := x.l
	if l.Unit == "m³" {
		x.step("millilitres of the job in the tip, by the tank's account", fmt.Sprint(l.Micro), reports.Decimal(l.Micro, 0, 0)+" mL", reports.Union(x.w.share.cites, x.w.tip.Entry.Positions))
		x.rule(x.card(), "Spoil is charged by the cubic metre of the tank's account.")
		x.cardReads(fmt.Sprintf("spoil %s %s a cubic metre", l.Rate, l.Currency))
	} else {
		x.shared()
	}
	x.step("quantity", fmt.Sprintf("%d ÷ 1000000", l.Micro), strings.ReplaceAll(reports.Decimal(l.Micro, 6, 6), ",", "")+" "+l.Unit, nil)
	switch {
	case l.Kind == ForGateFee:
		x.gateFee()
	case l.Unit == "t":
		x.rule(x.card(), "Spoil is charged by the tonne: the docket's where there is one and the account's otherwise.")
		x.cardReads(fmt.Sprintf("spoil %s %s a tonne", l.Rate, l.Currency))
	}
	x.amount("amount: quantity × rate × multiplier", fmt.Sprintf("%d ÷ 1000000", l.Micro))
}

func (x *exposition) gateFee() {
	l, rule := x.l, x.w.t.card.GateFees
	markup := "0"
	if rule.MarkupPercent != "" {
		markup = string(rule.MarkupPercent)
	}
	x.rule(x.card(), "The facility's gate fee is passed on by the docket's tonnes, with a mark-up of %s %%.", markup)
	x.use(events.FacilityRegister, string(x.w.tip.Facility), x.w.tip.Entry.Occurred, fmt.Sprintf("gate fee %s %s a tonne", l.Rate, l.Currency))
	x.cardReads("gate fees passed on, mark-up " + markup + " %")
	x.step("multiplier of the mark-up", fmt.Sprintf("(100 + %s) ÷ 100", markup), l.Multiplier.String(), nil)
}

// amount is the last step of what is charged by quantity.
func (x *exposition) amount(what, quantity string) {
	x.step(what, fmt.Sprintf("%s × %s × %s", quantity, x.l.Rate, x.l.Multiplier), reports.Money(x.l.AmountCents, x.l.Currency), nil)
	x.moneyRule()
}

func (x *exposition) water() {
	terms := []string{}
	for _, u := range x.w.uses {
		x.step(fmt.Sprintf("%s at %s, in mL", u.kind, x.clock(u.at)), fmt.Sprint(u.ml), reports.Decimal(u.ml, 0, 0)+" mL", u.cites)
		terms = append(terms, fmt.Sprint(u.ml))
	}
	x.rule(x.card(), "Fresh water used on the job is charged by the thousand litres: jetting, and other use that names the job.")
	x.cardReads(fmt.Sprintf("water %s %s a thousand litres", x.l.Rate, x.l.Currency))
	x.step("water of the day", strings.Join(terms, " + "), reports.Decimal(x.l.Micro, 0, 0)+" mL", x.l.Positions)
	x.amount("amount: thousands of litres × rate × multiplier", fmt.Sprintf("%d ÷ 1000000", x.l.Micro))
}

func (x *exposition) fee() {
	if x.w.tip == nil {
		x.rule(x.card(), "%s is charged once a %s.", x.l.What, x.w.per)
		x.cardReads(fmt.Sprintf("%s %s %s a %s", x.l.What, x.l.Rate, x.l.Currency, x.w.per))
		x.amount("amount: once", "1")
		return
	}
	totalG := int64(0)
	for i := range x.w.shares {
		totalG += x.w.shares[i].accountG
	}
	x.rule(x.card(), "%s is charged once a tip and divided among the jobs whose spoil it held, by mass.", x.l.What)
	x.cardReads(fmt.Sprintf("%s %s %s a tip", x.l.What, x.l.Rate, x.l.Currency))
	share := fmt.Sprintf("%d ÷ %d", x.w.share.accountG, totalG)
	x.step("share of the job in the tip, by grams of the tank's account", share, reports.Decimal(x.l.Micro, 6, 6), reports.Union(x.w.share.cites, x.w.tip.Entry.Positions))
	x.amount("amount: share × fee × multiplier", share)
}

// key names the sum in the table of invoice totals.
func (v *Invoice) key() string {
	per := "invoice"
	if v.TaxPerLine {
		per = "line"
	}
	rounding := "half-up"
	if v.HalfEven {
		rounding = "half-even"
	}
	percent := "unknown"
	if v.TaxKnown {
		percent = v.TaxPercent.String()
	}
	return strings.Join([]string{string(v.Client), v.Currency, string(v.Tax), percent, per, rounding}, "/")
}

// explainInvoice sums lines by job, the jobs, and the tax.
func (r *Report) explainInvoice(v *Invoice) reports.Explanation {
	e := reports.Explanation{Report: "billable", Table: totalsTable, Key: v.key(),
		Says:  fmt.Sprintf("Client %s: %s of %s, %s net.", v.Client, reports.Counted(v.Lines, "line"), "one currency and one tax", reports.Money(v.NetCents, v.Currency)),
		Rules: []reports.Rulebook{{Rule: "Lines of one client are summed for each currency and each tax; currencies are never added up.", Source: "common practice"}}}
	jobs, sums, amounts, taxes := []events.JobID{}, map[events.JobID]int64{}, map[events.JobID][]string{}, []string{}
	for i := range r.Lines {
		l := &r.Lines[i]
		if !v.holds(l) {
			continue
		}
		if amounts[l.Job] == nil {
			jobs = append(jobs, l.Job)
		}
		sums[l.Job] += l.AmountCents
		amounts[l.Job] = append(amounts[l.Job], plain(l.AmountCents))
		taxes = append(taxes, plain(l.TaxCents))
		e.Cites = append(e.Cites, l.Positions...)
	}
	e.Cites = reports.Union(e.Cites)
	parts := []string{}
	for _, job := range jobs {
		e.Steps = append(e.Steps, reports.Step{What: "lines of job " + string(job), Arithmetic: strings.Join(amounts[job], " + "), Result: reports.Money(sums[job], v.Currency)})
		parts = append(parts, plain(sums[job]))
	}
	e.Steps = append(e.Steps, reports.Step{What: "net", Arithmetic: strings.Join(parts, " + "), Result: reports.Money(v.NetCents, v.Currency)})
	switch {
	case !v.TaxKnown:
		e.Rules = append(e.Rules, reports.Rulebook{Rule: "The tax " + string(v.Tax) + " was not in force, so none is reckoned; see the findings.", Source: "common practice"})
		return e
	case v.TaxPerLine:
		e.Rules = append(e.Rules, reports.Rulebook{Rule: "Tax is reckoned and rounded line by line.", Source: "the rate cards"})
		e.Steps = append(e.Steps, reports.Step{What: "tax of the lines", Arithmetic: strings.Join(taxes, " + "), Result: reports.Money(v.TaxCents, v.Currency)})
	default:
		e.Rules = append(e.Rules, reports.Rulebook{Rule: "Tax is reckoned on the sum and rounded once.", Source: "the rate cards"})
		e.Steps = append(e.Steps, reports.Step{What: "tax", Arithmetic: fmt.Sprintf("%s × %s ÷ 100", plain(v.NetCents), v.TaxPercent), Result: reports.Money(v.TaxCents, v.Currency)})
	}
	e.Steps = append(e.Steps, reports.Step{What: "gross", Arithmetic: plain(v.NetCents) + " + " + plain(v.TaxCents), Result: reports.Money(v.GrossCents(), v.Currency)})
	return e
}

// key names the time in the table of time not billed.
func (n *NotBilled) key() string {
	return string(n.Truck) + "/" + events.Time{UnixMS: n.From.UnixMS}.String()
}

func (r *Report) explainNotBilled(n *NotBilled) reports.Explanation {
	u := arithmetic.RulerFor(n.LengthMS(), n.From.UnixMS-r.Request.Period.From.UnixMS)
	start := r.Request.Period.From
	job := string(n.Job)
	if job == "" {
		job = "no job"
	}
	return reports.Explanation{Report: "billable", Table: notBilledTable, Key: n.key(), Cites: n.Positions,
		Says: fmt.Sprintf("%s of %s for %s are not billed: %s.", reports.Hours(n.LengthMS()), n.Activity, job, n.Reason),
		Rules: []reports.Rulebook{{Rule: "Not billed, the first that applies: time of no job; of a job without a card; stops on the carrier's side, on an unknown side, and on sides that the card leaves with the carrier; " +
			"standby for causes that the carrier bears; activities that the card does not list; a visit's free standby; travel beyond the cap.", Source: "common practice and the rate card"}},
		Steps: []reports.Step{{What: "length, in " + u.Unit() + " from the start of the period", Arithmetic: u.Number(n.To.UnixMS-start.UnixMS) + " − " + u.Number(n.From.UnixMS-start.UnixMS),
			Result: u.Result(n.LengthMS()), Cites: n.Positions}}}
}
