package events

import "time"

// Activity is what a truck's time was spent on. Activities never overlap and
// together fill the shift.
type Activity string

// The activities.
const (
	Travel      Activity = "travel"
	OnSite      Activity = "on-site" // at the site, nothing more specific
	Loading     Activity = "loading"
	Decanting   Activity = "decanting"
	FullDump    Activity = "full-dump" // haul, queue, tip, wash-out, return
	Refilling   Activity = "refilling"
	Standby     Activity = "standby"
	Stopped     Activity = "stopped" // between an emergency stop and the restart
	Rest        Activity = "rest"
	Unexplained Activity = "unexplained"
)

// Activities lists the activities in the order reports show them.
func Activities() []Activity {
	return []Activity{Travel, OnSite, Loading, Decanting, FullDump, Refilling, Standby, Stopped, Rest, Unexplained}
}

// RateCard says what a job's client is charged.
type RateCard struct {
	Name               string         `json:"name"`
	Currency           string         `json:"currency"`
	Rates              []ActivityRate `json:"rates"`          // an activity not listed is not billed
	Bands              []Band         `json:"bands,omitzero"` // first match wins; outside all, multiplier 1 as "ordinary"
	Minimum            Minimum        `json:"minimum,omitzero"`
	Rounding           Rounding       `json:"rounding,omitzero"`
	FreeStandbyMinutes int64          `json:"freeStandbyMinutes,omitzero"` // per visit
	TravelCapMinutes   int64          `json:"travelCapMinutes,omitzero"`   // per visit; 0 = no cap
	CarrierBears       []StandbyCause `json:"carrierBears,omitzero"`       // standby causes not billed
	CarrierBearsStops  []Attribution  `json:"carrierBearsStops,omitzero"`  // carrier and unknown stops are never billed
	Spoil              SpoilRate      `json:"spoil,omitzero"`
	GateFees           GateFeeRule    `json:"gateFees,omitzero"`
	WaterPerKL         Decimal        `json:"waterPerKL,omitzero"` // fresh water used on the job, per 1000 L
	Fees               []Fee          `json:"fees,omitzero"`
	Calendar           CalendarID     `json:"calendar,omitzero"`
	Tax                TaxID          `json:"tax"`
	TaxPer             string         `json:"taxPer,omitzero"`        // "line" or "invoice" (default)
	MoneyRounding      string         `json:"moneyRounding,omitzero"` // "half-up" (default) or "half-even"
}

// ActivityRate is the hourly rate of an activity in the ordinary band.
type ActivityRate struct {
	Activity   Activity `json:"activity"`
	HourlyRate Decimal  `json:"hourlyRate"`
}

// Band is a part of the week with its own multiplier. Days are "mon" to "sun"
// and "holiday"; From and To are local "HH:MM", half-open, "24:00" allowed, and
// To before From runs past midnight into the next day.
type Band struct {
	Name       string   `json:"name"`
	Days       []string `json:"days"`
	From       string   `json:"from"`
	To         string   `json:"to"`
	Multiplier Decimal  `json:"multiplier"`
}

// Minimum is the least time billed for a visit or a day; the shortfall is
// billed at the loading rate of the ordinary band.
type Minimum struct {
	Minutes int64  `json:"minutes"`
	Per     string `json:"per"` // "visit" or "day"
}

// Rounding says how billed time is rounded.
type Rounding struct {
	IncrementMinutes int64  `json:"incrementMinutes"`
	Mode             string `json:"mode"` // "up", "nearest" (halves up), "none"
	Per              string `json:"per"`  // "line", "visit", "day"
}

// SpoilRate charges disposal by the tonne or the cubic metre tipped.
type SpoilRate struct {
	Per  string  `json:"per"` // "tonne" or "m3"
	Rate Decimal `json:"rate"`
}

// GateFeeRule passes the facility's gate fee on, with a mark-up.
type GateFeeRule struct {
	PassOn        bool    `json:"passOn"`
	MarkupPercent Decimal `json:"markupPercent,omitzero"`
}

// Fee is a fixed amount per visit, per tip or per day worked.
type Fee struct {
	Name   string  `json:"name"`
	Amount Decimal `json:"amount"`
	Per    string  `json:"per"` // "visit", "tip", "day"
}

// Calendar lists the public holidays that rate cards speak of.
type Calendar struct {
	Name     string    `json:"name"`
	Holidays []Holiday `json:"holidays"`
}

// Holiday is one public holiday.
type Holiday struct {
	Date string `json:"date"`
	Name string `json:"name"`
}

// Tax is a tax rate.
type Tax struct {
	Name        string  `json:"name"`
	RatePercent Decimal `json:"ratePercent"`
}

// Register returns RateCardRegister.
func (RateCard) Register() Register { return RateCardRegister }

// Register returns CalendarRegister.
func (Calendar) Register() Register { return CalendarRegister }

// Register returns TaxRegister.
func (Tax) Register() Register { return TaxRegister }

