package events_test

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spoilbook/events"
)

func TestParseTime(t *testing.T) {
	for in, want := range map[string]string{
		"2026-10-05T08:25:00.000+01:00": "2026-10-05T08:25:00.000+01:00",
		"2026-10-05T08:25:00+01:00":     "2026-10-05T08:25:00.000+01:00",
		"2026-10-05T08:25:00.5Z":        "2026-10-05T08:25:00.500Z",
		"2026-10-05T08:25:00.07-07:30":  "2026-10-05T08:25:00.070-07:30",
		"2026-10-05T08:25:00+00:00":     "2026-10-05T08:25:00.000Z",
		"2026-10-05T08:25:00-00:00":     "2026-10-05T08:25:00.000Z",
		"2024-02-29T23:59:59.999+14:00": "2024-02-29T23:59:59.999+14:00",
		"2026-01-01T00:00:00-12:00":     "2026-01-01T00:00:00.000-12:00",
		"2026-06-01T00:00:00+05:45":     "2026-06-01T00:00:00.000+05:45",
		"1969-12-31T23:59:59.999Z":      "1969-12-31T23:59:59.999Z",
	} {
		got, err := events.ParseTime(in)
		if err != nil || got.String() != want {
			t.Errorf("%s is %s, error %v; want %s", in, got, err, want)
		}
	}
	at := events.MustTime("2026-10-05T08:25:00.250+01:00")
	if at.UnixMS != 1_791_185_100_250 || at.OffsetMinutes != 60 {
		t.Errorf("%+v", at)
	}
}

func TestParseTimeRefuses(t *testing.T) {
	for _, s := range []string{
		"", "2026-10-05", "2026-10-05T08:25:00", "2026-10-05 08:25:00Z", "2026-10-05t08:25:00z", "2026-10-05T8:25:00Z", "26-10-05T08:25:00Z",
		"2026-10-05T24:00:00Z", "2026-10-05T25:00:00Z", "2026-10-05T08:60:00Z", "2026-10-05T08:25:60Z", "2016-12-31T23:59:60Z",
		"2026-02-29T00:00:00Z", "2026-13-01T00:00:00Z", "2026-00-01T00:00:00Z", "2026-10-00T00:00:00Z", "2026-10-32T00:00:00Z",
		"2026-10-05T08:25:00.Z", "2026-10-05T08:25:00,5Z", "2026-10-05T08:25:00.1234Z", "2026-10-05T08:25:00.0000Z", "2026-10-05T08:25:00.000000001Z",
		"2026-10-05T08:25:00+1:00", "2026-10-05T08:25:00+0100", "2026-10-05T08:25:00+24:00", "2026-10-05T08:25:00+01:60", "2026-10-05T08:25:00+01",
		"2026-10-05T08:25:00Z ", " 2026-10-05T08:25:00Z", "2026-10-05T08:25:00ZZ", "+2026-10-05T08:25:00Z", "2026-10-05T08:25:00+01:00[Europe/Dublin]",
		"２026-10-05T08:25:00Z", "2026-10-05T08:25:00.٣Z",
	} {
		if got, err := events.ParseTime(s); err == nil {
			t.Errorf("%q is accepted as %s", s, got)
		} else if !strings.Contains(err.Error(), "RFC 3339") && !strings.Contains(err.Error(), "finer than a millisecond") {
			t.Errorf("%q: %v", s, err)
		}
	}
	if _, err := events.ParseTime(strings.Repeat("x", 100_000)); len(err.Error()) > 300 {
		t.Errorf("error of %d bytes", len(err.Error()))
	}
}

// The standard library, which knows RFC 3339 in its own way, agrees.
func TestTimeAgreesWithTheStandardLibrary(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		at := events.Time{UnixMS: rapid.Int64Range(-2_000_000_000_000, 4_200_000_000_000).Draw(t, "ms"),
			OffsetMinutes: rapid.Int16Range(-1439, 1439).Draw(t, "offset")}
		text := at.String()
		std, err := time.Parse(time.RFC3339Nano, text)
		if err != nil || std.UnixMilli() != at.UnixMS {
			t.Fatalf("%s is %v for the standard library, error %v", text, std, err)
		}
		if at.Std().UnixMilli() != at.UnixMS || events.TimeOf(std) != at || events.TimeOf(at.Std()) != at {
			t.Fatalf("%s comes back as %s", text, events.TimeOf(std))
		}
		back, err := events.ParseTime(text)
		if err != nil || back != at {
			t.Fatalf("%s is read as %s, error %v", text, back, err)
		}
	})
}

// What is read is what the standard library reads.
func FuzzParseTime(f *testing.F) {
	for _, s := range []string{"2026-10-05T08:25:00.000+01:00", "2026-10-05T24:00:00Z", "2016-12-31T23:59:60Z", "2026-02-29T00:00:00.1Z", "2026-10-05T08:25:00,5-23:59"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		got, err := events.ParseTime(s)
		if err != nil {
			return
		}
		std, err := time.Parse(time.RFC3339Nano, s)
		if err != nil || std.UnixMilli() != got.UnixMS {
			t.Fatalf("%q is %s, and %v for the standard library, error %v", s, got, std, err)
		}
		if back, err := events.ParseTime(got.String()); err != nil || back != got {
			t.Fatalf("%q is written as %s and read as %s, error %v", s, got, back, err)
		}
	})
}

func TestTimeOrder(t *testing.T) {
	a, b := events.MustTime("2026-10-05T08:25:00+01:00"), events.MustTime("2026-10-05T07:25:00Z")
	if a.Before(b) || b.Before(a) || a == b || !a.Before(events.Time{UnixMS: a.UnixMS + 1}) {
		t.Error("one instant in two offsets is not one instant")
	}
	if (events.Time{}).IsZero() != true || a.IsZero() {
		t.Error("IsZero")
	}
}

func TestMustTimePanics(t *testing.T) {
	defer func() {
		if recover() == nil {
			t.Error("a malformed literal was taken")
		}
	}()
	events.MustTime("yesterday")
}

func TestTimeText(t *testing.T) {
	var at events.Time
	if err := at.UnmarshalText([]byte("2026-10-05T08:25:00Z")); err != nil || at.UnixMS == 0 {
		t.Errorf("%v, error %v", at, err)
	}
	before := at
	if err := at.UnmarshalText([]byte("noon")); err == nil || at != before {
		t.Errorf("%v, error %v", at, err)
	}
	text, err := at.MarshalText()
	more, errMore := at.AppendText([]byte("at "))
	if err != nil || errMore != nil || "at "+string(text) != string(more) {
		t.Errorf("%s and %s", text, more)
	}
}
