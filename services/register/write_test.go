package register_test

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/register"
)

func TestWrite(t *testing.T) {
	revs, err := register.Read(folder(whole()))
	if err != nil {
		t.Fatal(err)
	}
	files, err := register.Write(revs)
	if err != nil {
		t.Fatal(err)
	}
	want := `register: rate-card
author: Yard office
entries:
  - key: RC-1
    effectiveFrom: 2026-09-01T06:00:00.000+01:00
    document:
      name: Day work
      currency: EUR
      rates:
        - activity: loading
          hourlyRate: "85.00"
        - activity: travel
          hourlyRate: "60"
      bands:
        - name: night
          days:
            - mon
            - tue
          from: "22:00"
          to: "06:00"
          multiplier: "1.50"
      tax: VAT
`
	if got := string(files["rate-card.yaml"]); got != want {
		t.Errorf("rate-card.yaml\n%s\nwant\n%s", got, want)
	}
	if _, ok := files["truck.yaml"]; !ok || len(files) != 4 {
		t.Errorf("%d files", len(files))
	}
}

func TestWriteRefusesNoDocument(t *testing.T) {
	if _, err := register.Write([]events.RegisterRevised{{Key: "X"}}); err == nil || !strings.Contains(err.Error(), `"X"`) {
		t.Errorf("error %v", err)
	}
}

// Any text that an event may hold comes back from the files unchanged.
func TestTextRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		text := rapid.OneOf(
			rapid.StringMatching(`[ -~]{1,40}`), rapid.StringMatching(`[-:#&*!|>%@'"{}\[\], 0-9.eE+xX]{1,12}`),
			rapid.SampledFrom([]string{"no", "NULL", "~", "1e3", "0x1F", "85.00", "22:00", "- a", "a: b", "a #b", " a", "a ", ".inf",
				"<<", "é\u00a0ü", "---", "...", "\ufeff", "日本", "2026-10-26"})).Draw(t, "text")
		rev := events.RegisterRevised{Key: "OP-1", EffectiveFrom: events.Time{UnixMS: rapid.Int64Range(1e12, 2e12).Draw(t, "ms"),
			OffsetMinutes: rapid.Int16Range(-18*60, 18*60).Draw(t, "offset")}, Author: text, Note: text,
			Document: events.Operator{Name: text, Card: text}}
		c := &events.Check{}
		if rev.Check(c); c.Err() != nil {
			return // no event can hold it
		}
		files, err := register.Write([]events.RegisterRevised{rev})
		if err != nil {
			t.Fatal(err)
		}
		back, err := register.Read(folder(map[string]string{"operator.yaml": string(files["operator.yaml"])}))
		if err != nil {
			t.Fatalf("%v\n%s", err, files["operator.yaml"])
		}
		if !reflect.DeepEqual(back, []events.RegisterRevised{rev}) {
			t.Fatalf("%#v\nwant\n%#v\n%s", back, rev, files["operator.yaml"])
		}
	})
}

// Writing out a book and loading the files back changes nothing: the same
// payloads to the byte, and nothing that the book does not hold.
func TestBookRoundTrip(t *testing.T) {
	var records []events.Recorded
	revs, err := register.Read(folder(whole()))
	if err != nil {
		t.Fatal(err)
	}
	known := recorded(t, &records, nil, revs)
	revs[0].Note = "address checked: \"yes\""
	known = recorded(t, &records, known, revs[:1])
	standing := register.Standing(known)
	if len(standing) != len(revs) || standing[0].Note != revs[0].Note {
		t.Fatalf("standing %v", standing)
	}
	files, err := register.Write(standing)
	if err != nil {
		t.Fatal(err)
	}
	text := map[string]string{}
	for name, b := range files {
		text[name] = string(b)
	}
	back, err := register.Read(folder(text))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(payloads(t, back), payloads(t, standing)) {
		t.Errorf("round trip\n%s\nwant\n%s", payloads(t, back), payloads(t, standing))
	}
	if changed, err := register.Changed(back, known); err != nil || len(changed) != 0 {
		t.Errorf("changed %v, error %v", changed, err)
	}
}

func payloads(t *testing.T, revs []events.RegisterRevised) []byte {
	t.Helper()
	list := []string{}
	for _, r := range revs {
		b, err := wire.EncodeData(r)
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, string(b))
	}
	slices.Sort(list)
	return []byte(strings.Join(list, "\n"))
}

func TestChangedAndEvents(t *testing.T) {
	var records []events.Recorded
	revs, err := register.Read(folder(map[string]string{"a.yaml": carriers}))
	if err != nil {
		t.Fatal(err)
	}
	known := recorded(t, &records, nil, revs)
	if changed, err := register.Changed(revs, known); err != nil || len(changed) != 0 {
		t.Errorf("the second loading changes %v, error %v", changed, err)
	}
	at := events.MustTime("2026-09-02T08:00:00.000+01:00")
	first, _ := register.Events(revs, nil, "yard", 7, at)
	again, _ := register.Events(revs, nil, "yard", 7, at)
	if !reflect.DeepEqual(first, again) || first[0].Source != "/office/yard" || first[0].Seq != 7 || !strings.HasPrefix(first[0].ID, "carrier-TARNMOOR-") {
		t.Errorf("events %+v and %+v", first, again)
	}
	// Another wording, and back to the first: three events, never the same id.
	other := slices.Clone(revs)
	other[0].Document = events.Carrier{Name: "Tarnmoor Groundworks", Address: "2 Quay Road, Tarnmoor"}
	for i, step := range [][]events.RegisterRevised{other, revs} {
		changed, err := register.Changed(step, known)
		if err != nil || len(changed) != 1 {
			t.Fatalf("step %d changes %v, error %v", i, changed, err)
		}
		known = recorded(t, &records, known, changed)
	}
	ids := map[string]bool{}
	for _, r := range records {
		ids[r.ID] = true
	}
	if len(ids) != 3 || fmt.Sprint(known.Revisions()) != "3" {
		t.Errorf("ids %v of %d revisions", ids, known.Revisions())
	}
	now, ok := known.Carrier("TARNMOOR", at)
	if !ok || now.Address != "1 Quay Road, Tarnmoor" {
		t.Errorf("in force: %+v", now)
	}
}

func TestEventsAreValidated(t *testing.T) {
	revs, err := register.Read(folder(map[string]string{"a.yaml": carriers}))
	if err != nil {
		t.Fatal(err)
	}
	at := events.MustTime("2026-09-02T08:00:00.000+01:00")
	if _, err := register.Events(revs, nil, "no such desk", 1, at); err == nil || !strings.Contains(err.Error(), "source") {
		t.Errorf("error %v", err)
	}
	if _, err := register.Events(revs, nil, "yard", 0, at); err == nil || !strings.Contains(err.Error(), "seq") {
		t.Errorf("error %v", err)
	}
}
