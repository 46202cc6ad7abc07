// Package wire is the one encoding of events: CloudEvents 1.0 in JSON, in the
// canonical form of RFC 8785, so that an event has exactly one sequence of bytes
// and anybody can recompute its hash. For example (one line on the wire):
//
//	{"data":{"end":"2026-10-05T08:25:00.000+01:00","material":"M-CLAY",
//	  "slurryVolume":{"basis":"measured","volumeML":2000000},
//	  "start":"2026-10-05T08:10:00.000+01:00"},
//	 "datacontenttype":"application/json",
//	 "dataschema":"urn:spoilbook:load.collected:1",
//	 "id":"TM-01-000042","job":"J-101","operator":"OP-1","origin":"controller",
//	 "seq":42,"source":"/truck/TM-01","specversion":"1.0","subject":"TM-01",
//	 "time":"2026-10-05T08:25:00.000+01:00","type":"spoilbook.load.collected"}
//
// The extension attributes are seq, operator, job, origin and place (RFC 5870).
// Decoding is strict: an unknown or repeated member, a wrong type or a value out
// of range is an [*events.ValidationError] that names the field. Law: whatever
// [Decode] accepts, [Encode] returns in canonical form, and decoding that again
// and encoding it returns the same bytes.
package wire

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json/jsontext"

	"spoilbook/events"
)

// MaxBytes is the largest event accepted, in bytes.
const MaxBytes = 256 << 10

const (
	typePrefix   = "spoilbook."
	schemaPrefix = "urn:spoilbook:"
	contentType  = "application/json"
)

// envelope has its members in canonical (alphabetical) order.
type envelope struct {
	Data            jsontext.Value    `json:"data"`
	DataContentType string            `json:"datacontenttype"`
	DataSchema      string            `json:"dataschema"`
	ID              string            `json:"id"`
	Job             events.JobID      `json:"job,omitzero"`
	Operator        events.OperatorID `json:"operator,omitzero"`
	Origin          events.Origin     `json:"origin"`
	Place           string            `json:"place,omitzero"`
	Seq             uint64            `json:"seq"`
	Source          events.Source     `json:"source"`
	SpecVersion     string            `json:"specversion"`
	Subject         events.TruckID    `json:"subject,omitzero"`
	Time            events.Time       `json:"time"`
	Type            string            `json:"type"`
}

// Encode returns the canonical bytes of e. It does not validate; an event that
// [Decode] returned always encodes.
func Encode(e *events.Event) ([]byte, error) {
	if e.Body == nil {
		return nil, errors.New("encode event: it has no body")
	}
	spec, ok := events.SpecOf(e.Kind())
	if !ok {
		return nil, fmt.Errorf("encode event: unknown kind %q", e.Kind())
	}
	data, err := encodeBody(e.Body)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", e.Kind(), err)
	}
	b, err := canonical(envelope{
		Data: data, DataContentType: contentType,
		DataSchema: schemaPrefix + string(spec.Kind) + ":" + strconv.Itoa(spec.Version),
		ID:         e.ID, Job: e.Job, Operator: e.Operator, Origin: e.Origin, Place: formatPlace(e.Place),
		Seq: e.Seq, Source: e.Source, SpecVersion: "1.0", Subject: e.Truck, Time: e.Occurred,
		Type: typePrefix + string(e.Kind()),
	})
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", e.Kind(), err)
	}
	return b, nil
}

// Decode reads one event and validates it. Errors are [*events.ValidationError].
func Decode(b []byte) (events.Event, error) {
	if len(b) > MaxBytes {
		return events.Event{}, oneField("event", fmt.Sprintf("%d bytes", len(b)), fmt.Sprintf("at most %d bytes", MaxBytes))
	}
	var env envelope
	if err := strict(b, &env, ""); err != nil {
		return events.Event{}, err
	}
	if env.Data == nil {
		return events.Event{}, oneField("data", "nothing", "the payload, one JSON object")
	}
	spec, err := checkEnvelope(&env)
	if err != nil {
		return events.Event{}, err
	}
	place, err := parsePlace(env.Place)
	if err != nil {
		return events.Event{}, err
	}
	body, err := decodeBody(spec, env.Data, "data")
	if err != nil {
		return events.Event{}, err
	}
	e := events.Event{ID: env.ID, Source: env.Source, Seq: env.Seq, Occurred: env.Time, Truck: env.Subject,
		Operator: env.Operator, Job: env.Job, Place: place, Origin: env.Origin, Body: body}
	if err := e.Validate(); err != nil {
		return events.Event{}, err
	}
	if err := checkCanonicalSize(&e, len(b)); err != nil {
		return events.Event{}, err
	}
	return e, nil
}

