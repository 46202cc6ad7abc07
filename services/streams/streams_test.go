package streams_test

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/broker"
	"spoilbook/services/demo"
	"spoilbook/services/intake"
	"spoilbook/services/rigtest"
	"spoilbook/services/store"
	"spoilbook/services/streams"
)

func document(t testing.TB) []byte {
	t.Helper()
	text, err := streams.Document(streams.Options{Version: "1.2.3", Events: broker.EventsPrefix, Receipts: broker.ReceiptsPrefix})
	if err != nil {
		t.Fatal(err)
	}
	return text
}

func decoded(t testing.TB, text []byte) any {
	t.Helper()
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// published is the JSON Schema that the makers of AsyncAPI publish for documents of version 3.0.
func published(t testing.TB) *jsonschema.Schema {
	t.Helper()
	path := filepath.Join("testdata", "node", "node_modules", "@asyncapi", "specs", "schemas", "3.0.0.json")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatalf("the published schema is missing; run npm ci in services/streams/testdata/node: %v", err)
	}
	c := jsonschema.NewCompiler()
	const at = "http://asyncapi.com/definitions/3.0.0/asyncapi.json"
	if err := c.AddResource(at, decoded(t, text)); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile(at)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// The document is one by the published schema, and each of some mistakes makes it none.
func TestDocumentIsAsyncAPI(t *testing.T) {
	schema, text := published(t), document(t)
	if err := schema.Validate(decoded(t, text)); err != nil {
		t.Errorf("%v", err)
	}
	if again := document(t); !bytes.Equal(again, text) {
		t.Error("the same options give another document")
	}
	for _, change := range [][2]string{{`"asyncapi": "3.0.0"`, `"asyncapi": "3.0"`}, {`"action": "receive"`, `"action": "take"`}, {`"title": "Spoilbook streams",`, ``},
		{`"address":`, `"adress":`}, {`"channels": {`, `"canals": {`}, {`"type": "integer"`, `"type": "whole"`}} {
		broken := strings.Replace(string(text), change[0], change[1], 1)
		if broken == string(text) || schema.Validate(decoded(t, []byte(broken))) == nil {
			t.Errorf("with %s for %s it is still a document", change[1], change[0])
		}
	}
}

// payloads compiles the schema of a message as a reader of the document would.
func payloads(t testing.TB) func(message string) *jsonschema.Schema {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.DefaultDraft(jsonschema.Draft7) // of which AsyncAPI's own schemas are
	const at = "urn:example:streams"
	if err := c.AddResource(at, decoded(t, document(t))); err != nil {
		t.Fatal(err)
	}
	known := map[string]*jsonschema.Schema{}
	return func(message string) *jsonschema.Schema {
		if known[message] == nil {
			s, err := c.Compile(at + "#/components/messages/" + message + "/payload")
			if err != nil {
				t.Fatal(err)
			}
			known[message] = s
		}
		return known[message]
	}
}

// monthly are the events of the invented month.
func monthly(t testing.TB) (list []events.Event) {
	t.Helper()
	m, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	for _, b := range m.Batches {
		list = append(list, b.Events...)
	}
	return list
}

// Every event of the invented month is what its message says, and no message of another kind; what is changed in a way that the ledger refuses
// is refused by the document too.
func TestEveryEventIsItsMessage(t *testing.T) {
	payload, seen := payloads(t), map[events.Kind]int{}
	for _, e := range monthly(t) {
		text, err := wire.Encode(&e)
		if err != nil {
			t.Fatal(err)
		}
		if err := payload(string(e.Kind())).Validate(decoded(t, text)); err != nil {
			t.Fatalf("%s %s: %v", e.Kind(), e.ID, err)
		}
		if seen[e.Kind()]++; seen[e.Kind()] > 1 {
			continue
		}
		for _, k := range events.Kinds() {
			if k != e.Kind() && payload(string(k)).Validate(decoded(t, text)) == nil {
				t.Errorf("%s %s is valid as %s", e.Kind(), e.ID, k)
			}
		}
		for _, change := range [][2]string{{`"seq":`, `"seq":-`}, {`"specversion":"1.0"`, `"specversion":"2.0"`}, {`"data":{`, `"data":{"more":1,`}, {`"id":`, `"more":1,"id":`}} {
			broken := strings.Replace(strings.Replace(string(text), change[0], change[1], 1), `1,}`, `1}`, 1) // data may have been empty
			if broken == string(text) || payload(string(e.Kind())).Validate(decoded(t, []byte(broken))) == nil {
				t.Errorf("%s with %s is valid", e.Kind(), change[1])
			}
		}
	}
	if len(seen) < 25 {
		t.Errorf("the month has %d kinds of events", len(seen))
	}
}

// Frozen samples are of every kind; those of today's versions are what their messages say.
func TestEveryKindHasASample(t *testing.T) {
	payload := payloads(t)
	files, err := filepath.Glob("../../testdata/wire/*.json")
	if err != nil {
		t.Fatal(err)
	}
	seen := map[events.Kind]bool{}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		e, err := wire.Decode(text)
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
		today, err := wire.Encode(&e)
		if err != nil {
			t.Fatal(err)
		}
		seen[e.Kind()] = true
		if err := payload(string(e.Kind())).Validate(decoded(t, today)); err != nil {
			t.Errorf("%s: %v", file, err)
		}
	}
	for _, k := range events.Kinds() {
		if !seen[k] {
			t.Errorf("there is no sample of %s", k)
		}
	}
}

