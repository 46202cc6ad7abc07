package wire_test

import (
	"bytes"
	"reflect"
	"testing"

	"github.com/go-json-experiment/json"
	"github.com/go-json-experiment/json/jsontext"

	"spoilbook/events/wire"
)

// hostile are texts that decoders have been known to fail on.
var hostile = []string{
	``, `null`, `[]`, `{}`, `"`, `{"data":null}`, sample + " x", sample + sample, "\xef\xbb\xbf" + sample,
	`{"specversion":"1.0","id":"a","source":"/truck/T","type":"spoilbook.shift.ended","subject":"T","time":"2026-10-05T08:25:00Z","seq":1,"origin":"crew","data":null}`,
	`{"specversion":"1.0","id":"a","source":"/truck/T","type":"spoilbook.shift.ended","subject":"T","time":"2026-10-05T08:25:00Z","seq":-0,"origin":"crew","data":{}}`,
	`{"specversion":"1.0","id":"a","source":"/truck/T","type":"spoilbook.shift.ended","subject":"T","time":"2026-10-05T08:25:00Z","seq":1e3,"origin":"crew","data":{}}`,
	`{"specversion":"1.0","id":"a","source":"/truck/T","type":"spoilbook.shift.ended","subject":"T","time":"2026-10-05T08:25:00Z","seq":1e999999999,"origin":"crew","data":{}}`,
	`{"specversion":"1.0","id":"a","source":"/truck/T","type":"spoilbook.shift.ended","subject":"T","time":"2026-10-05T08:25:00Z","seq":1,"origin":"crew","data":{"a":1,"a":2}}`,
	`{"specversion":"1.0","id":"\u2028","source":"/office/yard","type":"spoilbook.meter.read","time":"2026-10-05T08:25:00Z","seq":1,"origin":"file","place":"geo:-0,180","data":{"waterSource":"W","meter":"\ud83d\ude00<&>","readingML":0}}`,
	`{"specversion":"1.0","id":"\ud800","source":"/office/yard","type":"spoilbook.meter.read","time":"2026-10-05T08:25:00Z","seq":1,"origin":"file","data":{"waterSource":"W","meter":"m","readingML":-0}}`,
}

// Whatever the bytes, Decode answers; what it accepts has one canonical form,
// which is within the limit, is what an independent canonicaliser gives of the
// same members, is valid by the schema, and decodes to the same event.
func FuzzDecode(f *testing.F) {
	for _, b := range samples(f) {
		f.Add(b)
	}
	for _, s := range hostile {
		f.Add([]byte(s))
	}
	f.Add([]byte(sample))
	bySchema := compiled(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		first, err := wire.Decode(b)
		if err != nil {
			if err.Error() == "" {
				t.Error("an error that says nothing")
			}
			return
		}
		canonical, err := wire.Encode(&first)
		if err != nil {
			t.Fatalf("accepted but not encoded: %v", err)
		}
		if len(canonical) > wire.MaxBytes {
			t.Fatalf("%d bytes in, %d out", len(b), len(canonical))
		}
		second, err := wire.Decode(canonical)
		if err != nil {
			t.Fatalf("its own encoding is refused: %v\n%s", err, canonical)
		}
		if !reflect.DeepEqual(first, second) {
			t.Fatalf("decodes to another event\n%#v\n%#v", first, second)
		}
		if again, err := wire.Encode(&second); err != nil || !bytes.Equal(again, canonical) {
			t.Fatalf("encodes to other bytes\n%s\n%s", canonical, again)
		}
		independent := jsontext.Value(bytes.Clone(canonical))
		if err := independent.Canonicalize(); err != nil || !bytes.Equal(independent, canonical) {
			t.Fatalf("not canonical: %v\n%s\n%s", err, canonical, independent)
		}
		if err := valid(t, bySchema, canonical); err != nil {
			t.Fatalf("not valid by the schema: %v\n%s", err, canonical)
		}
	})
}

// The payload encoder writes what the JSON library, which reads the same types
// in its own way, writes and puts in order.
func FuzzPayloadEncoding(f *testing.F) {
	for _, b := range samples(f) {
		f.Add(b)
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		e, err := wire.Decode(b)
		if err != nil || wrapped(e.Kind()) {
			return
		}
		got, err := wire.EncodeData(e.Body)
		if err != nil {
			t.Fatal(err)
		}
		plain, err := json.Marshal(e.Body)
		if err != nil {
			t.Fatal(err)
		}
		want := jsontext.Value(plain)
		if err := want.Canonicalize(); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got, want) {
			t.Fatalf("payload\n%s\nwant\n%s", got, want)
		}
	})
}
