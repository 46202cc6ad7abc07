package wire_test

import (
	"fmt"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/events/wire"
)

const reading = `{"specversion":"1.0","id":"a","source":"/office/yard","type":"spoilbook.meter.read","time":"2026-10-05T08:25:00Z","seq":1,"origin":"crew","data":{"waterSource":"W","meter":"m","readingML":5}}`

const pump = `{"specversion":"1.0","id":"a","source":"/truck/T","type":"spoilbook.rest.ended","subject":"T","time":"2026-10-05T08:25:00Z","seq":1,"origin":"crew","data":{}}`

// Each text is refused with an error that names the field and says what it found.
func TestHostileTextIsRefused(t *testing.T) {
	with := func(from, to string) string { return strings.Replace(reading, from, to, 1) }
	for _, c := range []struct{ name, text, field, found string }{
		{"nothing", ``, "event", "EOF"},
		{"null", `null`, "event", "null"},
		{"list", `[]`, "event", "[]"},
		{"byte order mark", "\xef\xbb\xbf" + reading, "event", "invalid character"},
		{"trailing text", reading + ` x`, "event", "invalid character"},
		{"two events", reading + reading, "event", "invalid character"},
		{"cut short", reading[:len(reading)-3], "", "unexpected EOF"},
		{"no data", strings.Replace(pump, `,"data":{}`, "", 1), "data", "nothing"},
		{"null data", strings.Replace(pump, `"data":{}`, `"data":null`, 1), "data", "null"},
		{"list as data", strings.Replace(pump, `"data":{}`, `"data":[]`, 1), "data", "[]"},
		{"text as data", strings.Replace(pump, `"data":{}`, `"data":"{}"`, 1), "data", `"{}"`},
		{"member of an empty payload", strings.Replace(pump, `"data":{}`, `"data":{"note":"x"}`, 1), "data.note", "an unknown member"},
		{"repeated member in data", with(`"readingML":5`, `"readingML":5,"readingML":6`), "data.readingML", "duplicate"},
		{"same name in escapes", with(`"readingML":5`, `"readingML":5,"reading\u004dL":6`), "data.readingML", "duplicate"},
		{"required number left out", with(`,"readingML":5`, ``), "data.readingML", "nothing"},
		{"required number null", with(`"readingML":5`, `"readingML":null`), "data.readingML", "null"},
		{"attribute null", with(`"seq":1`, `"seq":1,"operator":null`), "operator", "null"},
		{"exponent", with(`"readingML":5`, `"readingML":5e0`), "data.readingML", "5e0"},
		{"huge exponent", with(`"readingML":5`, `"readingML":1e999999999`), "data.readingML", "1e999999999"},
		{"fraction of zero", with(`"readingML":5`, `"readingML":5.0`), "data.readingML", "5.0"},
		{"beyond 64 bits", with(`"readingML":5`, `"readingML":18446744073709551621`), "data.readingML", "18446744073709551621"},
		{"leading zero", with(`"readingML":5`, `"readingML":05`), "data", "invalid character"},
		{"plus sign", with(`"readingML":5`, `"readingML":+5`), "data.readingML", "invalid character"},
		{"not a number", with(`"readingML":5`, `"readingML":NaN`), "data.readingML", "invalid character"},
		{"negative count", with(`"seq":1`, `"seq":-1`), "seq", "-1"},
		{"invalid UTF-8", with(`"meter":"m"`, "\"meter\":\"\xff\""), "data.meter", "invalid UTF-8"},
		{"half a surrogate pair", with(`"meter":"m"`, `"meter":"\ud83d"`), "data.meter", "surrogate"},
		{"control character", with(`"meter":"m"`, `"meter":"\u0000"`), "data.meter", `"\x00"`},
		{"line separator", with(`"meter":"m"`, `"meter":"a\u2028b"`), "data.meter", `"a\u2028b"`},
		{"delete", with(`"meter":"m"`, "\"meter\":\"\x7f\""), "data.meter", `"\x7f"`},
		{"nested deep", with(`"readingML":5`, `"readingML":`+strings.Repeat("[", 20_000)+strings.Repeat("]", 20_000)), "data", "depth"},
		{"nested less deep", with(`"readingML":5`, `"readingML":`+strings.Repeat("[", 5_000)+strings.Repeat("]", 5_000)), "data.readingML", "[[["},
		{"place without scheme", with(`"seq":1`, `"seq":1,"place":"53.1,-7.2"`), "place", "53.1,-7.2"},
		{"place too fine", with(`"seq":1`, `"seq":1,"place":"geo:53.1234567,-7.2"`), "place", "53.1234567"},
		{"place with a height", with(`"seq":1`, `"seq":1,"place":"geo:53.1,-7.2,10"`), "place", "geo:53.1,-7.2,10"},
		{"place off the earth", with(`"seq":1`, `"seq":1,"place":"geo:90.000001,0"`), "place", "90000001"},
		{"place with a plus", with(`"seq":1`, `"seq":1,"place":"geo:+5,0"`), "place", "geo:+5,0"},
		{"version 0", with(`"seq":1`, `"seq":1,"dataschema":"urn:spoilbook:meter.read:0"`), "dataschema", "meter.read:0"},
		{"schema of another kind", with(`"seq":1`, `"seq":1,"dataschema":"urn:spoilbook:rest.ended:1"`), "dataschema", "rest.ended"},
		{"type without prefix", with(`spoilbook.meter.read`, `meter.read`), "type", "meter.read"},
		{"other content type", with(`"seq":1`, `"seq":1,"datacontenttype":"text/plain"`), "datacontenttype", "text/plain"},
		{"other specification", with(`"1.0"`, `"0.3"`), "specversion", "0.3"},
	} {
		t.Run(c.name, func(t *testing.T) {
			e, err := wire.Decode([]byte(c.text))
			if err == nil {
				t.Fatalf("accepted: %+v", e)
			}
			if !strings.HasPrefix(err.Error(), c.field) || !strings.Contains(err.Error(), c.found) {
				t.Errorf("error %q should begin with %q and contain %q", err, c.field, c.found)
			}
			if len(err.Error()) > 2000 {
				t.Errorf("error of %d bytes", len(err.Error()))
			}
		})
	}
}

