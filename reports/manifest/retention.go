package manifest

import (
	"time"

	"spoilbook/events"
)

// Retention is how long somebody must keep the record of a consignment by a written
// law, counted from the day on which the carrier took the waste over.
type Retention struct {
	Key           string // of its column
	Who           string
	Years         int
	Source        string
	HazardousOnly bool
}

// Retentions lists what the profile's law says, and for the general profile what those
// known here say; which of them binds is a question for the people who know the law of
// the place.
func (p Profile) Retentions() []Retention {
	us := Retention{"us_until", "US generator and transporter", 3, "40 CFR 262.40 and 263.22, from acceptance by the initial transporter", true}
	note := Retention{"uk_note_until", "UK transfer note", 2, "SI 1991/2839 regulation 3", false}
	carrier := Retention{"england_carrier_until", "England, hazardous waste, carrier", 1, "the rules on hazardous waste in England", true}
	producer := Retention{"england_producer_until", "England, hazardous waste, producer", 3, "the rules on hazardous waste in England", true}
	switch p {
	case USForm:
		return []Retention{us}
	case EnglandWales:
		return []Retention{note, carrier, producer}
	}
	return []Retention{us, note, carrier, producer,
		{"nsw_facility_until", "New South Wales facility", 4, "the record-keeping rules of New South Wales", false}}
}

// accepted returns when the carrier took a consignment over: when it left the site, and
// otherwise when it was tipped, which is never earlier.
func (c *Consignment) accepted() events.Time {
	if c.Journey.LeftSite.IsZero() {
		return c.at
	}
	return c.Journey.LeftSite
}

// KeepUntil returns the last day on which a record must be kept, "2029-10-05", in the
// time zone given; "" where the rule does not bind the consignment. What was accepted
// on 29 February is kept until 1 March where the last year has no such day.
func (r Retention) KeepUntil(c *Consignment, zone *time.Location) string {
	if r.HazardousOnly && !c.Hazardous {
		return ""
	}
	return time.UnixMilli(c.accepted().UnixMS).In(zone).AddDate(r.Years, 0, 0).Format(time.DateOnly)
}