// Check asks for rates, bands and rules that can be applied without guessing.
func (d RateCard) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	checkCurrency(c, d.Currency)
	d.checkRates(c)
	d.checkBands(c)
	if d.Minimum != (Minimum{}) {
		c.Between("minimum.minutes", d.Minimum.Minutes, 1, 1_440, "minutes")
		c.OneOf("minimum.per", d.Minimum.Per, "visit", "day")
	}
	if d.Rounding != (Rounding{}) {
		c.Between("rounding.incrementMinutes", d.Rounding.IncrementMinutes, 1, 240, "minutes")
		c.OneOf("rounding.mode", d.Rounding.Mode, "up", "nearest", "none")
		c.OneOf("rounding.per", d.Rounding.Per, "line", "visit", "day")
	}
	c.Between("freeStandbyMinutes", d.FreeStandbyMinutes, 0, 1_440, "minutes a visit")
	c.Between("travelCapMinutes", d.TravelCapMinutes, 0, 1_440, "minutes a visit")
	for i, cause := range d.CarrierBears {
		c.Item("carrierBears", i, func() { checkCause(c, "", cause) })
	}
	for i, a := range d.CarrierBearsStops {
		c.Item("carrierBearsStops", i, func() { checkAttribution(c, "", a) })
	}
	d.checkUnits(c)
	c.OptionalID("calendar", string(d.Calendar))
	c.ID("tax", string(d.Tax))
	c.OneOf("taxPer", d.TaxPer, "", "line", "invoice")
	c.OneOf("moneyRounding", d.MoneyRounding, "", "half-up", "half-even")
}

func (d RateCard) checkRates(c *Check) {
	words := make([]string, 0, 10)
	for _, a := range Activities() {
		words = append(words, string(a))
	}
	seen := map[Activity]bool{}
	for i, r := range d.Rates {
		c.Item("rates", i, func() {
			c.OneOf("activity", string(r.Activity), words...)
			checkDecimal(c, "hourlyRate", r.HourlyRate, false)
			if seen[r.Activity] {
				c.Fail("activity", string(r.Activity)+" twice", "each activity once")
			}
		})
		seen[r.Activity] = true
	}
}

func (d RateCard) checkBands(c *Check) {
	for i, b := range d.Bands {
		c.Item("bands", i, func() { b.check(c) })
	}
}

func (b Band) check(c *Check) {
	c.Text("name", b.Name, 1, 40)
	if len(b.Days) == 0 {
		c.Fail("days", "nothing", "mon, tue, wed, thu, fri, sat, sun, holiday")
	}
	for i, day := range b.Days {
		c.Item("days", i, func() { c.OneOf("", day, "mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday") })
	}
	checkClock(c, "from", b.From)
	checkClock(c, "to", b.To)
	checkDecimal(c, "multiplier", b.Multiplier, false)
}

func checkClock(c *Check, field, s string) {
	if _, ok := ClockMinutes(s); !ok {
		c.Fail(field, quoted(s), `local "HH:MM" from 00:00 to 24:00`)
	}
}

func (d RateCard) checkUnits(c *Check) {
	if d.Spoil != (SpoilRate{}) {
		c.OneOf("spoil.per", d.Spoil.Per, "tonne", "m3")
		checkDecimal(c, "spoil.rate", d.Spoil.Rate, false)
	}
	checkOptionalDecimal(c, "gateFees.markupPercent", d.GateFees.MarkupPercent)
	checkOptionalDecimal(c, "waterPerKL", d.WaterPerKL)
	for i, f := range d.Fees {
		c.Item("fees", i, func() {
			c.Text("name", f.Name, 1, 60)
			checkDecimal(c, "amount", f.Amount, false)
			c.OneOf("per", f.Per, "visit", "tip", "day")
		})
	}
}

// Check asks for a name and dated holidays.
func (d Calendar) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	for i, h := range d.Holidays {
		c.Item("holidays", i, func() {
			if h.Date == "" {
				c.Fail("date", "nothing", `a date such as "2026-10-26"`)
			}
			checkDate(c, "date", h.Date)
			c.Text("name", h.Name, 1, 80)
		})
	}
}

// Check asks for a name and a rate.
func (d Tax) Check(c *Check) {
	c.Text("name", d.Name, 1, 80)
	checkDecimal(c, "ratePercent", d.RatePercent, false)
}

// ClockMinutes reads local "HH:MM" as minutes after midnight, "24:00" as 1440.
func ClockMinutes(s string) (minutes int, ok bool) {
	if len(s) != 5 || s[2] != ':' {
		return 0, false
	}
	for _, i := range []int{0, 1, 3, 4} {
		if s[i] < '0' || s[i] > '9' {
			return 0, false
		}
	}
	h, m := int(s[0]-'0')*10+int(s[1]-'0'), int(s[3]-'0')*10+int(s[4]-'0')
	if m > 59 || h > 24 || h == 24 && m != 0 {
		return 0, false
	}
	return h*60 + m, true
}

func checkDate(c *Check, field, s string) {
	if s == "" {
		return
	}
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		c.Fail(field, quoted(s), `a date such as "2026-10-26"`)
	}
}

// checkNotBefore asks that last, where both are given, is not an earlier date
// than first; dates in this form are in order as text is.
func checkNotBefore(c *Check, lastField, last, firstField, first string) {
	if last != "" && first != "" && last < first {
		c.Fail(lastField, quoted(last), "not before "+firstField+" "+first)
	}
}

func checkCurrency(c *Check, s string) {
	if len(s) != 3 || s[0] < 'A' || s[0] > 'Z' || s[1] < 'A' || s[1] > 'Z' || s[2] < 'A' || s[2] > 'Z' {
		c.Fail("currency", quoted(s), `an ISO 4217 code such as "EUR"`)
	}
}