// Other ways of writing the same event give the same bytes.
func TestSpellingsOfTheSameEvent(t *testing.T) {
	want := ""
	for _, text := range []string{
		reading,
		strings.ReplaceAll(reading, `,`, " ,\n\t"),
		strings.Replace(reading, `"meter":"m"`, `"\u006deter":"\u006d"`, 1),
		strings.Replace(reading, `08:25:00Z`, `08:25:00.0-00:00`, 1),
		strings.Replace(reading, `"seq":1`, `"seq":1,"place":"","job":"","datacontenttype":"application/json"`, 1),
	} {
		e, err := wire.Decode([]byte(text))
		if err != nil {
			t.Fatalf("%v\n%s", err, text)
		}
		b, err := wire.Encode(&e)
		if err != nil {
			t.Fatal(err)
		}
		if want == "" {
			want = string(b)
		}
		if string(b) != want {
			t.Errorf("%s\n gives %s\n want %s", text, b, want)
		}
	}
}

func TestPlaces(t *testing.T) {
	for in, out := range map[string]string{
		"geo:0,0": "geo:0.000000,0.000000", "geo:-0,-0.0": "geo:0.000000,0.000000", "geo:-90,180": "geo:-90.000000,180.000000",
		"geo:53.123456,-7.5": "geo:53.123456,-7.500000", "geo:-0.000001,007.1": "geo:-0.000001,7.100000",
	} {
		e := decode(t, in, []byte(strings.Replace(reading, `"seq":1`, `"seq":1,"place":"`+in+`"`, 1)))
		b, err := wire.Encode(&e)
		if err != nil || !strings.Contains(string(b), `"place":"`+out+`"`) {
			t.Errorf("%s is written as %s (error %v), want %s", in, b, err, out)
		}
	}
}

func TestEventsAreBounded(t *testing.T) {
	calendar := func(size int) string {
		var holidays strings.Builder
		holidays.WriteString(`{"date":"2026-10-26","name":"holiday"}`)
		for i := 0; holidays.Len() < size-600; i++ {
			fmt.Fprintf(&holidays, `,{"date":"2026-10-26","name":"holiday %d"}`, i)
		}
		text := `{"specversion":"1.0","id":"a","source":"/office/yard","type":"spoilbook.register.revised","time":"2026-10-05T08:25:00Z","seq":1,"origin":"file","data":{"register":"calendar","key":"C","effectiveFrom":"2026-10-05T08:25:00Z","author":"A","note":"NOTE","document":{"name":"N","holidays":[` + holidays.String() + `]}}}`
		return strings.Replace(text, "NOTE", strings.Repeat("x", size-len(text)+len("NOTE")), 1)
	}
	if text := calendar(wire.MaxBytes - 400); len(text) > wire.MaxBytes {
		t.Fatal(len(text))
	} else if e, err := wire.Decode([]byte(text)); err != nil || len(e.Body.(events.RegisterRevised).Document.(events.Calendar).Holidays) < 1000 {
		t.Errorf("%d bytes: %v", len(text), err)
	}
	if _, err := wire.Decode([]byte(calendar(wire.MaxBytes - 60))); err == nil || !strings.Contains(err.Error(), "in canonical form") {
		t.Errorf("canonical form above the limit: %v", err)
	}
	if _, err := wire.Decode([]byte(reading + strings.Repeat(" ", wire.MaxBytes))); err == nil || !strings.Contains(err.Error(), "at most") {
		t.Errorf("text above the limit: %v", err)
	}
}

