package billable

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/reports/arithmetic"
)

// The names of the tables whose lines can be explained.
const (
	linesTable     = "Invoice lines"
	totalsTable    = "Invoice totals"
	notBilledTable = "Not billed"
)

// Explain returns how a line of the tables Invoice lines, Invoice totals and Not
// billed came about: the events, the card and the rules that were applied, and each
// step of the arithmetic.
func (r *Report) Explain(table, key string) (reports.Explanation, bool) {
	switch table {
	case linesTable:
		for i := range r.Lines {
			if r.Lines[i].Key == key {
				return r.explainLine(&r.Lines[i]), true
			}
		}
	case totalsTable:
		for i := range r.Invoices {
			if r.Invoices[i].key() == key {
				return r.explainInvoice(&r.Invoices[i]), true
			}
		}
	case notBilledTable:
		for i := range r.NotBilled {
			if r.NotBilled[i].key() == key {
				return r.explainNotBilled(&r.NotBilled[i]), true
			}
		}
	}
	return reports.Explanation{}, false
}

// exposition gathers the explanation of one line.
type exposition struct {
	reports.Explanation
	r *Report
	l *Line
	w *trace
}

func (r *Report) explainLine(l *Line) reports.Explanation {
	x := &exposition{r: r, l: l, w: r.traces[l.Key], Explanation: reports.Explanation{Report: "billable", Table: linesTable, Key: l.Key, Cites: slices.Clone(l.Positions)}}
	quantity := fmt.Sprintf("%s %s", reports.Decimal(l.Micro, 6, 3), l.Unit)
	if l.Unit == "h" {
		quantity = reports.Hours(l.BilledMS) + " charged as " + reports.Hours(l.ChargedMS)
	}
	x.Says = fmt.Sprintf("Job %s, %s, %s: %s, %s: %s.", l.Job, l.Day, l.Truck, l.What, quantity, reports.Money(l.AmountCents, l.Currency))
	x.agreed()
	switch l.Kind {
	case ForTime:
		x.time()
	case ForRounding:
		x.rounding()
	case ForMinimum:
		x.minimum()
	case ForSpoil, ForGateFee:
		x.tonnage()
	case ForWater:
		x.water()
	case ForFee:
		x.fee()
	}
	x.tax()
	for _, s := range x.Steps {
		x.Cites = append(x.Cites, s.Cites...)
	}
	for _, u := range x.Register {
		x.Cites = append(x.Cites, u.Position)
	}
	x.Cites = reports.Union(x.Cites)
	return x.Explanation
}

// card names the rate card, as the source of what it says.
func (x *exposition) card() string { return "rate card " + string(x.w.t.job.RateCard) }

func (x *exposition) rule(source, format string, args ...any) {
	x.Rules = append(x.Rules, reports.Rulebook{Rule: fmt.Sprintf(format, args...), Source: source})
}

func (x *exposition) step(what, sum, result string, cites []uint64) {
	x.Steps = append(x.Steps, reports.Step{What: what, Arithmetic: sum, Result: result, Cites: cites})
}

func (x *exposition) use(r events.Register, key string, at events.Time, reads string) {
	if use, ok := x.r.journal.Use(r, key, at, reads); ok {
		x.Register = append(x.Register, use)
	}
}

// agreed adds what was agreed for the job, and why it is that.
func (x *exposition) agreed() {
	t := x.w.t
	x.use(events.JobRegister, string(t.id), t.at, fmt.Sprintf("client %s, rate card %s, time zone %s", t.job.Client, t.job.RateCard, t.job.TimeZone))
	when := "when it occurred"
	switch x.l.Kind {
	case ForTime, ForRounding, ForMinimum:
		when = "when the visit began (without a visit, when the time did; for a day, when its first billed time did)"
	case ForFee:
		when = "when the visit began, the day's first time did, or the tip occurred"
	}
	x.rule("common practice", "The job, rate card, calendar and tax are those in force %s, here at %s.", when, t.at)
}

// cardReads notes the card with the values that the line used.
func (x *exposition) cardReads(values ...string) {
	t := x.w.t
	x.use(events.RateCardRegister, string(t.job.RateCard), t.at, t.card.Name+", "+t.card.Currency+": "+strings.Join(values, "; "))
}

func perHour(a events.Activity, rate, currency string) string {
	return fmt.Sprintf("%s %s %s an hour", a, rate, currency)
}

