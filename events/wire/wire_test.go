package wire_test

import (
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/events/wire"
)

const sample = `{"specversion":"1.0","id":"TM-01-000042","source":"/truck/TM-01","type":"spoilbook.load.collected","subject":"TM-01",
 "time":"2026-10-05T08:25:00+01:00","seq":42,"job":"J-101","operator":"OP-1","origin":"controller","place":"geo:53.1,-7.25",
 "data":{"start":"2026-10-05T08:10:00+01:00","end":"2026-10-05T08:25:00+01:00","material":"M-CLAY","slurryVolume":{"volumeML":2000000,"basis":"measured"}}}`

const canonical = `{"data":{"end":"2026-10-05T08:25:00.000+01:00","material":"M-CLAY","slurryVolume":{"basis":"measured","volumeML":2000000},"start":"2026-10-05T08:10:00.000+01:00"},"datacontenttype":"application/json","dataschema":"urn:spoilbook:load.collected:1","id":"TM-01-000042","job":"J-101","operator":"OP-1","origin":"controller","place":"geo:53.100000,-7.250000","seq":42,"source":"/truck/TM-01","specversion":"1.0","subject":"TM-01","time":"2026-10-05T08:25:00.000+01:00","type":"spoilbook.load.collected"}`

func TestCanonicalForm(t *testing.T) {
	e, err := wire.Decode([]byte(sample))
	if err != nil {
		t.Fatal(err)
	}
	b, err := wire.Encode(&e)
	if err != nil {
		t.Fatal(err)
	}
	if string(b) != canonical {
		t.Errorf("canonical bytes\n got %s\nwant %s", b, canonical)
	}
	load, ok := e.Body.(events.LoadCollected)
	if !ok || load.SlurryVolume.VolumeML != 2_000_000 {
		t.Errorf("body %#v", e.Body)
	}
}

func TestErrorsNameTheField(t *testing.T) {
	for _, c := range []struct{ name, from, to, field, says string }{
		{"wrong unit", `"volumeML":2000000`, `"volumeL":2000`, "data.slurryVolume.volumeL", `"volumeML" (the unit is part of the name)`},
		{"negative", `"volumeML":2000000`, `"volumeML":-1`, "data.slurryVolume.volumeML", "0 to"},
		{"fraction", `"volumeML":2000000`, `"volumeML":1.5`, "data.slurryVolume.volumeML", "whole number"},
		{"text for number", `"volumeML":2000000`, `"volumeML":"2"`, "data.slurryVolume.volumeML", "whole number"},
		{"end before start", `"end":"2026-10-05T08:25`, `"end":"2026-10-05T08:05`, "data.end", "not before start"},
		{"absurd clock", `"time":"2026-10-05`, `"time":"1970-01-05`, "time", "2000"},
		{"no offset", `08:25:00+01:00","seq"`, `08:25:00","seq"`, "time", "RFC 3339"},
		{"unknown envelope member", `"seq":42`, `"seq":42,"colour":"red"`, "colour", "specversion"},
		{"repeated member", `"seq":42`, `"seq":42,"seq":43`, "seq", "duplicate"},
		{"case", `"seq":42`, `"Seq":42`, "Seq", "seq"},
		{"unknown kind", `spoilbook.load.collected`, `spoilbook.load.lost`, "type", "spoilbook.load.collected"},
		{"other truck", `"subject":"TM-01"`, `"subject":"TM-02"`, "subject", "TM-01"},
		{"no job", `"job":"J-101",`, ``, "job", "concerns"},
		{"basis", `"measured"`, `"guessed"`, "data.slurryVolume.basis", "measured, derived, assumed"},
		{"cut", `"measured"}}}`, `"measured"`, "", "JSON"},
		{"newer version", `"seq":42`, `"seq":42,"dataschema":"urn:spoilbook:load.collected:2"`, "dataschema", "upgrade"},
	} {
		t.Run(c.name, func(t *testing.T) {
			if !strings.Contains(sample, c.from) {
				t.Fatalf("sample lacks %q", c.from)
			}
			_, err := wire.Decode([]byte(strings.Replace(sample, c.from, c.to, 1)))
			if err == nil {
				t.Fatal("accepted")
			}
			if !strings.Contains(err.Error(), c.field) || !strings.Contains(err.Error(), c.says) {
				t.Errorf("error %q should name %q and say %q", err, c.field, c.says)
			}
		})
	}
}

func BenchmarkDecode(b *testing.B) {
	for b.Loop() {
		if _, err := wire.Decode([]byte(canonical)); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkEncode(b *testing.B) {
	e, err := wire.Decode([]byte(canonical))
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := wire.Encode(&e); err != nil {
			b.Fatal(err)
		}
	}
}