func TestEncodeRefusesWhatIsNoEvent(t *testing.T) {
	for name, e := range map[string]events.Event{
		"no body":         {},
		"no replacement":  {Body: events.EntryCorrected{}},
		"no document":     {Body: events.RegisterRevised{}},
		"not text":        {Body: events.MeterRead{Meter: "\xff"}},
		"not text inside": {Body: events.EntryCorrected{Replacement: events.Replacement{Body: events.MeterRead{Meter: "\xff"}}}},
	} {
		if b, err := wire.Encode(&e); err == nil {
			t.Errorf("%s: encoded as %s", name, b)
		}
	}
	if _, err := wire.EncodeData(nil); err == nil {
		t.Error("encoded no payload")
	}
}

// A correction whose time is the zero time would be one that changes no time.
func TestCorrectionToTheZeroTime(t *testing.T) {
	for name, b := range samples(t) {
		if !strings.HasPrefix(name, "entry.corrected.") {
			continue
		}
		text := strings.Replace(string(b), `"time":"2026-10-05T10:06:00.000+01:00"`, `"time":"1970-01-01T00:00:00.000Z"`, 1)
		if text == string(b) {
			t.Fatalf("%s has no such time", name)
		}
		if _, err := wire.Decode([]byte(text)); err == nil || !strings.HasPrefix(err.Error(), "data.replacement.time: ") {
			t.Errorf("error %v", err)
		}
	}
}

// Errors inside what a correction or a revision holds name the whole path.
func TestErrorsInsideHeldPayloads(t *testing.T) {
	all := samples(t)
	for _, c := range []struct{ sample, from, to, field string }{
		{"entry.corrected.v1.json", `"volumeML":1450000`, `"volumeML":-1`, "data.replacement.data.volume.volumeML: found -1"},
		{"entry.corrected.v1.json", `"volumeML":1450000`, `"volumeL":1450`, `data.replacement.data.volume.volumeL: found an unknown member; allowed: "volumeML"`},
		{"entry.corrected.v1.json", `"basis":"measured",`, ``, "data.replacement.data.volume.basis: found nothing"},
		{"entry.corrected.v1.json", `"type":"water.decanted"`, `"type":"entry.voided"`, "data.replacement.type: found entry.voided"},
		{"register.revised.truck.v1.json", `"permittedKg":19000`, `"permittedKg":"19 t"`, `data.document.axles.1.permittedKg: found "19 t"; allowed: a whole number`},
		{"register.revised.truck.v1.json", `"permittedKg":19000`, `"permittedKg":0`, "data.document.axles.1.permittedKg: found 0"},
		{"register.revised.truck.v1.json", `"permittedKg":19000,`, ``, "data.document.axles.1.permittedKg: found nothing"},
		{"register.revised.truck.v1.json", `"register":"truck"`, `"register":"lorry"`, "data.register: found lorry; allowed: calendar, carrier"},
		{"register.revised.truck.v1.json", `"register":"truck"`, `"register":"tax"`, "data.document."},
	} {
		if !strings.Contains(string(all[c.sample]), c.from) {
			t.Fatalf("%s lacks %s", c.sample, c.from)
		}
		_, err := wire.Decode([]byte(strings.Replace(string(all[c.sample]), c.from, c.to, 1)))
		if err == nil || !strings.HasPrefix(err.Error(), c.field) {
			t.Errorf("error\n%v\nshould begin with\n%s", err, c.field)
		}
	}
}

// What can not be decoded is kept as it came, so decoding must not write over it.
func TestDecodeLeavesItsInput(t *testing.T) {
	for _, text := range []string{"[\n1,\n2]", " [ ] ", "\"a\\/b\" ", "{ \"id\" : [ 1 ] }", "{ \"data\" : { \"a\" : 1 } , \"seq\" : \"x\" }", " 17 ", "null\n", "{\n"} {
		b := []byte(text)
		if _, err := wire.Decode(b); err == nil || string(b) != text {
			t.Errorf("%q became %q, %v", text, b, err)
		}
	}
}