// band says which band was applied and why.
func (x *exposition) band() string {
	t, l := x.w.t, x.l
	x.rule(x.card(), "The first band of the card's list that matches counts, by the clock of %s; outside all it is ordinary, times 1. "+
		"A band that runs past midnight belongs to the day on which it began.", t.job.TimeZone)
	if t.card.Calendar != "" {
		reads := l.Day + " is no holiday"
		if c, ok := x.r.journal.Book.Calendar(t.card.Calendar, t.at); ok {
			for _, h := range c.Holidays {
				if h.Date == l.Day {
					reads = h.Date + " is " + h.Name
				}
			}
		}
		x.use(events.CalendarRegister, string(t.card.Calendar), t.at, reads)
	}
	for _, b := range t.card.Bands {
		if b.Name == l.Band && number(b.Multiplier).Equal(l.Multiplier) {
			return fmt.Sprintf("band %s: %s, %s to %s, times %s", b.Name, strings.Join(b.Days, " "), b.From, b.To, b.Multiplier)
		}
	}
	return "band " + ordinary + ", times 1"
}

func lengths(parts []part) []int64 {
	list := make([]int64, len(parts))
	for i := range parts {
		list[i] = parts[i].ms
	}
	return list
}

// roundedBy writes the card's rounding of a length.
func roundedBy(u arithmetic.Ruler, ms int64, rule events.Rounding) string {
	step := u.Number(rule.IncrementMinutes * 60_000)
	switch rule.Mode {
	case "up":
		return fmt.Sprintf("roundup(%s ÷ %s) × %s", u.Number(ms), step, step)
	case "nearest":
		return fmt.Sprintf("round(%s ÷ %s) × %s", u.Number(ms), step, step)
	}
	return u.Number(ms)
}

func roundingReads(rule events.Rounding) string {
	return fmt.Sprintf("rounding to %d min, %s, per %s", rule.IncrementMinutes, rule.Mode, rule.Per)
}

func (x *exposition) time() {
	t, l := x.w.t, x.l
	rule := t.card.Rounding
	u := arithmetic.RulerFor(append(lengths(x.w.parts), l.ChargedMS, t.card.FreeStandbyMinutes*60_000)...)
	reads := []string{perHour(l.Activity, l.Rate.String(), l.Currency), x.band()}
	x.limits(&reads)
	for i := range x.w.parts {
		p := &x.w.parts[i]
		x.step(fmt.Sprintf("%s from %s to %s, in %s", p.what, x.clock(p.from), x.clock(p.to), u.Unit()), u.Number(p.ms), u.Result(p.ms), p.cites)
	}
	x.step("time billed", u.Sum(lengths(x.w.parts)), u.Result(l.BilledMS), l.Positions)
	if rule.Per == "line" {
		reads = append(reads, roundingReads(rule))
		x.rule(x.card(), "Each line's time is rounded to %d min, %s.", rule.IncrementMinutes, rule.Mode)
		x.step("time charged", roundedBy(u, l.BilledMS, rule), u.Result(l.ChargedMS), nil)
	}
	x.cardReads(reads...)
	x.hours(u)
}

// limits says what of the visit's free standby and travel cap concerns the line.
func (x *exposition) limits(reads *[]string) {
	t, l, left := x.w.t, x.l, x.w.left
	switch free, limit := t.card.FreeStandbyMinutes*60_000, t.card.TravelCapMinutes*60_000; {
	case l.Activity == events.Standby && free > 0:
		*reads = append(*reads, fmt.Sprintf("%d min of standby free each visit", t.card.FreeStandbyMinutes))
		x.rule(x.card(), "The first %d min of a visit's standby are free; they are in Not billed.", t.card.FreeStandbyMinutes)
		u := arithmetic.RulerFor(left.allStandbyMS, free)
		x.step("standby of the visit that is free, of all that the card bills, in "+u.Unit(),
			fmt.Sprintf("min(%s, %s)", u.Number(free), u.Number(left.allStandbyMS)), u.Result(min(free, left.allStandbyMS)), nil)
	case l.Activity == events.Travel && limit > 0:
		*reads = append(*reads, fmt.Sprintf("travel of a visit paid up to %d min", t.card.TravelCapMinutes))
		x.rule(x.card(), "Travel of a visit is paid up to %d min; what is beyond is in Not billed.", t.card.TravelCapMinutes)
		u := arithmetic.RulerFor(left.allTravelMS, limit)
		x.step("travel of the visit that is paid, in "+u.Unit(),
			fmt.Sprintf("min(%s, %s)", u.Number(limit), u.Number(left.allTravelMS)), u.Result(min(limit, left.allTravelMS)), nil)
	case l.Activity == events.Stopped:
		x.rule(x.card(), "Stops on the carrier's side or an unknown side are never billed; this one is not, and the card does not leave it with the carrier. A reset does not restart the paid clock.")
	}
}

