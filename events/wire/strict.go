package wire

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"strconv"
	"strings"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"spoilbook/events"
)

// strict decodes b, which stands at the path at, into v. It refuses unknown and
// repeated members, wrong types, null, invalid UTF-8 and trailing bytes, and says
// which field it is.
func strict(b []byte, v any, at string) error {
	if err := json.Unmarshal(b, v, json.RejectUnknownMembers(true)); err != nil {
		return fieldErrors(at, err, v, b)
	}
	return refuseNull(b, at)
}

// strictPayload is strict for a payload or a part of one, all of whose members
// must be given but those that are left out when they are zero.
func strictPayload(b []byte, v any, at string) error {
	if err := strict(b, v, at); err != nil {
		return err
	}
	value := reflect.ValueOf(v).Elem()
	f := formOf(value.Type())
	if f.complete(value) {
		return nil
	}
	c := &events.Check{}
	c.In(at, func() { f.missing(b, c) })
	return c.Err()
}

// refuseNull finds a null in b, which is valid JSON: no field of the vocabulary
// is ever null, it is left out.
func refuseNull(b []byte, at string) error {
	if !bytes.Contains(b, []byte("null")) {
		return nil
	}
	d := jsontext.NewDecoder(bytes.NewReader(b))
	for {
		token, err := d.ReadToken()
		if err != nil {
			return nil
		}
		if token.Kind() == 'n' {
			return oneField(join(at, d.StackPointer()), "null", "a value, or leave it out where it is optional")
		}
	}
}

// valueAt returns the value in b to which pointer leads, or nothing.
func valueAt(b jsontext.Value, pointer jsontext.Pointer) jsontext.Value {
	for name := range pointer.Tokens() {
		switch b.Kind() {
		case '{':
			var members map[string]jsontext.Value
			if json.Unmarshal(b, &members) != nil {
				return nil
			}
			b = members[name]
		case '[':
			var items []jsontext.Value
			i, err := strconv.Atoi(name)
			if err != nil || json.Unmarshal(b, &items) != nil || i < 0 || i >= len(items) {
				return nil
			}
			b = items[i]
		default:
			return nil
		}
	}
	return b
}

// oneField returns the error of one field; the whole event is called event.
func oneField(field, found, allowed string) error {
	if field == "" {
		field = "event"
	}
	return &events.ValidationError{Fields: []events.FieldError{{Field: field, Found: found, Allowed: allowed}}}
}

// fieldErrors turns a decoder's error into one that names the field; at is the
// path of the decoded value, into the value it was decoded into, and b its text.
func fieldErrors(at string, err error, into any, b []byte) error {
	var semantic *json.SemanticError
	var syntactic *jsontext.SyntacticError
	switch {
	case errors.As(err, &semantic):
		field := join(at, semantic.JSONPointer)
		if errors.Is(semantic.Err, json.ErrUnknownName) {
			return oneField(field, "an unknown member", knownMembers(into, semantic.JSONPointer))
		}
		found := semantic.JSONKind.String()
		// Compact writes over its value, and b is the caller's.
		if value := jsontext.Value(bytes.Clone(valueAt(b, semantic.JSONPointer))); len(value) > 0 && value.Compact() == nil {
			found = clip(string(value), 60)
		}
		return oneField(field, found, expected(semantic))
	case errors.As(err, &syntactic):
		return oneField(join(at, syntactic.JSONPointer), syntactic.Err.Error(), fmt.Sprintf("one JSON object (error at byte %d)", syntactic.ByteOffset))
	}
	return oneField(at, err.Error(), "one JSON object")
}

func expected(e *json.SemanticError) string {
	if e.Err != nil && e.GoType == reflect.TypeFor[events.Time]() {
		return "RFC 3339 with an offset and at most milliseconds, such as 2026-10-05T08:25:00.000+01:00"
	}
	if e.GoType == nil {
		return "a value of another type"
	}
	switch e.GoType.Kind() {
	case reflect.String:
		return "text"
	case reflect.Bool:
		return "true or false"
	case reflect.Int64, reflect.Int, reflect.Int16, reflect.Uint64:
		return "a whole number, without fraction or quotes"
	case reflect.Slice:
		return "a list"
	case reflect.Struct, reflect.Pointer:
		if e.GoType == reflect.TypeFor[events.Time]() {
			return "RFC 3339 with an offset and at most milliseconds, such as 2026-10-05T08:25:00.000+01:00"
		}
		return "an object"
	}
	return e.GoType.String()
}

// knownMembers lists the members allowed where pointer ends, with the one that
// the author probably meant first: units are part of names, so "volumeL" is
// usually meant as "volumeML" and off by a thousand.
func knownMembers(into any, pointer jsontext.Pointer) string {
	t := reflect.TypeOf(into)
	tokens := []string{}
	for tok := range pointer.Tokens() {
		tokens = append(tokens, tok)
	}
	if len(tokens) == 0 {
		return "the members of the schema"
	}
	for _, tok := range tokens[:len(tokens)-1] {
		t = memberType(t, tok)
	}
	names, unknown := memberNames(t), tokens[len(tokens)-1]
	for _, n := range names {
		if stem(n) == stem(unknown) {
			return fmt.Sprintf("%q (the unit is part of the name); all: %s", n, strings.Join(names, ", "))
		}
	}
	if len(names) == 0 {
		return "no members"
	}
	return strings.Join(names, ", ")
}

func structType(t reflect.Type) reflect.Type {
	for t != nil && (t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice) {
		t = t.Elem()
	}
	if t == nil || t.Kind() != reflect.Struct {
		return nil
	}
	return t
}

func memberType(t reflect.Type, name string) reflect.Type {
	if t = structType(t); t == nil {
		return nil
	}
	for f := range t.Fields() {
		if tag, _, _ := strings.Cut(f.Tag.Get("json"), ","); tag == name {
			return f.Type
		}
	}
	return t // an index into a list keeps the element type
}

func memberNames(t reflect.Type) []string {
	if t = structType(t); t == nil {
		return nil
	}
	names := []string{}
	for f := range t.Fields() {
		if tag, _, _ := strings.Cut(f.Tag.Get("json"), ","); tag != "" {
			names = append(names, tag)
		}
	}
	return names
}

// stem is a member's name without its unit.
func stem(name string) string {
	for _, unit := range []string{"GPerM3", "KgPerM3", "MGPerL", "MilliNTU", "Permille", "Percent", "Hundredths", "Minutes", "PPM",
		"KPa", "DegC", "ML", "MS", "Kg", "M3", "L", "G", "T"} {
		if s, ok := strings.CutSuffix(name, unit); ok && s != "" {
			return s
		}
	}
	return name
}

func join(at string, p jsontext.Pointer) string {
	path := clip(strings.ReplaceAll(strings.TrimPrefix(string(p), "/"), "/", "."), 200)
	switch {
	case at == "":
		return path
	case path == "":
		return at
	}
	return at + "." + path
}

// clip shows at most n bytes of s.
func clip(s string, n int) string {
	if len(s) > n {
		return strings.ToValidUTF8(s[:n], "") + "…"
	}
	return s
}

func registersAllowed() string {
	words := []string{}
	for _, r := range events.Registers() {
		words = append(words, string(r))
	}
	return strings.Join(words, ", ")
}
