package wire_test

import (
	"bytes"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"spoilbook/events/wire"
)

func compiled(tb testing.TB) *jsonschema.Schema {
	tb.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(wire.Schema()))
	if err != nil {
		tb.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	if err := c.AddResource("urn:spoilbook:event:1", doc); err != nil {
		tb.Fatal(err)
	}
	s, err := c.Compile("urn:spoilbook:event:1")
	if err != nil {
		tb.Fatal(err)
	}
	return s
}

func valid(tb testing.TB, s *jsonschema.Schema, b []byte) error {
	tb.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		tb.Fatal(err)
	}
	return s.Validate(v)
}

func TestSamplesAreValidBySchema(t *testing.T) {
	s := compiled(t)
	for name, b := range samples(t) {
		if err := valid(t, s, b); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// The schema, judged by a validator that knows nothing of this package, and
// Decode agree on every sample after each of many changes at each place in it.
func TestSchemaAndDecodeAgree(t *testing.T) {
	s := compiled(t)
	accepted, refused := 0, 0
	for name, b := range samples(t) {
		for _, change := range changes(t, b) {
			_, err := wire.Decode(change.event)
			bySchema := valid(t, s, change.event)
			if (err == nil) != (bySchema == nil) && !beyondSchema(err) {
				t.Errorf("%s, %s\n Decode: %v\n schema: %v", name, change.what, err, bySchema)
			}
			if err == nil {
				accepted++
			} else {
				refused++
			}
		}
	}
	if accepted < 150 || refused < 2000 {
		t.Errorf("%d changes accepted and %d refused", accepted, refused)
	}
	t.Logf("%d changes accepted, %d refused", accepted, refused)
}

// beyondSchema reports whether err is a rule that compares fields with each
// other, which a schema cannot say.
func beyondSchema(err error) bool {
	return err != nil && slices.ContainsFunc([]string{"not before start", "at most 24 hours", "grossG less tareG", "each activity once",
		"the truck that source", "after from", "at least the tare", "at most the particle density"},
		func(rule string) bool { return strings.Contains(err.Error(), rule) })
}

// change is an event with one thing changed.
type change struct {
	what  string
	event []byte
}

// changes returns b with each member left out, made null, given another type, an
// absurd number or text, and each object with a member that it does not have.
func changes(t *testing.T, b []byte) []change {
	t.Helper()
	var made []change
	var event map[string]any
	add := func(what string) {
		text, err := json.Marshal(event)
		if err != nil {
			t.Fatal(err)
		}
		made = append(made, change{what, text})
	}
	var walk func(path string, v any, set func(any))
	walk = func(path string, v any, set func(any)) {
		try := func(what string, other any) {
			set(other)
			add(path + " " + what)
			set(v)
		}
		switch v := v.(type) {
		case map[string]any:
			v["colour"] = "red"
			add(path + " with an unknown member")
			delete(v, "colour")
			for _, name := range names(v) {
				one := v[name]
				delete(v, name)
				add(path + "." + name + " left out")
				v[name] = one
				walk(path+"."+name, one, func(x any) { v[name] = x })
			}
			try("as a list", []any{})
		case []any:
			for i, one := range v {
				walk(fmt.Sprintf("%s.%d", path, i), one, func(x any) { v[i] = x })
			}
			try("as an object", map[string]any{})
		case string:
			try("as a number", 7)
			try("as a word that is not one", "no such word, and far too long for any field that is not free text; "+strings.Repeat("long ", 100))
		case float64:
			try("as text", fmt.Sprint(v))
			try("with a fraction", v+0.5)
			try("far too large", 1e17)
			try("far too small", -1e17)
		case bool:
			try("as a number", 1)
		}
		try("as null", nil)
	}
	if err := json.Unmarshal(b, &event); err != nil {
		t.Fatal(err)
	}
	walk("event", event, func(any) {})
	return made
}

func names(m map[string]any) []string {
	list := make([]string, 0, len(m))
	for name := range m {
		list = append(list, name)
	}
	slices.Sort(list)
	return list
}
