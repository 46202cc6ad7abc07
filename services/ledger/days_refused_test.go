package ledger_test

import (
	"os"
	"strings"
	"testing"

	"github.com/rogpeppe/go-internal/txtar"
)

// A day that says something else than it seems to is refused and not run.
func TestDaysAreReadStrictly(t *testing.T) {
	const head = "-- events --\n2026-10-25 Europe/Dublin\n"
	for _, c := range []struct{ name, text, want string }{
		{"no events", "-- events --\n", "no events"},
		{"no date", "-- events --\n08:00 TM-01 shift.started\n", "begin with a date"},
		{"unknown zone", "-- events --\n2026-10-25 Europe/Tarnmoor\n", "unknown time zone"},
		{"unknown section", head + "-- wants/water/Draws --\n", `section "wants/water/Draws"`},
		{"section twice", head + "-- events --\n", "twice"},
		{"register", "-- register.yaml --\nregister: truck\n" + head, "entries"},
		{"short line", head + "08:00 TM-01\n", "time, truck or @desk, kind"},
		{"kind", head + "08:00 TM-01 shift.begun\n", "type"},
		{"member", head + "08:00 TM-01 rest.started cause=weather\n", "cause"},
		{"no value", head + "08:00 TM-01 standby.started cause=\n", "not name=value"},
		{"number for text", head + "08:00 TM-01 standby.started cause=weather note=12\n", "note"},
		{"clock", head + "8:00 TM-01 rest.started\n", "not a clock time"},
		{"hour that comes twice", head + "01:30 TM-01 rest.started\n", "comes twice or never"},
		{"hour that never comes", "-- events --\n2026-03-29 Europe/Dublin\n01:30 TM-01 rest.started\n", "comes twice or never"},
		{"open quote", head + "08:00 TM-01 standby.started cause=weather note=\"wet\n", "not closed"},
		{"finer than a gram", head + "08:00-08:10 TM-01 spoil.tipped facility=F-SOIL mass=1.5g\n", "finer"},
		{"unknown event", head + "08:00 @yard entry.voided refers=#nothing reason=x author=y\n", "no event above"},
		{"unknown position", head + "08:00 @yard report.issued position=@nothing\n", "no event above"},
		{"id twice", head + "08:00 TM-01 rest.started id=a\n09:00 TM-01 rest.ended id=a\n", "id a is taken"},
		{"too large", head + "08:00-08:10 TM-01 spoil.tipped facility=F-SOIL mass=500t\n", "massG"},
		{"view of nothing", head + "08:00 TM-01 rest.started\n-- views --\nv upto=a\n", "no event has the id"},
		{"view's member", head + "08:00 TM-01 rest.started\n-- views --\nv day=2026-10-25\n", "not known"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := readDay(txtar.Parse([]byte(c.text)), os.DirFS(daysFolder))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("read %v with error %v; want one that says %q", d != nil, err, c.want)
			}
		})
	}
}

// What is short in a line is long on the wire.
func TestDayLinesOnTheWire(t *testing.T) {
	text := `-- events --
2026-10-24 Europe/Dublin
23:50-00:10 TM-01 load.collected id=a job=J-1 material=M-SAND
  slurryVolume=2.5m3:derived±1 slurryMass=3t
2026-10-25
01:30+00:00 @yard meter.read waterSource=W-YARD meter="7" readingML=1.5L
`
	d, err := readDay(txtar.Parse([]byte(text)), os.DirFS(daysFolder))
	if err != nil {
		t.Fatal(err)
	}
	want := []string{
		`{"data":{"end":"2026-10-25T00:10:00.000+01:00","material":"M-SAND","slurryMass":{"basis":"measured","massG":3000000},` +
			`"slurryVolume":{"basis":"derived","toleranceML":1000000,"volumeML":2500000},"start":"2026-10-24T23:50:00.000+01:00"},` +
			`"datacontenttype":"application/json","dataschema":"urn:spoilbook:load.collected:1","id":"a","job":"J-1","origin":"controller",` +
			`"seq":1,"source":"/truck/TM-01","specversion":"1.0","subject":"TM-01","time":"2026-10-25T00:10:00.000+01:00","type":"spoilbook.load.collected"}`,
		`{"data":{"meter":"7","readingML":1500,"waterSource":"W-YARD"},"datacontenttype":"application/json",` +
			`"dataschema":"urn:spoilbook:meter.read:1","id":"yard-0001","origin":"office","seq":1,"source":"/office/yard","specversion":"1.0",` +
			`"time":"2026-10-25T01:30:00.000Z","type":"spoilbook.meter.read"}`,
	}
	for i, w := range want {
		if got := string(d.lines[len(d.lines)-len(want)+i].Body); got != w {
			t.Errorf("event %d is\n%s\nwant\n%s", i, got, w)
		}
	}
}
