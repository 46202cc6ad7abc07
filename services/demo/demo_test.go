package demo_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/reports"
	book "spoilbook/reports/register"
	"spoilbook/services/demo"
	"spoilbook/services/register"
)

func build(t *testing.T) demo.Month {
	t.Helper()
	m, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// recorded gives the first occurrence of each event of the batches a dense
// position, as a ledger would, with a storing time after the month.
func recorded(batches []demo.Batch) []events.Recorded {
	recs, seen := []events.Recorded{}, map[events.Ref]bool{}
	for _, b := range batches {
		for _, e := range b.Events {
			if !seen[e.Ref()] {
				seen[e.Ref()] = true
				recs = append(recs, events.Recorded{Event: e, Position: uint64(len(recs) + 1), At: events.MustTime("2026-11-03T08:00:00Z")})
			}
		}
	}
	return recs
}

func journal(batches []demo.Batch) *reports.Journal {
	recs := recorded(batches)
	return reports.Resolve(recs, uint64(len(recs)))
}

// batchOf returns the index of the batch whose note contains text.
func batchOf(t *testing.T, m demo.Month, text string) int {
	t.Helper()
	for i, b := range m.Batches {
		if strings.Contains(b.Note, text) {
			return i
		}
	}
	t.Fatalf("no batch is called %q", text)
	return -1
}

func TestEventsAreValidAndRoundTrip(t *testing.T) {
	n := 0
	for _, b := range build(t).Batches {
		for i := range b.Events {
			first, err := wire.Encode(&b.Events[i])
			if err != nil {
				t.Fatalf("%s: %v", b.Note, err)
			}
			back, err := wire.Decode(first)
			if err != nil {
				t.Fatalf("%s: %s: %v", b.Note, first, err)
			}
			second, err := wire.Encode(&back)
			if err != nil || !bytes.Equal(first, second) {
				t.Fatalf("%s: %s\nbecame %s (%v)", b.Note, first, second, err)
			}
			n++
		}
	}
	if n < 1500 || n > 4500 {
		t.Errorf("%d events, want between 1,500 and 4,500", n)
	}
}

func TestBuildingTwiceGivesTheSameBytes(t *testing.T) {
	if !bytes.Equal(encoded(t, build(t)), encoded(t, build(t))) {
		t.Error("two builds differ")
	}
}

func encoded(t *testing.T, m demo.Month) []byte {
	t.Helper()
	var all bytes.Buffer
	for _, b := range m.Batches {
		fmt.Fprintln(&all, b.Note)
		for i := range b.Events {
			line, err := wire.Encode(&b.Events[i])
			if err != nil {
				t.Fatal(err)
			}
			all.Write(append(line, '\n'))
		}
	}
	return all.Bytes()
}

func TestSourcesCountWithoutGap(t *testing.T) {
	seqs := map[events.Source]*chain.Sequence{}
	bodies := map[events.Ref]string{}
	repeated, last := 0, map[events.Source]events.Time{}
	for _, b := range build(t).Batches {
		for i := range b.Events {
			e := &b.Events[i]
			line, err := wire.Encode(e)
			if err != nil {
				t.Fatal(err)
			}
			if seqs[e.Source] == nil {
				seqs[e.Source] = &chain.Sequence{}
			}
			before, known := bodies[e.Ref()]
			if seqs[e.Source].Add(e.Seq) == known {
				t.Errorf("%s: number %d of %s under id %s", b.Note, e.Seq, e.Source, e.ID)
			}
			if known && before != string(line) {
				t.Errorf("%s says two things", e.Ref())
			}
			if known {
				repeated++
			}
			bodies[e.Ref()] = string(line)
			last[e.Source] = e.Occurred
		}
	}
	for source, s := range seqs {
		if len(s.Gaps()) > 0 {
			t.Errorf("%s has gaps %v", source, s.Gaps())
		}
	}
	if len(seqs) != 5 || repeated != 3 {
		t.Errorf("%d sources and %d repeated events, want 5 and 3", len(seqs), repeated)
	}
}

// TestTimesFollowNumbers: a source counts in the order of its own clock.
func TestTimesFollowNumbers(t *testing.T) {
	latest := map[events.Source]map[uint64]events.Time{}
	for _, r := range recorded(build(t).Batches) {
		if latest[r.Source] == nil {
			latest[r.Source] = map[uint64]events.Time{}
		}
		latest[r.Source][r.Seq] = r.Occurred
	}
	for source, times := range latest {
		for seq := uint64(2); seq <= uint64(len(times)); seq++ {
			if times[seq].Before(times[seq-1]) {
				t.Errorf("%s: event %d at %s comes before event %d at %s", source, seq, times[seq], seq-1, times[seq-1])
			}
		}
	}
}

func TestRegisterFilesAreWhole(t *testing.T) {
	revs, err := register.Read(demo.Register())
	if err != nil {
		t.Fatal(err)
	}
	found := map[events.Register]bool{}
	for _, r := range revs {
		found[r.Document.Register()] = true
	}
	for _, r := range events.Registers() {
		if !found[r] {
			t.Errorf("register %s has no entry", r)
		}
	}
	published := 0
	for _, r := range recorded(build(t).Batches) {
		if r.Kind() == events.KindRegisterRevised {
			published++
		}
	}
	if published != len(revs) {
		t.Errorf("%d revisions published, %d in the files", published, len(revs))
	}
}

// TestNamesAreKnownAtTheirTime looks every name in an event up as of its time,
// in what was published up to then.
func TestNamesAreKnownAtTheirTime(t *testing.T) {
	var so []events.Recorded
	looked := 0
	for _, r := range recorded(build(t).Batches) {
		so = append(so, r)
		if r.Kind() == events.KindRegisterRevised {
			continue
		}
		b := book.NewBook(so)
		for _, n := range names(&r.Event) {
			looked++
			if _, ok := b.At(n.register, n.key, r.Occurred); !ok {
				t.Errorf("%s at %s: %s %q is not known", r.Ref(), r.Occurred, n.register, n.key)
			}
		}
		so = keepRevisions(so)
	}
	if looked < 5000 {
		t.Errorf("only %d names looked up", looked)
	}
}

func keepRevisions(recs []events.Recorded) []events.Recorded {
	if n := len(recs); recs[n-1].Kind() != events.KindRegisterRevised {
		return recs[:n-1]
	}
	return recs
}

type name struct {
	register events.Register
	key      string
}

// names returns what an event names in the register.
func names(e *events.Event) []name {
	list := []name{{events.TruckRegister, string(e.Truck)}, {events.OperatorRegister, string(e.Operator)}, {events.JobRegister, string(e.Job)}}
	switch b := e.Body.(type) {
	case events.LoadCollected:
		list = append(list, name{events.MaterialRegister, string(b.Material)})
	case events.WaterDecanted:
		list = append(list, name{events.OutfallRegister, string(b.Outfall)})
	case events.SpoilTipped:
		list = append(list, name{events.FacilityRegister, string(b.Facility)})
	case events.WaterRefilled:
		list = append(list, name{events.WaterSourceRegister, string(b.WaterSource)})
	case events.FacilityArrived:
		list = append(list, name{events.FacilityRegister, string(b.Facility)})
	case events.DocketReceived:
		list = append(list, name{events.FacilityRegister, string(b.Facility)})
	case events.SpoilRefused:
		list = append(list, name{events.FacilityRegister, string(b.Facility)})
	case events.SpoilReturned:
		list = append(list, name{events.FacilityRegister, string(b.Facility)})
	case events.MeterChanged:
		list = append(list, name{events.WaterSourceRegister, string(b.WaterSource)})
	case events.MeterRead:
		list = append(list, name{events.WaterSourceRegister, string(b.WaterSource)})
	case events.ShiftStarted:
		for _, o := range b.Crew {
			list = append(list, name{events.OperatorRegister, string(o)})
		}
	}
	kept := list[:0]
	for _, n := range list {
		if n.key != "" {
			kept = append(kept, n)
		}
	}
	return kept
}

func TestRecordIsWholeAtTheEndAndGappedBefore(t *testing.T) {
	m := build(t)
	if fs := journal(m.Batches).Findings; len(fs) > 0 {
		t.Errorf("the whole month's record has findings: %v", fs)
	}
	late := batchOf(t, m, "no signal")
	var codes []string
	for _, f := range journal(m.Batches[:late]).Findings {
		codes = append(codes, string(f.Code)+" "+string(f.Truck))
	}
	if strings.Join(codes, ", ") != "sequence-gap TM-02" {
		t.Errorf("before the late batch the record has %v, want one gap of TM-02", codes)
	}
	if j := journal(m.Batches); j.Count.Corrected != 1 || j.Count.Voided != 1 {
		t.Errorf("%d entries corrected and %d voided, want 1 and 1", j.Count.Corrected, j.Count.Voided)
	}
}

func TestRawBodiesAreRefused(t *testing.T) {
	months := map[events.Ref]string{}
	for _, b := range build(t).Batches {
		for i := range b.Events {
			line, err := wire.Encode(&b.Events[i])
			if err != nil {
				t.Fatal(err)
			}
			months[b.Events[i].Ref()] = string(line)
		}
	}
	raw := demo.Raw()
	if len(raw) != 3 {
		t.Fatalf("%d raw bodies, want 3", len(raw))
	}
	for i, says := range []string{"volumeML", "JSON"} {
		if _, err := wire.Decode(raw[i].Body); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("%s: error %v should say %q", raw[i].Note, err, says)
		}
	}
	e, err := wire.Decode(raw[2].Body)
	if err != nil {
		t.Fatal(err)
	}
	before, known := months[e.Ref()]
	if !known || before == string(raw[2].Body) || string(e.Source) != raw[2].Source {
		t.Errorf("%s should contradict an event of the month", e.Ref())
	}
}

func TestMonthIsHalfOpenAndAnHourLonger(t *testing.T) {
	if from, to := demo.From().String(), demo.To().String(); from != "2026-10-01T00:00:00.000+01:00" || to != "2026-11-01T00:00:00.000Z" {
		t.Errorf("month from %s to %s", from, to)
	}
	if ms := demo.To().UnixMS - demo.From().UnixMS; ms != (31*24+1)*3_600_000 {
		t.Errorf("month of %d ms, want 31 days and an hour", ms)
	}
}
