package timesplit

import (
	"slices"

	"spoilbook/events"
)

// sweep cuts a shift at every bound of a segment or claim and gives each piece to
// the claim of lowest rank, the earlier of two equals. segments fill the shift in
// order; claims are sorted by start and lie inside it. It costs the number of
// bounds times the claims open at once.
func sweep(s *Shift, segments, claims []claim) []Slice {
	out := []Slice{}
	bounds := boundsOf(segments, claims)
	active := []*claim{}
	var before *claim
	seg, next := 0, 0
	for i := 0; i+1 < len(bounds); i++ {
		from, to := bounds[i], bounds[i+1]
		for next < len(claims) && !from.Before(claims[next].from) {
			active = append(active, &claims[next])
			next++
		}
		active = slices.DeleteFunc(active, func(c *claim) bool { return !from.Before(c.to) })
		for !from.Before(segments[seg].to) {
			seg++
		}
		winner := &segments[seg]
		for _, c := range active {
			if c.rank < winner.rank {
				winner = c
			}
		}
		piece := s.sliceOf(winner, &segments[seg], from, to)
		if n := len(out); n > 0 && before == winner && out[n-1].Job == piece.Job && out[n-1].Visit == piece.Visit {
			out[n-1].To = to
			continue
		}
		out, before = append(out, piece), winner
	}
	return out
}

// boundsOf returns the distinct bounds in order.
func boundsOf(segments, claims []claim) []events.Time {
	bounds := make([]events.Time, 0, 2*(len(segments)+len(claims)))
	for _, list := range [][]claim{segments, claims} {
		for i := range list {
			bounds = append(bounds, list[i].from, list[i].to)
		}
	}
	slices.SortStableFunc(bounds, compareTimes)
	return slices.CompactFunc(bounds, func(a, b events.Time) bool { return a.UnixMS == b.UnixMS })
}

// sliceOf is the piece of time that claim c won over the ground it lies on.
func (s *Shift) sliceOf(c, ground *claim, from, to events.Time) Slice {
	piece := Slice{Activity: c.activity, Part: c.part, From: from, To: to, Job: c.job, Visit: c.visit, Dump: c.dump,
		Cause: c.cause, Side: c.side, Positions: c.cites}
	switch {
	case c.rank == baseRank:
	case c.dump >= 0:
		piece.Job, piece.Visit = s.Dumps[c.dump].Job, s.Dumps[c.dump].Visit
	case c.job == "" || c.job == ground.job:
		piece.Job, piece.Visit = ground.job, ground.visit
	default:
		piece.Visit = s.visitFor(c.job, from)
	}
	return piece
}

// visitFor returns the latest visit to a job's site begun by time t, or -1.
func (s *Shift) visitFor(job events.JobID, t events.Time) int {
	found := -1
	for i := range s.Visits {
		if s.Visits[i].Job == job && !t.Before(s.Visits[i].Arrived) {
			found = i
		}
	}
	return found
}