// hours is the last step of what is charged by the hour.
func (x *exposition) hours(u arithmetic.Ruler) {
	l := x.l
	x.step("amount: hours × rate × multiplier", fmt.Sprintf("%s ÷ %s × %s × %s", bracketed(u.Number(l.ChargedMS)), u.Hour(), l.Rate, l.Multiplier),
		reports.Money(l.AmountCents, l.Currency), nil)
	x.moneyRule()
}

// bracketed puts a negative number into brackets.
func bracketed(n string) string {
	if strings.HasPrefix(n, "-") {
		return "(" + n + ")"
	}
	return n
}

func (x *exposition) moneyRule() {
	how := "halves away from zero"
	if x.l.HalfEven {
		how = "halves to even"
	}
	x.rule(x.card(), "An amount is exact until it is rounded to hundredths, %s.", how)
}

// before lists the charged time of the visit or day that rounding or a minimum starts
// from, and returns it.
func (x *exposition) before(u arithmetic.Ruler) int64 {
	total := int64(0)
	for i := range x.w.parts {
		total += x.w.parts[i].ms
	}
	names := make([]string, len(x.w.parts))
	cites := []uint64{}
	for i := range x.w.parts {
		names[i] = x.w.parts[i].what
		cites = append(cites, x.w.parts[i].cites...)
	}
	x.step(fmt.Sprintf("time of the %s, in %s (%s)", x.w.per, u.Unit(), strings.Join(names, ", then ")), u.Sum(lengths(x.w.parts)), u.Result(total), reports.Union(cites))
	return total
}

func (x *exposition) rounding() {
	rule := x.w.t.card.Rounding
	u := arithmetic.RulerFor(append(lengths(x.w.parts), x.l.ChargedMS)...)
	total := x.before(u)
	x.rule(x.card(), "The billed time of each %s is rounded to %d min, %s; the difference is a line at the rate of the last of that time.", x.w.per, rule.IncrementMinutes, rule.Mode)
	x.step("rounded, less what it was", roundedBy(u, total, rule)+" − "+bracketed(u.Number(total)), u.Result(x.l.ChargedMS), nil)
	x.cardReads(roundingReads(rule), perHour(x.l.Activity, x.l.Rate.String(), x.l.Currency), "times "+x.l.Multiplier.String())
	x.hours(u)
}

func (x *exposition) minimum() {
	rule := x.w.t.card.Minimum
	u := arithmetic.RulerFor(append(lengths(x.w.parts), x.l.ChargedMS)...)
	total := x.before(u)
	x.rule(x.card(), "When some but less than %d min of a %s are billed, the shortfall is charged at the loading rate of the ordinary band.", rule.Minutes, rule.Per)
	x.step("shortfall", fmt.Sprintf("max(0, %s − %s)", u.Number(rule.Minutes*60_000), u.Number(total)), u.Result(x.l.ChargedMS), nil)
	x.cardReads(fmt.Sprintf("minimum of %d min a %s", rule.Minutes, rule.Per), perHour(x.l.Activity, x.l.Rate.String(), x.l.Currency))
	x.hours(u)
}

// tax is the last step of every line whose tax is reckoned by line.
func (x *exposition) tax() {
	l := x.l
	switch {
	case !l.TaxKnown:
		x.rule("common practice", "Tax %s was not in force at %s, so none is reckoned; see the findings.", l.Tax, x.w.t.at)
		return
	case l.TaxPerLine:
		x.rule(x.card(), "Tax is reckoned and rounded line by line.")
		x.step("tax", fmt.Sprintf("%s × %s ÷ 100", plain(l.AmountCents), l.TaxPercent), reports.Money(l.TaxCents, l.Currency), nil)
	default:
		x.rule(x.card(), "Tax is reckoned on the sum of the invoice, not on the line.")
	}
	x.use(events.TaxRegister, string(l.Tax), x.w.t.at, fmt.Sprintf("%s, %s %%", x.w.t.tax.Name, l.TaxPercent))
}

// plain writes hundredths as a number to reckon with.
func plain(cents int64) string {
	return bracketed(strings.ReplaceAll(reports.Decimal(cents, 2, 2), ",", ""))
}

// clock writes a time at the job.
func (x *exposition) clock(t events.Time) string {
	return cmp.Or(strings.TrimSuffix(localTime(t, x.w.t.zone), ":00.000"), "(no time)")
}
