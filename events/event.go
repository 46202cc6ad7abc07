// Package events is the vocabulary of the ledger: what can happen on a
// vacuum-excavation truck's day and in the office behind it, said as past-tense
// facts with typed payloads, quantities that carry their basis, and strict
// validation. It is pure: no clock, no files, no network.
//
// An [Event] is an envelope and a [Body]. The envelope says who counted it
// (Source and Seq), when it happened by that source's clock (Occurred), and which
// truck, job and operator it concerns. The body says what happened. For example
// a truck that sucked up two cubic metres of slurry between 08:10 and 08:25
// records
//
//	Event{
//		ID: "TM-01-000042", Source: TruckSource("TM-01"), Seq: 42,
//		Occurred: MustTime("2026-10-05T08:25:00.000+01:00"),
//		Truck: "TM-01", Job: "J-101", Operator: "OP-1", Origin: FromController,
//		Body: LoadCollected{
//			Start: MustTime("2026-10-05T08:10:00.000+01:00"),
//			End:   MustTime("2026-10-05T08:25:00.000+01:00"),
//			Material: "M-CLAY",
//			SlurryVolume: &Volume{VolumeML: 2_000_000, Basis: Measured},
//		},
//	}
//
// Source and ID together identify an event: the same pair twice is the same
// event. Nothing is ever overwritten; an [EntryCorrected] or [EntryVoided] refers
// to the event it changes. The hub adds a position and a recording time when it
// stores the event ([Recorded]); neither is part of what the source said.
package events

import (
	"fmt"
	"strings"
)

// Identifiers of register entries. Each matches [A-Za-z0-9][A-Za-z0-9_-]{0,39}
// so that it can stand in a subject, a file name and a cell unescaped.
type (
	// TruckID names a truck.
	TruckID string
	// JobID names a job.
	JobID string
	// OperatorID names an operator.
	OperatorID string
	// ClientID names a client.
	ClientID string
	// MaterialID names a material.
	MaterialID string
	// FacilityID names a receiving facility.
	FacilityID string
	// WaterSourceID names a water source.
	WaterSourceID string
	// OutfallID names an outfall.
	OutfallID string
	// RateCardID names a rate card.
	RateCardID string
	// CalendarID names a holiday calendar.
	CalendarID string
	// TaxID names a tax.
	TaxID string
)

// Origin says how an event came to be written down.
type Origin string

// The origins an event can have.
const (
	FromController Origin = "controller" // a signal of the truck's controller
	FromCrew       Origin = "crew"       // entered by the crew
	FromOffice     Origin = "office"     // entered in the office
	FromFile       Origin = "file"       // imported from a file
)

// Source names who counts the events: a truck, or a desk in the office. Its text
// is a CloudEvents source, "/truck/TM-01" or "/office/yard".
type Source string

// TruckSource is the source of the events that truck id counts.
func TruckSource(id TruckID) Source { return Source("/truck/" + string(id)) }

// OfficeSource is the source of the events that the office desk name counts.
func OfficeSource(name string) Source { return Source("/office/" + name) }

// Split returns the source's class ("truck" or "office") and its name; ok is
// false when the text is not a source.
func (s Source) Split() (class, name string, ok bool) {
	rest, found := strings.CutPrefix(string(s), "/")
	if !found {
		return "", "", false
	}
	class, name, found = strings.Cut(rest, "/")
	if !found || (class != "truck" && class != "office") || !validID(name) {
		return "", "", false
	}
	return class, name, true
}

// Ref identifies an event by what its source said.
type Ref struct {
	Source Source `json:"source"`
	ID     string `json:"id"`
}

// String returns the reference as source#id.
func (r Ref) String() string { return string(r.Source) + "#" + r.ID }

// Place is a position on the earth in millionths of a degree (WGS 84). On the
// wire it is an RFC 5870 geo URI, "geo:53.123456,-7.123456".
type Place struct {
	LatitudeMicroDeg  int64
	LongitudeMicroDeg int64
}

// Event is one fact as its source stated it.
type Event struct {
	ID       string // unique within Source; 1 to 64 printable ASCII characters
	Source   Source
	Seq      uint64 // counted by the source from 1, gap-free
	Occurred Time   // by the source's clock
	Truck    TruckID
	Operator OperatorID
	Job      JobID
	Place    *Place
	Origin   Origin
	Body     Body
}

// Ref returns the reference that identifies e.
func (e *Event) Ref() Ref { return Ref{Source: e.Source, ID: e.ID} }

// Kind returns the kind of e's body, or "" when it has none.
func (e *Event) Kind() Kind {
	if e.Body == nil {
		return ""
	}
	return e.Body.Kind()
}

// Recorded is an event with what the ledger gave it: a dense position from 1, the
// time it was stored by the hub's clock, and the hash of its canonical bytes.
type Recorded struct {
	Event
	Position uint64
	At       Time
	Hash     [32]byte
}

// Validate reports everything that is wrong with e as a [*ValidationError], or
// nil. It checks form and magnitude, not whether the register knows the names.
func (e *Event) Validate() error {
	c := &Check{}
	c.Text("id", e.ID, 1, 64)
	class, name, ok := e.Source.Split()
	if !ok {
		c.Fail("source", string(e.Source), `"/truck/NAME" or "/office/NAME", NAME of letters, digits, _ and -`)
	}
	if e.Seq < 1 || e.Seq > maxSeq {
		c.Fail("seq", fmt.Sprint(e.Seq), fmt.Sprintf("a whole number from 1 to %d, counted by the source", uint64(maxSeq)))
	}
	c.Time("time", e.Occurred)
	c.OptionalID("subject", string(e.Truck))
	c.OptionalID("operator", string(e.Operator))
	c.OptionalID("job", string(e.Job))
	c.OneOf("origin", string(e.Origin), string(FromController), string(FromCrew), string(FromOffice), string(FromFile))
	if class == "truck" && string(e.Truck) != name {
		c.Fail("subject", string(e.Truck), fmt.Sprintf("%q, the truck that source %q names", name, string(e.Source)))
	}
	if p := e.Place; p != nil {
		c.Between("place", p.LatitudeMicroDeg, -90_000_000, 90_000_000, "latitude in millionths of a degree")
		c.Between("place", p.LongitudeMicroDeg, -180_000_000, 180_000_000, "longitude in millionths of a degree")
	}
	e.validateBody(c)
	return c.Err()
}

// validateBody checks what the kind asks of the envelope, then the payload.
func (e *Event) validateBody(c *Check) {
	if e.Body == nil {
		c.Fail("type", "none", "one of the kinds in events.Kinds")
		return
	}
	spec, known := kindTable[e.Body.Kind()]
	if !known {
		c.Fail("type", string(e.Body.Kind()), "one of the kinds in events.Kinds")
		return
	}
	if spec.NeedsTruck && e.Truck == "" {
		c.Fail("subject", "nothing", "the truck that a "+string(e.Kind())+" event concerns")
	}
	if spec.NeedsJob && e.Job == "" {
		c.Fail("job", "nothing", "the job that a "+string(e.Kind())+" event concerns")
	}
	c.In("data", func() { e.Body.Check(c) })
}

const maxSeq = 1<<31 - 1 // a CloudEvents Integer is 32 bits, signed
