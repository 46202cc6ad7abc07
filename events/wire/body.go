package wire

import (
	"github.com/go-json-experiment/json"
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

// encodeBody returns the canonical payload.
func encodeBody(b events.Body) (jsontext.Value, error) {
	var shape any = b
	switch b := b.(type) {
	case events.EntryCorrected:
		r := b.Replacement
		data, err := encodeBody(r.Body)
		if err != nil {
			return nil, err
		}
		w := replacement{Type: r.Body.Kind(), Operator: r.Operator, Job: r.Job, Data: data}
		if !r.Occurred.IsZero() {
			w.Time = &r.Occurred
		}
		shape = correction{Refers: b.Refers, Reason: b.Reason, Author: b.Author, Replacement: w}
	case events.RegisterRevised:
		document, err := json.Marshal(b.Document)
		if err != nil {
			return nil, err
		}
		shape = revision{Register: b.Document.Register(), Key: b.Key, EffectiveFrom: b.EffectiveFrom,
			Author: b.Author, Note: b.Note, Document: document}
	}
	out, err := json.Marshal(shape)
	if err != nil {
		return nil, err
	}
	v := jsontext.Value(out)
	return v, v.Canonicalize()
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
	if err := strict(data, events.Target(p)); err != nil {
		return nil, fieldErrors(at, err, events.Target(p))
	}
	return events.Deref(p), nil
}

func decodeCorrection(data jsontext.Value, at string) (events.Body, error) {
	var w correction
	if err := strict(data, &w); err != nil {
		return nil, fieldErrors(at, err, &w)
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
		c.Replacement.Occurred = *r.Time
	}
	return c, nil
}

func decodeRevision(data jsontext.Value, at string) (events.Body, error) {
	var w revision
	if err := strict(data, &w); err != nil {
		return nil, fieldErrors(at, err, &w)
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
	if err := strict(data, p); err != nil {
		return nil, fieldErrors(at, err, p)
	}
	return events.DocumentOf(p), nil
}
