package events_test

import (
	"errors"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events"
)

func event() events.Event {
	return events.Event{ID: "TM-01-000042", Source: "/truck/TM-01", Seq: 42, Occurred: end, Truck: "TM-01", Operator: "OP-1", Job: "J-101",
		Place: &events.Place{LatitudeMicroDeg: 53_123_456, LongitudeMicroDeg: -7_654_321}, Origin: events.FromCrew, Body: load()}
}

func TestValidate(t *testing.T) {
	base := event()
	if err := base.Validate(); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		rule                  string
		change                func(e *events.Event)
		field, found, allowed string
	}{
		{"id", func(e *events.Event) { e.ID = "" }, "id", "0 characters", "1 to 64"},
		{"long id", func(e *events.Event) { e.ID = strings.Repeat("a", 65) }, "id", "65 characters", "1 to 64"},
		{"source", func(e *events.Event) { e.Source = "/van/TM-01" }, "source", "/van/TM-01", "/office/NAME"},
		{"seq 0", func(e *events.Event) { e.Seq = 0 }, "seq", "0", "from 1 to 2147483647"},
		{"seq beyond 32 bits", func(e *events.Event) { e.Seq = 1 << 31 }, "seq", "2147483648", "from 1 to 2147483647"},
		{"time before 2000", func(e *events.Event) { e.Occurred.UnixMS = 946_684_799_999 }, "time", "2000-01-01T00:59:59.999+01:00", "2000 to 2099"},
		{"time after 2099", func(e *events.Event) { e.Occurred.UnixMS = 4_102_444_800_000 }, "time", "2100", "2000 to 2099"},
		{"offset", func(e *events.Event) { e.Occurred.OffsetMinutes = -18*60 - 1 }, "time", "-18:01", "within 18 hours"},
		{"truck of another source", func(e *events.Event) { e.Truck = "TM-02" }, "subject", "TM-02", `"TM-01", the truck`},
		{"operator", func(e *events.Event) { e.Operator = "O 1" }, "operator", `"O 1"`, "letters"},
		{"job", func(e *events.Event) { e.Job = "J/1" }, "job", `"J/1"`, "letters"},
		{"job missing", func(e *events.Event) { e.Job = "" }, "job", "nothing", "load.collected event concerns"},
		{"origin", func(e *events.Event) { e.Origin = "radio" }, "origin", `"radio"`, "controller, crew, office, file"},
		{"latitude", func(e *events.Event) { e.Place.LatitudeMicroDeg = 90_000_001 }, "place", "90000001", "latitude"},
		{"longitude", func(e *events.Event) { e.Place.LongitudeMicroDeg = -180_000_001 }, "place", "-180000001", "longitude"},
		{"no body", func(e *events.Event) { e.Body = nil }, "type", "none", "events.Kinds"},
		{"unknown body", func(e *events.Event) { e.Body = stranger{} }, "type", "stranger", "events.Kinds"},
		{"payload", func(e *events.Event) { e.Body = with(load(), func(l *events.LoadCollected) { l.Material = "" }) }, "data.material", `""`, "1 to 40"},
		{"truck missing", func(e *events.Event) { e.Source, e.Truck, e.Body = "/office/yard", "", events.RestEnded{} }, "subject", "nothing", "rest.ended event concerns"},
	} {
		t.Run(c.rule, func(t *testing.T) {
			e := event()
			c.change(&e)
			var invalid *events.ValidationError
			if !errors.As(e.Validate(), &invalid) || len(invalid.Fields) != 1 {
				t.Fatalf("error %v", e.Validate())
			}
			f := invalid.Fields[0]
			if f.Field != c.field || !strings.Contains(f.Found, c.found) || !strings.Contains(f.Allowed, c.allowed) {
				t.Errorf("error %q; want field %s, found %s, allowed %s", f.Error(), c.field, c.found, c.allowed)
			}
		})
	}
}

// stranger is a payload that the vocabulary does not know.
type stranger struct{}

func (stranger) Kind() events.Kind   { return "stranger" }
func (stranger) Check(*events.Check) {}

// An office needs no truck for what concerns none, and no place at all.
func TestOfficeEvents(t *testing.T) {
	e := events.Event{ID: "1", Source: events.OfficeSource("yard"), Seq: 1, Occurred: end, Origin: events.FromOffice,
		Body: events.MeterRead{WaterSource: "W", Meter: "m", ReadingML: 1}}
	if err := e.Validate(); err != nil {
		t.Error(err)
	}
	if e.Ref().String() != "/office/yard#1" || e.Kind() != events.KindMeterRead {
		t.Errorf("reference %s, kind %s", e.Ref(), e.Kind())
	}
}

