package timesplit

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"spoilbook/events"
	"spoilbook/reports"
)

// ledger collects events of one truck as a test tells them.
type ledger struct {
	t    *testing.T
	day  string // "2026-10-05"
	off  string // "+01:00"
	recs []events.Recorded
}

func newLedger(t *testing.T) *ledger { return &ledger{t: t, day: "2026-10-05", off: "+01:00"} }

func (l *ledger) at(clock string) events.Time {
	if strings.Contains(clock, "T") {
		return events.MustTime(clock)
	}
	return events.MustTime(l.day + "T" + clock + ":00.000" + l.off)
}

// put records a body that occurred at a clock time.
func (l *ledger) put(clock string, job events.JobID, body events.Body) {
	n := uint64(len(l.recs) + 1)
	l.recs = append(l.recs, events.Recorded{Position: n, At: l.at(clock), Event: events.Event{
		ID: fmt.Sprintf("TM-01-%06d", n), Source: events.TruckSource("TM-01"), Seq: n, Occurred: l.at(clock),
		Truck: "TM-01", Job: job, Operator: "OP-1", Origin: events.FromCrew, Body: body}})
}

func (l *ledger) load(from, to string, job events.JobID) {
	l.put(to, job, events.LoadCollected{Start: l.at(from), End: l.at(to), Material: "M-CLAY",
		SlurryVolume: &events.Volume{VolumeML: 2_000_000, Basis: events.Measured}})
}

func (l *ledger) decant(from, to string) {
	l.put(to, "", events.WaterDecanted{Start: l.at(from), End: l.at(to), Volume: events.Volume{VolumeML: 600_000, Basis: events.Measured}})
}

func (l *ledger) tip(from, to string) {
	l.put(to, "", events.SpoilTipped{Start: l.at(from), End: l.at(to), Facility: "F-1", Whole: true})
}

// say puts one event for each "06:00 shift.started J-101" line.
func (l *ledger) say(story string) {
	l.t.Helper()
	for line := range strings.Lines(story) {
		f := strings.Fields(line)
		if len(f) == 0 {
			continue
		}
		job := events.JobID("")
		if len(f) > 2 {
			job = events.JobID(f[2])
		}
		spec, ok := events.SpecOf(events.Kind(f[1]))
		if !ok {
			l.t.Fatalf("no kind %q", f[1])
		}
		body := events.Deref(spec.New())
		switch body.(type) {
		case events.StandbyStarted:
			body = events.StandbyStarted{Cause: events.AwaitingClient}
		case events.EmergencyStopPressed:
			body = events.EmergencyStopPressed{Station: events.StationRear, Cause: "hose burst", Attribution: events.ByCarrier}
		}
		l.put(f[0], job, body)
	}
}

func (l *ledger) journal() *reports.Journal {
	return reports.Resolve(l.recs, uint64(len(l.recs)))
}

// cut partitions and checks that every shift is filled.
func (l *ledger) cut() ([]Shift, []reports.Finding) {
	l.t.Helper()
	shifts, findings := Partition(l.journal(), "TM-01")
	for i := range shifts {
		if err := filled(&shifts[i]); err != nil {
			l.t.Fatal(err)
		}
	}
	return shifts, findings
}

// filled reports what keeps the slices of a shift from filling it.
func filled(s *Shift) error {
	at := s.From.UnixMS
	for i := range s.Slices {
		c := &s.Slices[i]
		switch {
		case c.From.UnixMS != at:
			return fmt.Errorf("slice %d begins %s, %d ms after the one before", i, c.From, c.From.UnixMS-at)
		case c.LengthMS() <= 0:
			return fmt.Errorf("slice %d from %s has length %d", i, c.From, c.LengthMS())
		case c.Visit >= len(s.Visits) || c.Dump >= len(s.Dumps):
			return fmt.Errorf("slice %d points at visit %d of %d, dump %d of %d", i, c.Visit, len(s.Visits), c.Dump, len(s.Dumps))
		case (c.Activity == events.FullDump) != (c.Part != "" && c.Dump >= 0):
			return fmt.Errorf("slice %d is %s with part %q of dump %d", i, c.Activity, c.Part, c.Dump)
		case len(c.Positions) == 0:
			return fmt.Errorf("slice %d from %s cites nothing", i, c.From)
		}
		at = c.To.UnixMS
	}
	if at != s.To.UnixMS {
		return fmt.Errorf("the slices of the shift from %s end %d ms before it", s.From, s.To.UnixMS-at)
	}
	return nil
}

// text writes a shift as "06:00 travel 40 J-101" lines; parts follow a slash.
func text(s *Shift) string {
	b := &strings.Builder{}
	for i := range s.Slices {
		c := &s.Slices[i]
		what := string(c.Activity)
		if c.Part != "" {
			what = string(c.Part)
		}
		fmt.Fprintf(b, "%s %s %d %s\n", c.From.Std().Format("15:04"), what, c.LengthMS()/60_000, c.Job)
	}
	return b.String()
}

func wantText(t *testing.T, s *Shift, want string) {
	t.Helper()
	clean := []string{}
	for line := range strings.Lines(want) {
		if line = strings.TrimSpace(line); line != "" {
			clean = append(clean, line)
		}
	}
	got := []string{}
	for line := range strings.Lines(text(s)) {
		got = append(got, strings.TrimSpace(line))
	}
	if !slices.Equal(got, clean) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(clean, "\n"))
	}
}

// codes lists the codes of findings, in order.
func codes(fs []reports.Finding) []string {
	list := []string{}
	for _, f := range fs {
		list = append(list, string(f.Code))
	}
	return list
}

func wantCodes(t *testing.T, fs []reports.Finding, want ...string) {
	t.Helper()
	if got := codes(fs); !slices.Equal(got, want) {
		t.Errorf("found %v, want %v: %v", got, want, fs)
	}
}

func mustZone(t *testing.T, name string) *time.Location {
	t.Helper()
	zone, err := time.LoadLocation(name)
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func period(t *testing.T, first, last, zone string) reports.Period {
	t.Helper()
	p, err := reports.Days(first, last, mustZone(t, zone))
	if err != nil {
		t.Fatal(err)
	}
	return p
}
