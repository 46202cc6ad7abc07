package wire

import (
	"errors"
	"fmt"
	"reflect"

	"github.com/go-json-experiment/json/jsontext"

	"spoilbook/events"
)

// correction is the payload of entry.corrected as it stands on the wire.
type correction struct {
	Refers      events.Ref  `json:"refers"`
	Reason      string      `json:"reason"`
	Author      string      `json:"author"`
	Replacement replacement `json:"replacement"`
}

// replacement names the kind whose payload Data is.
type replacement struct {
	Type     events.Kind       `json:"type"`
	Time     *events.Time      `json:"time,omitzero"`
	Operator events.OperatorID `json:"operator,omitzero"`
	Job      events.JobID      `json:"job,omitzero"`
	Data     jsontext.Value    `json:"data"`
}

// revision is the payload of register.revised as it stands on the wire.
type revision struct {
	Register      events.Register `json:"register"`
	Key           string          `json:"key"`
	EffectiveFrom events.Time     `json:"effectiveFrom"`
	Author        string          `json:"author"`
	Note          string          `json:"note,omitzero"`
	Document      jsontext.Value  `json:"document"`
}

// EncodeData returns the canonical payload of b: the member data of its event.
func EncodeData(b events.Body) ([]byte, error) {
	if b == nil {
		return nil, errors.New("encode payload: there is none")
	}
	data, err := encodeBody(b)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", b.Kind(), err)
	}
	return data, nil
}

// encodeBody returns the canonical payload.
func encodeBody(b events.Body) (jsontext.Value, error) {
	switch b := b.(type) {
	case events.EntryCorrected:
		r := b.Replacement
		if r.Body == nil {
			return nil, errors.New("its replacement has no body")
		}
		data, err := encodeBody(r.Body)
		if err != nil {
			return nil, fmt.Errorf("replacement: %w", err)
		}
		w := replacement{Type: r.Body.Kind(), Operator: r.Operator, Job: r.Job, Data: data}
		if !r.Occurred.IsZero() {
			w.Time = &r.Occurred
		}
		return canonical(correction{Refers: b.Refers, Reason: b.Reason, Author: b.Author, Replacement: w})
	case events.RegisterRevised:
		if b.Document == nil {
			return nil, errors.New("it has no document")
		}
		document, err := canonical(b.Document)
		if err != nil {
			return nil, fmt.Errorf("document: %w", err)
		}
		return canonical(revision{Register: b.Document.Register(), Key: b.Key, EffectiveFrom: b.EffectiveFrom,
			Author: b.Author, Note: b.Note, Document: document})
	}
	return canonical(b)
}

// canonical returns v, of a type that has a form, in canonical JSON.
func canonical(v any) (jsontext.Value, error) {
	value := reflect.ValueOf(v)
	f := formOf(value.Type())
	if f == nil {
		return nil, fmt.Errorf("%s is not part of the vocabulary", value.Type())
	}
	return f.append(make([]byte, 0, 512), value)
}

// decodeBody reads the payload of a kind; at is where it stands, for errors.
func decodeBody(spec events.Spec, data jsontext.Value, at string) (events.Body, error) {
	switch spec.Kind {
	case events.KindEntryCorrected:
		return decodeCorrection(data, at)
	case events.KindRegisterRevised:
		return decodeRevision(data, at)
	}
	p := spec.New()
	if err := strictPayload(data, events.Target(p), at); err != nil {
		return nil, err
	}
	return events.Deref(p), nil
}

func decodeCorrection(data jsontext.Value, at string) (events.Body, error) {
	var w correction
	if err := strictPayload(data, &w, at); err != nil {
		return nil, err
	}
	r := w.Replacement
	spec, known := events.SpecOf(r.Type)
	if !known || !events.Correctable(r.Type) {
		return nil, oneField(at+".replacement.type", string(r.Type), "the kind of the entry it replaces, such as load.collected")
	}
	body, err := decodeBody(spec, r.Data, at+".replacement.data")
	if err != nil {
		return nil, err
	}
	c := events.EntryCorrected{Refers: w.Refers, Reason: w.Reason, Author: w.Author,
		Replacement: events.Replacement{Operator: r.Operator, Job: r.Job, Body: body}}
	if r.Time != nil {
		if r.Time.IsZero() {
			return nil, oneField(at+".replacement.time", r.Time.String(), "the corrected time, or leave it out to keep the one there was")
		}
		c.Replacement.Occurred = *r.Time
	}
	return c, nil
}

func decodeRevision(data jsontext.Value, at string) (events.Body, error) {
	var w revision
	if err := strictPayload(data, &w, at); err != nil {
		return nil, err
	}
	document, err := DecodeDocument(w.Register, w.Document, at+".document")
	if err != nil {
		return nil, err
	}
	return events.RegisterRevised{Key: w.Key, EffectiveFrom: w.EffectiveFrom, Author: w.Author,
		Note: w.Note, Document: document}, nil
}

// DecodeDocument reads one register document in JSON; at is where it stands, for
// errors. It does not validate beyond names and types.
func DecodeDocument(r events.Register, data []byte, at string) (events.Document, error) {
	p := events.NewDocument(r)
	if p == nil {
		return nil, oneField("data.register", string(r), registersAllowed())
	}
	if err := strictPayload(data, p, at); err != nil {
		return nil, err
	}
	return events.DocumentOf(p), nil
}
