package wire

import (
	"cmp"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"spoilbook/events"
)

// form is how values of a type stand on the wire: what encodes them in canonical
// form and tells which members must be given.
type form struct {
	kind    formKind
	of      *form    // what a list's items and an optional value are
	members []member // of an object, in canonical order
}

// member is a member of an object. It is required unless the type leaves it out
// when it is zero.
type member struct {
	name     string
	label    string // the name in quotes with its colon
	index    int    // of the field
	required bool
	form     *form
}

type formKind int

const (
	textForm formKind = iota
	wholeForm
	countForm // whole, never negative
	truthForm
	timeForm
	rawForm // canonical JSON already
	listForm
	optionalForm
	objectForm
)

// forms is the one table of forms, by the types that are decoded and encoded.
var forms = sync.OnceValue(func() map[reflect.Type]*form {
	table := map[reflect.Type]*form{}
	types := []reflect.Type{reflect.TypeFor[envelope](), reflect.TypeFor[correction](), reflect.TypeFor[revision]()}
	for _, k := range events.Kinds() {
		if spec, _ := events.SpecOf(k); k != events.KindEntryCorrected && k != events.KindRegisterRevised {
			types = append(types, reflect.TypeOf(events.Deref(spec.New())))
		}
	}
	for _, r := range events.Registers() {
		types = append(types, reflect.TypeOf(events.DocumentOf(events.NewDocument(r))))
	}
	for _, t := range types {
		table[t] = newForm(t)
	}
	return table
})

// formOf returns the form of a type in the table, nil for any other.
func formOf(t reflect.Type) *form { return forms()[t] }

// newForm builds the form of t. The vocabulary is made of few types; another one
// needs its canonical form written down here first.
func newForm(t reflect.Type) *form {
	switch {
	case t == reflect.TypeFor[events.Time]():
		return &form{kind: timeForm}
	case t == reflect.TypeFor[jsontext.Value]():
		return &form{kind: rawForm}
	}
	switch t.Kind() {
	case reflect.String:
		return &form{kind: textForm}
	case reflect.Int64:
		return &form{kind: wholeForm}
	case reflect.Uint64:
		return &form{kind: countForm}
	case reflect.Bool:
		return &form{kind: truthForm}
	case reflect.Slice:
		return &form{kind: listForm, of: newForm(t.Elem())}
	case reflect.Pointer:
		return &form{kind: optionalForm, of: newForm(t.Elem())}
	case reflect.Struct:
		f := &form{kind: objectForm}
		for i := range t.NumField() {
			name, options, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
			f.members = append(f.members, member{name: name, label: strconv.Quote(name) + ":", index: i,
				required: options != "omitzero", form: newForm(t.Field(i).Type)})
		}
		slices.SortFunc(f.members, func(a, b member) int { return cmp.Compare(a.name, b.name) })
		return f
	}
	panic(fmt.Sprintf("wire: a payload holds a %s, which has no canonical form", t))
}

// append appends v in canonical form (RFC 8785: members in order of their names,
// no space, the shortest escapes).
func (f *form) append(b []byte, v reflect.Value) ([]byte, error) {
	switch f.kind {
	case textForm:
		return jsontext.AppendQuote(b, v.String())
	case wholeForm:
		return strconv.AppendInt(b, v.Int(), 10), nil
	case countForm:
		return strconv.AppendUint(b, v.Uint(), 10), nil
	case truthForm:
		return strconv.AppendBool(b, v.Bool()), nil
	case timeForm:
		t := events.Time{UnixMS: v.Field(0).Int(), OffsetMinutes: int16(v.Field(1).Int())}
		return append(t.Append(append(b, '"')), '"'), nil
	case rawForm:
		return append(b, v.Bytes()...), nil
	case optionalForm:
		return f.of.append(b, v.Elem())
	case listForm:
		return f.appendList(b, v)
	}
	return f.appendObject(b, v)
}

func (f *form) appendList(b []byte, v reflect.Value) ([]byte, error) {
	b = append(b, '[')
	for i := range v.Len() {
		if i > 0 {
			b = append(b, ',')
		}
		var err error
		if b, err = f.of.append(b, v.Index(i)); err != nil {
			return nil, err
		}
	}
	return append(b, ']'), nil
}

func (f *form) appendObject(b []byte, v reflect.Value) ([]byte, error) {
	b = append(b, '{')
	first := true
	for i := range f.members {
		m := &f.members[i]
		field := v.Field(m.index)
		if !m.required && field.IsZero() {
			continue
		}
		if !first {
			b = append(b, ',')
		}
		first = false
		var err error
		if b, err = m.form.append(append(b, m.label...), field); err != nil {
			return nil, fmt.Errorf("%s: %w", m.name, err)
		}
	}
	return append(b, '}'), nil
}

// complete reports whether every required member within v holds something other
// than zero, which proves that it was given. It is the quick answer for most
// events; where it is false, missing looks into the text.
func (f *form) complete(v reflect.Value) bool {
	switch f.kind {
	case optionalForm:
		return v.IsNil() || f.of.complete(v.Elem())
	case listForm:
		for i := range v.Len() {
			if !f.of.complete(v.Index(i)) {
				return false
			}
		}
	case objectForm:
		for i := range f.members {
			m := &f.members[i]
			field := v.Field(m.index)
			if field.IsZero() {
				if m.required {
					return false
				}
				continue
			}
			if m.form.kind >= listForm && !m.form.complete(field) {
				return false
			}
		}
	}
	return true
}

// missing reports the required members that raw, which decodes into f, lacks.
func (f *form) missing(raw jsontext.Value, c *events.Check) {
	switch f.kind {
	case optionalForm:
		f.of.missing(raw, c)
	case listForm:
		var items []jsontext.Value
		if f.of.kind < listForm || json.Unmarshal(raw, &items) != nil {
			return
		}
		for i, item := range items {
			c.Item("", i, func() { f.of.missing(item, c) })
		}
	case objectForm:
		var given map[string]jsontext.Value
		if json.Unmarshal(raw, &given) != nil {
			return
		}
		for i := range f.members {
			m := &f.members[i]
			switch value, ok := given[m.name]; {
			case ok:
				c.In(m.name, func() { m.form.missing(value, c) })
			case m.required:
				c.Fail(m.name, "nothing", "it must be given, also when it is zero, false or an empty list")
			}
		}
	}
}