// A member that needs another beside it needs it by the document too: a gate fee without its rule's other parts is no gate fee.
func TestWhatMustStandTogether(t *testing.T) {
	var wired, described map[string]any
	if err := json.Unmarshal(wire.Schema(), &wired); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(document(t), &described); err != nil {
		t.Fatal(err)
	}
	count := func(v any, key string) int { return bytes.Count(must(json.Marshal(v)), []byte(`"`+key+`":`)) }
	if want := count(wired, "dependentRequired"); want == 0 || count(described, "dependencies") != want || count(described, "dependentRequired") != 0 {
		t.Errorf("%d members need others, the document has %d", want, count(described, "dependencies"))
	}
}

func must(b []byte, err error) []byte {
	if err != nil {
		panic(err)
	}
	return b
}

// What the intake really sends over a real broker is what the document says: on its subjects, by its schema, with something missing, twice and
// refused.
func TestReceiptsAreTheirMessage(t *testing.T) {
	b, record := running(t)
	var msgs []broker.Message
	for i, e := range monthly(t)[:60] {
		text, err := wire.Encode(&e)
		if err != nil {
			t.Fatal(err)
		}
		m := broker.Message{Subject: strings.ReplaceAll(strings.TrimPrefix(string(e.Source), "/"), "/", "."), Body: text}
		if msgs = append(msgs, m); i == 40 {
			msgs = append(msgs, m, broker.Message{Subject: m.Subject, Body: bytes.Replace(text, []byte(`"origin":"`), []byte(`"job":"J-UNLIKE","origin":"`), 1)})
		}
	}
	msgs = slices.Delete(msgs, 20, 21)
	if _, err := b.Publish(t.Context(), msgs); err != nil {
		t.Fatal(err)
	}
	came := make(chan broker.Receipt, 1000)
	stop, err := b.Receipts(t.Context(), broker.ReceiptOptions{}, func(r broker.Receipt) { came <- r })
	if err != nil {
		t.Fatal(err)
	}
	defer stop()
	record()
	payload, kinds := payloads(t)("receipt"), map[string]bool{}
	for !kinds["missing"] || !kinds["quarantined"] || !kinds["duplicates"] {
		select {
		case r := <-came:
			if err := payload.Validate(decoded(t, r.Body)); err != nil {
				t.Fatalf("%s: %v", r.Body, err)
			}
			var v struct {
				Missing, Quarantined []any
				Duplicates           int
			}
			if err := json.Unmarshal(r.Body, &v); err != nil {
				t.Fatal(err)
			}
			for name, is := range map[string]bool{"missing": len(v.Missing) > 0, "quarantined": len(v.Quarantined) > 0, "duplicates": v.Duplicates > 0} {
				kinds[name] = kinds[name] || is
			}
		case <-time.After(time.Minute):
			t.Fatalf("of what a receipt can say there came %v", kinds)
		}
	}
	for _, broken := range []string{`{}`, `{"source":"/truck/TM-01","recordedThrough":-1,"highest":1,"position":1,"recorded":0,"duplicates":0}`} {
		if payload.Validate(decoded(t, []byte(broken))) == nil {
			t.Errorf("%s is a receipt", broken)
		}
	}
}

// running opens a broker; the function returned takes in what it holds until the test ends.
func running(t *testing.T) (*broker.Broker, func()) {
	t.Helper()
	check := func(err error) {
		t.Helper()
		if err != nil {
			t.Error(err)
		}
	}
	e := rigtest.Engine(t)
	b, err := broker.Open(t.Context(), broker.Options{Dir: t.TempDir(), MaxStoreBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { check(b.Close(context.Background())) })
	s, err := store.Open(t.Context(), store.Options{Transport: e.Transport()})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { check(s.Close()) })
	return b, func() {
		ctx, cancel := context.WithCancel(context.Background())
		in, err := intake.New(ctx, intake.Config{Store: s, Receipts: b, Stream: "test"})
		if err != nil {
			t.Fatal(err)
		}
		c, err := b.Consume(ctx, broker.ConsumeOptions{From: in.Handled() + 1})
		if err != nil {
			t.Fatal(err)
		}
		ended := make(chan error, 1)
		go func() { ended <- in.Run(ctx, rigtest.Feed{Consumer: c}) }()
		t.Cleanup(func() { cancel(); check(<-ended) })
	}
}
