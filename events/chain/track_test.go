package chain_test

import (
	"slices"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events/chain"
)

func TestTrackOfTheExample(t *testing.T) {
	var k chain.Track
	for _, a := range []struct {
		seq uint64
		at  int64
	}{{1, 600}, {2, 600}, {5, 600}, {4, 620}} {
		if !k.Arrive(a.seq, a.at) {
			t.Errorf("%d is not new", a.seq)
		}
	}
	if got, want := k.Missing(), []chain.Missing{{Gap: chain.Gap{From: 3, To: 4}, SinceMS: 600}}; !slices.Equal(got, want) {
		t.Errorf("missing %v, want %v", got, want)
	}
	if got, want := k.Late(), []chain.Late{{Gap: chain.Gap{From: 4, To: 5}, SinceMS: 600, FirstMS: 620, LastMS: 620}}; !slices.Equal(got, want) {
		t.Errorf("late %v, want %v", got, want)
	}
	if n, longest := k.LateNumbers(); n != 1 || longest != 20 || k.Through() != 2 || k.Highest() != 5 || k.MissingNumbers() != 1 {
		t.Errorf("%d late by %d, through %d of %d", n, longest, k.Through(), k.Highest())
	}
}

// arrivals is an order in which numbers come, some of them twice, at times that
// never go back.
func arrivals(t *rapid.T) (seqs []uint64, times []int64) {
	seqs = rapid.SliceOfN(rapid.Uint64Range(1, 40), 0, 60).Draw(t, "seqs")
	now := int64(1000)
	for range seqs {
		now += rapid.Int64Range(0, 5).Draw(t, "pause")
		times = append(times, now)
	}
	return seqs, times
}

// slow says for each number, by looking at all arrivals, when it came and when the
// first one above it did; 0 for never.
func slow(seqs []uint64, times []int64, n uint64) (came, beyond int64) {
	for i, seq := range seqs {
		if seq == n && came == 0 {
			came = times[i]
		}
		if seq > n && beyond == 0 && came == 0 {
			beyond = times[i]
		}
	}
	return came, beyond
}

func TestTrackAgreesWithLookingAtAllArrivals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seqs, times := arrivals(t)
		var k chain.Track
		var s chain.Sequence
		for i, seq := range seqs {
			if k.Arrive(seq, times[i]) != s.Add(seq) {
				t.Fatalf("arrival %d: Track and Sequence disagree whether %d is new", i, seq)
			}
		}
		if k.Highest() != s.Highest() || k.Through() != s.Contiguous() {
			t.Fatalf("highest %d through %d, want %d and %d", k.Highest(), k.Through(), s.Highest(), s.Contiguous())
		}
		missing, late := map[uint64]int64{}, map[uint64]chain.Late{}
		for _, m := range k.Missing() {
			for n := m.From; n < m.To; n++ {
				missing[n] = m.SinceMS
			}
		}
		for _, l := range k.Late() {
			for n := l.From; n < l.To; n++ {
				late[n] = l
			}
		}
		wantMissing, wantLate, longest := uint64(0), uint64(0), int64(0)
		for n := uint64(1); n <= k.Highest(); n++ {
			came, beyond := slow(seqs, times, n)
			switch {
			case came == 0:
				wantMissing++
				if missing[n] != beyond {
					t.Fatalf("%d is missing since %d, want %d", n, missing[n], beyond)
				}
			case beyond != 0:
				wantLate++
				longest = max(longest, came-beyond)
				if l := late[n]; l.SinceMS != beyond || came < l.FirstMS || came > l.LastMS {
					t.Fatalf("%d came at %d and was missing since %d; its range says %+v", n, came, beyond, l)
				}
			}
		}
		if uint64(len(missing)) != wantMissing || k.MissingNumbers() != wantMissing || uint64(len(late)) != wantLate {
			t.Fatalf("%d missing, %d late, want %d and %d", len(missing), len(late), wantMissing, wantLate)
		}
		if n, by := k.LateNumbers(); n != wantLate || by != longest {
			t.Fatalf("%d late by at most %d, want %d by %d", n, by, wantLate, longest)
		}
	})
}

// A reader that hands over only what is out of order, and for the rest up to where
// numbers came one after the other, learns the same as one that hands over all.
func TestTrackOfWhatIsOutOfOrderIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		seqs, times := arrivals(t)
		var all, short chain.Track
		top := uint64(0)
		for i, seq := range seqs {
			all.Arrive(seq, times[i])
			if seq != top+1 {
				short.InOrder(top)
				short.Arrive(seq, times[i])
			}
			top = max(top, seq)
		}
		short.InOrder(top)
		if all.Highest() != short.Highest() || !slices.Equal(all.Missing(), short.Missing()) || !slices.Equal(all.Late(), short.Late()) {
			t.Fatalf("all: %d %v %v\nshort: %d %v %v", all.Highest(), all.Missing(), all.Late(), short.Highest(), short.Missing(), short.Late())
		}
	})
}

// However many numbers come late, a Track keeps the newest ranges and counts all.
func TestTrackIsBounded(t *testing.T) {
	var k chain.Track
	const last = 10_000
	k.Arrive(last, 0)
	for n := int64(last - 1); n > 0; n -= 2 {
		k.Arrive(uint64(n), last-n)
	}
	if n, longest := k.LateNumbers(); n != last/2 || longest != last-1 {
		t.Errorf("%d late by at most %d", n, longest)
	}
	late := k.Late()
	if len(late) != chain.MaxLate || late[len(late)-1].From != 1 {
		t.Errorf("%d ranges are kept, the last from %d", len(late), late[len(late)-1].From)
	}
}
