// Package chain keeps each source's events in order: which sequence numbers are
// in, which are missing, and whether a number that comes again says the same. It
// also gives the leaf hash by which an event's canonical bytes are known.
//
// For example a truck whose events 1, 2 and 5 have come has Contiguous 2 and one
// gap, [3, 5). When 4 comes the gap shrinks to [3, 4).
package chain

import (
	"crypto/sha256"
	"slices"
)

// LeafHash returns SHA-256 of a zero byte and the canonical bytes: the leaf hash
// of RFC 6962, section 2.1.
func LeafHash(canonical []byte) [32]byte {
	h := sha256.New()
	h.Write([]byte{0})
	h.Write(canonical)
	var sum [32]byte
	h.Sum(sum[:0])
	return sum
}

// Gap is a half-open range of sequence numbers that have not come.
type Gap struct{ From, To uint64 }

// Sequence tracks which numbers of one source have come. The zero value has seen
// nothing. Adding costs O(log g) for g gaps.
type Sequence struct {
	next uint64 // one above the highest seen; 0 means nothing seen
	gaps []Gap  // ascending, disjoint
}

// UpTo returns a Sequence in which 1 to highest have all come.
func UpTo(highest uint64) *Sequence { return &Sequence{next: highest + 1} }

// Add notes that seq (from 1) has come and reports whether it is new.
func (s *Sequence) Add(seq uint64) bool {
	if s.next == 0 {
		s.next = 1
	}
	if seq >= s.next {
		if seq > s.next {
			s.gaps = append(s.gaps, Gap{s.next, seq})
		}
		s.next = seq + 1
		return true
	}
	i, found := slices.BinarySearchFunc(s.gaps, seq, func(g Gap, seq uint64) int {
		switch {
		case g.To <= seq:
			return -1
		case g.From > seq:
			return 1
		}
		return 0
	})
	if !found {
		return false
	}
	s.fill(i, seq)
	return true
}

// fill takes seq out of gap i.
func (s *Sequence) fill(i int, seq uint64) {
	g := s.gaps[i]
	left, right := Gap{g.From, seq}, Gap{seq + 1, g.To}
	switch {
	case left.From < left.To && right.From < right.To:
		s.gaps[i] = left
		s.gaps = slices.Insert(s.gaps, i+1, right)
	case left.From < left.To:
		s.gaps[i] = left
	case right.From < right.To:
		s.gaps[i] = right
	default:
		s.gaps = slices.Delete(s.gaps, i, i+1)
	}
}

// Highest returns the highest number seen, 0 when none.
func (s *Sequence) Highest() uint64 {
	if s.next == 0 {
		return 0
	}
	return s.next - 1
}

// Contiguous returns the highest number up to which none is missing.
func (s *Sequence) Contiguous() uint64 {
	if len(s.gaps) > 0 {
		return s.gaps[0].From - 1
	}
	return s.Highest()
}

// Gaps returns the missing ranges in ascending order.
func (s *Sequence) Gaps() []Gap { return slices.Clone(s.gaps) }
