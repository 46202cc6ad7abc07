package chain_test

import (
	"encoding/hex"
	"testing"

	"pgregory.net/rapid"

	"spoilbook/events/chain"
)

// RFC 6962 gives the hash of the empty leaf as SHA-256(0x00); the value is the
// root of the one-leaf tree in the published test vectors.
func TestLeafHash(t *testing.T) {
	got := chain.LeafHash(nil)
	want := "6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d"
	if hex.EncodeToString(got[:]) != want {
		t.Errorf("leaf hash of nothing: %x, want %s", got, want)
	}
}

func TestSequenceAgreesWithASet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var s chain.Sequence
		seen := map[uint64]bool{}
		var highest uint64
		for _, seq := range rapid.SliceOf(rapid.Uint64Range(1, 60)).Draw(t, "seqs") {
			if s.Add(seq) == seen[seq] {
				t.Fatalf("Add(%d) disagrees with the set", seq)
			}
			seen[seq] = true
			highest = max(highest, seq)
		}
		missing := map[uint64]bool{}
		for _, g := range s.Gaps() {
			for n := g.From; n < g.To; n++ {
				missing[n] = true
			}
		}
		contiguous := uint64(0)
		for n := uint64(1); n <= highest; n++ {
			if seen[n] == missing[n] {
				t.Fatalf("%d: seen %v, missing %v", n, seen[n], missing[n])
			}
			if seen[n] && contiguous == n-1 {
				contiguous = n
			}
		}
		if s.Highest() != highest || s.Contiguous() != contiguous {
			t.Fatalf("highest %d contiguous %d, want %d and %d", s.Highest(), s.Contiguous(), highest, contiguous)
		}
	})
}
