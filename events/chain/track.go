package chain

import "slices"

// Missing is a range of numbers that have not come, and when that was first seen:
// when the first event beyond it was recorded.
type Missing struct {
	Gap
	SinceMS int64
}

// Late is a range of numbers that came after a higher one. They were missing since
// SinceMS; the first of the range was recorded at FirstMS and the last at LastMS.
type Late struct {
	Gap
	SinceMS, FirstMS, LastMS int64
}

// MaxLate is how many late ranges a Track keeps, the newest ones.
const MaxLate = 100

// Track follows the numbers of one source in the order in which the ledger
// recorded them, which is that of their positions, and knows since when each
// missing one is missing and when each late one came. Times are Unix milliseconds
// by the ledger's clock. The zero value has seen nothing.
//
// For example, when 1, 2 and 5 are recorded at 10:00 and 4 at 10:20, then 3 is
// missing since 10:00, and 4 came 20 minutes late.
//
// It keeps one entry for each gap that is open and at most MaxLate for those that
// were filled, however many numbers came.
type Track struct {
	next      uint64 // one above the highest seen; 0 means nothing seen
	open      []Missing
	late      []Late
	lateCount uint64
	longestMS int64
}

// InOrder notes that every number above the highest so far, up to last, has come
// right after the one before it. It does nothing when last is not higher.
func (t *Track) InOrder(last uint64) { t.next = max(t.next, last+1) }

// Arrive notes that seq (from 1) was recorded, after all that were noted before,
// and reports whether it is new. It costs O(log g) for g open gaps.
func (t *Track) Arrive(seq uint64, atMS int64) bool {
	t.next = max(t.next, 1)
	if seq >= t.next {
		if seq > t.next {
			t.open = append(t.open, Missing{Gap{t.next, seq}, atMS})
		}
		t.next = seq + 1
		return true
	}
	i, found := slices.BinarySearchFunc(t.open, seq, func(m Missing, seq uint64) int { return m.compare(seq) })
	if !found {
		return false
	}
	t.came(seq, t.open[i].SinceMS, atMS)
	t.fill(i, seq)
	return true
}

// compare is negative when the gap lies below seq, 0 when it holds it.
func (g Gap) compare(seq uint64) int {
	switch {
	case g.To <= seq:
		return -1
	case g.From > seq:
		return 1
	}
	return 0
}

// fill takes seq out of gap i; what is left of it is missing as long as before.
func (t *Track) fill(i int, seq uint64) {
	m := t.open[i]
	var left []Missing
	for _, g := range []Gap{{m.From, seq}, {seq + 1, m.To}} {
		if g.From < g.To {
			left = append(left, Missing{g, m.SinceMS})
		}
	}
	t.open = slices.Replace(t.open, i, i+1, left...)
}

// came notes a late number, in the range of the one that came before it where they
// are neighbours that were missed at the same time.
func (t *Track) came(seq uint64, sinceMS, atMS int64) {
	t.lateCount++
	t.longestMS = max(t.longestMS, atMS-sinceMS)
	if n := len(t.late); n > 0 && t.late[n-1].SinceMS == sinceMS {
		last := &t.late[n-1]
		switch {
		case last.To == seq:
			last.To, last.LastMS = seq+1, atMS
			return
		case last.From == seq+1:
			last.From, last.LastMS = seq, atMS
			return
		}
	}
	if len(t.late) == MaxLate {
		t.late = slices.Delete(t.late, 0, 1)
	}
	t.late = append(t.late, Late{Gap{seq, seq + 1}, sinceMS, atMS, atMS})
}

// Highest returns the highest number seen, 0 when none.
func (t *Track) Highest() uint64 { return max(t.next, 1) - 1 }

// Through returns the highest number up to which none is missing.
func (t *Track) Through() uint64 {
	if len(t.open) > 0 {
		return t.open[0].From - 1
	}
	return t.Highest()
}

// Missing returns the ranges that have not come, in ascending order.
func (t *Track) Missing() []Missing { return slices.Clone(t.open) }

// MissingNumbers counts the numbers that have not come.
func (t *Track) MissingNumbers() (n uint64) {
	for _, m := range t.open {
		n += m.To - m.From
	}
	return n
}

// Late returns the newest ranges that came late, at most MaxLate, in the order in
// which they came.
func (t *Track) Late() []Late { return slices.Clone(t.late) }

// LateNumbers counts the numbers that came late, and returns the longest time that
// one of them was missing.
func (t *Track) LateNumbers() (n uint64, longestMS int64) { return t.lateCount, t.longestMS }
