package demo_test

import (
	"bytes"
	"fmt"
	"maps"
	"slices"
	"testing"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/reports"
	"spoilbook/services/demo"
)

func build(t *testing.T) demo.Month {
	t.Helper()
	m, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// recorded gives the month's first occurrence of each event dense positions, as
// a ledger would, with a storing time long after.
func recorded(m demo.Month) []events.Recorded {
	recs, seen := []events.Recorded{}, map[events.Ref]bool{}
	for _, b := range m.Batches {
		for _, e := range b.Events {
			if !seen[e.Ref()] {
				seen[e.Ref()] = true
				recs = append(recs, events.Recorded{Event: e, Position: uint64(len(recs) + 1), At: events.MustTime("2026-11-03T08:00:00Z")})
			}
		}
	}
	return recs
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
		t.Errorf("%d events, want about 1,500 to 4,000", n)
	}
}

func TestBuildingTwiceGivesTheSameBytes(t *testing.T) {
	if a, b := encoded(t, build(t)), encoded(t, build(t)); !bytes.Equal(a, b) {
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

func TestSequencesAreGapFree(t *testing.T) {
	seqs, repeats := map[events.Source]*chain.Sequence{}, 0
	gapSeen := false
	for _, b := range build(t).Batches {
		for _, e := range b.Events {
			if seqs[e.Source] == nil {
				seqs[e.Source] = &chain.Sequence{}
			}
			if !seqs[e.Source].Add(e.Seq) {
				repeats++
			}
		}
	}
	_ = gapSeen
	_ = slices.Sorted(maps.Keys(seqs))
	_ = reports.Codes
}