// checkCanonicalSize refuses an event of n bytes whose canonical form, which
// writes out what may be left out, is above the limit.
func checkCanonicalSize(e *events.Event, n int) error {
	if n <= MaxBytes/2 {
		return nil
	}
	canonical, err := Encode(e)
	if err != nil {
		return err
	}
	if len(canonical) > MaxBytes {
		return oneField("event", fmt.Sprintf("%d bytes in canonical form", len(canonical)), fmt.Sprintf("at most %d bytes", MaxBytes))
	}
	return nil
}

// checkEnvelope checks the attributes that fix how the rest is read.
func checkEnvelope(env *envelope) (events.Spec, error) {
	if env.SpecVersion != "1.0" {
		return events.Spec{}, oneField("specversion", strconv.Quote(env.SpecVersion), `"1.0"`)
	}
	if env.DataContentType != "" && env.DataContentType != contentType {
		return events.Spec{}, oneField("datacontenttype", strconv.Quote(env.DataContentType), `"application/json"`)
	}
	kind, ok := strings.CutPrefix(env.Type, typePrefix)
	spec, known := events.SpecOf(events.Kind(kind))
	if !ok || !known {
		return events.Spec{}, oneField("type", strconv.Quote(env.Type), kindsAllowed())
	}
	want := schemaPrefix + kind + ":"
	version, ok := strings.CutPrefix(env.DataSchema, want)
	n, err := strconv.Atoi(version)
	switch {
	case env.DataSchema == "":
	case !ok || err != nil || n < 1:
		return events.Spec{}, oneField("dataschema", strconv.Quote(env.DataSchema), strconv.Quote(want+strconv.Itoa(spec.Version)))
	case n > spec.Version:
		return events.Spec{}, oneField("dataschema", fmt.Sprintf("version %d", n), fmt.Sprintf("up to version %d; a newer program wrote this event, upgrade to read it", spec.Version))
	case n < spec.Version:
		if env.Data, err = upcast(spec, n, env.Data); err != nil {
			return events.Spec{}, err
		}
	}
	return spec, nil
}

func kindsAllowed() string {
	words := make([]string, 0, 32)
	for _, k := range events.Kinds() {
		words = append(words, typePrefix+string(k))
	}
	return strings.Join(words, ", ")
}

// formatPlace writes an RFC 5870 geo URI with six decimals.
func formatPlace(p *events.Place) string {
	if p == nil {
		return ""
	}
	return "geo:" + microDegrees(p.LatitudeMicroDeg) + "," + microDegrees(p.LongitudeMicroDeg)
}

func microDegrees(v int64) string {
	sign := ""
	if v < 0 {
		sign, v = "-", -v
	}
	return fmt.Sprintf("%s%d.%06d", sign, v/1_000_000, v%1_000_000)
}

func parsePlace(s string) (*events.Place, error) {
	if s == "" {
		return nil, nil
	}
	rest, ok := strings.CutPrefix(s, "geo:")
	lat, long, found := strings.Cut(rest, ",")
	a, errA := parseMicroDegrees(lat)
	b, errB := parseMicroDegrees(long)
	if !ok || !found || errA != nil || errB != nil {
		return nil, oneField("place", strconv.Quote(s), `a geo URI such as "geo:53.123456,-7.123456", at most six decimals`)
	}
	return &events.Place{LatitudeMicroDeg: a, LongitudeMicroDeg: b}, nil
}

func parseMicroDegrees(s string) (int64, error) {
	digits, negative := strings.CutPrefix(s, "-")
	whole, fraction, _ := strings.Cut(digits, ".")
	if len(whole) < 1 || len(whole) > 3 || len(fraction) > 6 {
		return 0, errors.New("not a coordinate")
	}
	v, err := strconv.ParseUint(whole+fraction+strings.Repeat("0", 6-len(fraction)), 10, 32)
	if err != nil {
		return 0, err
	}
	if negative {
		return -int64(v), nil
	}
	return int64(v), nil
}