// However much is wrong, what is said of it is bounded.
func TestErrorsAreBounded(t *testing.T) {
	e := event()
	e.Body = events.PrestartChecked{Items: make([]events.CheckItem, 100)}
	var invalid *events.ValidationError
	if !errors.As(e.Validate(), &invalid) || len(invalid.Fields) != 32 {
		t.Errorf("error %v", e.Validate())
	}
	e.Body = events.StandbyStarted{Cause: events.StandbyCause(strings.Repeat("x", 100_000))}
	if err := e.Validate(); err == nil || len(err.Error()) > 500 {
		t.Errorf("error of %d bytes", len(err.Error()))
	}
}

func TestSourceSplit(t *testing.T) {
	for _, c := range []struct {
		source      events.Source
		class, name string
		ok          bool
	}{
		{"/truck/TM-01", "truck", "TM-01", true}, {"/office/yard", "office", "yard", true}, {events.TruckSource("A"), "truck", "A", true},
		{"", "", "", false}, {"/", "", "", false}, {"truck/TM-01", "", "", false}, {"/truck/", "", "", false}, {"/truck", "", "", false},
		{"/truck/TM-01/", "", "", false}, {"/truck/TM 01", "", "", false}, {"/Truck/TM-01", "", "", false}, {"//truck/TM-01", "", "", false},
		{"/plant/TM-01", "", "", false}, {"/truck/-1", "", "", false}, {events.TruckSource(events.TruckID(strings.Repeat("a", 41))), "", "", false},
	} {
		class, name, ok := c.source.Split()
		if class != c.class || name != c.name || ok != c.ok {
			t.Errorf("%q splits into %q, %q, %v", c.source, class, name, ok)
		}
	}
}

func TestKinds(t *testing.T) {
	kinds := events.Kinds()
	if len(kinds) != 35 || !slices.IsSorted(kinds) {
		t.Errorf("%d kinds: %v", len(kinds), kinds)
	}
	for _, k := range kinds {
		spec, ok := events.SpecOf(k)
		if !ok || spec.Kind != k || spec.Version < 1 || spec.New().Kind() != k || events.Deref(spec.New()).Kind() != k {
			t.Errorf("kind %s: %+v", k, spec)
		}
		if events.Target(spec.New()) == nil {
			t.Errorf("kind %s has no target", k)
		}
	}
	if _, ok := events.SpecOf("load.lost"); ok {
		t.Error("an unknown kind is known")
	}
	if b := events.Body(events.ShiftEnded{}); events.Deref(b) != b || events.Target(b) != any(b) {
		t.Error("a plain payload is not itself")
	}
}

func TestRegisters(t *testing.T) {
	registers := events.Registers()
	if len(registers) != 12 || !slices.IsSorted(registers) {
		t.Errorf("%d registers: %v", len(registers), registers)
	}
	for _, r := range registers {
		if d := events.DocumentOf(events.NewDocument(r)); d == nil || d.Register() != r {
			t.Errorf("register %s makes %T", r, d)
		}
	}
	if events.NewDocument("lorry") != nil || events.DocumentOf(7) != nil {
		t.Error("an unknown register has a document")
	}
}

func TestWeaker(t *testing.T) {
	order := []events.Basis{events.Measured, events.Derived, events.Assumed}
	for i, a := range order {
		for j, b := range order {
			if got := events.Weaker(a, b); got != order[max(i, j)] {
				t.Errorf("Weaker(%s, %s) = %s", a, b, got)
			}
		}
	}
}

func TestDecimals(t *testing.T) {
	accepted := map[events.Decimal]bool{"0": true, "85.00": true, "1.5": true, "007": true, "999999999999999999": true, "9999999999999999.99": true,
		"": false, "-": false, "-1": false, ".5": false, "5.": false, "1.2.3": false, "1e3": false, "1,5": false, "+1": false, " 1": false,
		"1000000000000000000": false, "٣": false, "0x1": false, "-.5": false}
	for d, want := range accepted {
		c := &events.Check{}
		revised(events.Tax{Name: "VAT", RatePercent: d}).Check(c)
		if (c.Err() == nil) != want {
			t.Errorf("%q: %v", d, c.Err())
		}
	}
}

func TestClockMinutes(t *testing.T) {
	for s, want := range map[string]int{"00:00": 0, "00:01": 1, "06:30": 390, "23:59": 1439, "24:00": 1440} {
		if got, ok := events.ClockMinutes(s); !ok || got != want {
			t.Errorf("%s is %d, %v", s, got, ok)
		}
	}
	for _, s := range []string{"", "6:30", "06:60", "24:01", "25:00", "06-30", "06:3x", "006:30", "06:30 ", "-6:30", "０6:30"} {
		if got, ok := events.ClockMinutes(s); ok {
			t.Errorf("%q is accepted as %d", s, got)
		}
	}
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`[0-2][0-9]:[0-9]{2}`).Draw(t, "clock")
		got, ok := events.ClockMinutes(s)
		h, m := int(s[0]-'0')*10+int(s[1]-'0'), int(s[3]-'0')*10+int(s[4]-'0')
		if valid := m < 60 && h*60+m <= 1440; ok != valid || ok && got != h*60+m {
			t.Fatalf("%s is %d, %v", s, got, ok)
		}
	})
}
