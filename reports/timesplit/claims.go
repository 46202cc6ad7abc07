package timesplit

import (
	"cmp"
	"slices"

	"spoilbook/events"
	"spoilbook/reports"
)

// The ranks of claims: where claims overlap, the lowest rank is counted.
const (
	stoppedRank = iota
	loadingRank
	decantingRank
	tippingRank
	refillingRank
	restRank
	standbyRank
	baseRank
)

// claim is an interval that an entry, or the truck's place, claims for an
// activity.
type claim struct {
	activity events.Activity
	part     Part
	from, to events.Time
	rank     int
	job      events.JobID
	visit    int
	dump     int
	cause    string
	side     events.Attribution
	cites    []uint64
	entry    int // the entry that claims, -1 for a stop that began in another shift
}

// claims returns what the entries of shift k claim, by start.
func (d *division) claims(k int, b base) []claim {
	list := d.stopClaims(k)
	for _, i := range d.spans[k].items {
		if c, ok := d.workClaim(i, b); ok {
			list = append(list, c)
		}
	}
	list = append(list, d.pairs(k, standbys())...)
	list = append(list, d.pairs(k, rests())...)
	sp := &d.spans[k]
	kept := list[:0]
	for _, c := range list {
		c.from, c.to = later(c.from, sp.from), earlier(c.to, sp.to)
		if c.from.Before(c.to) {
			kept = append(kept, c)
		}
	}
	slices.SortStableFunc(kept, func(a, b claim) int {
		return cmp.Or(compareTimes(a.from, b.from), cmp.Compare(a.rank, b.rank), cmp.Compare(a.entry, b.entry))
	})
	return kept
}

// workClaim returns what an entry with a start and an end claims.
func (d *division) workClaim(i int, b base) (claim, bool) {
	e := &d.entries[i]
	c := claim{job: e.Job, visit: -1, dump: -1, cites: e.Positions, entry: i}
	c.from, c.to = e.Interval()
	switch e.Kind() {
	case events.KindLoadCollected:
		c.activity, c.rank = events.Loading, loadingRank
	case events.KindWaterDecanted:
		c.activity, c.rank = events.Decanting, decantingRank
	case events.KindWaterRefilled:
		c.activity, c.rank = events.Refilling, refillingRank
	case events.KindSpoilTipped:
		c.activity, c.part, c.rank, c.dump = events.FullDump, Tip, tippingRank, b.tip[i]
	default:
		return c, false
	}
	return c, true
}

// pair describes activities that one entry begins and another ends.
type pair struct {
	start, end events.Kind
	activity   events.Activity
	rank       int
	noun       string
}

func standbys() pair {
	return pair{events.KindStandbyStarted, events.KindStandbyEnded, events.Standby, standbyRank, "standby"}
}

func rests() pair {
	return pair{events.KindRestStarted, events.KindRestEnded, events.Rest, restRank, "rest"}
}

// pairs returns the claims of entries that begin and end with the kinds of p. One
// without an end ends with the next other activity or the shift.
func (d *division) pairs(k int, p pair) []claim {
	list := []claim{}
	var open *claim
	shut := func() {
		if open != nil {
			open.to = d.nextActivity(k, open.entry)
			d.find(reports.StandbyNotEnded, open.job, open.from, open.cites,
				"the %s that began %s has no end; it is taken to end %s", p.noun, moment(open.from), moment(open.to))
			list = append(list, *open)
		}
		open = nil
	}
	for _, i := range d.spans[k].items {
		switch e := &d.entries[i]; e.Kind() {
		case p.start:
			shut()
			open = &claim{activity: p.activity, rank: p.rank, from: e.Occurred, job: e.Job, visit: -1, dump: -1,
				cites: e.Positions, entry: i}
			if b, ok := e.Body.(events.StandbyStarted); ok {
				open.cause = string(b.Cause)
			}
		case p.end:
			if open == nil {
				d.unused(i, "ends no "+p.noun)
				continue
			}
			open.to = e.Occurred
			open.cites = append(slices.Clone(open.cites), e.Positions...)
			list = append(list, *open)
			open = nil
		}
	}
	shut()
	return list
}

// nextActivity returns when the first other activity after the entry at i began,
// or the end of shift k.
func (d *division) nextActivity(k, i int) events.Time {
	at := d.entries[i].Occurred
	next := d.spans[k].to
	for _, n := range d.spans[k].items {
		switch d.entries[n].Kind() {
		case events.KindStandbyEnded, events.KindRestEnded, events.KindEmergencyStopReset, events.KindPlantRestarted:
			continue
		}
		from, _ := d.entries[n].Interval()
		if at.Before(from) || from.UnixMS == at.UnixMS && n > i {
			next = earlier(next, from)
		}
	}
	return next
}

// findOverlaps notes each claim that lost time to one that began before it or to
// one of higher rank. A stop that interrupts is what stops are for: only work
// that began during one is noted.
func (d *division) findOverlaps(claims []claim) {
	active := []*claim{}
	for i := range claims {
		c := &claims[i]
		active = slices.DeleteFunc(active, func(a *claim) bool { return !c.from.Before(a.to) })
		for _, a := range active {
			if c.rank == stoppedRank {
				continue
			}
			winner, loser := a, c
			if c.rank < a.rank {
				winner, loser = c, a
			}
			end := earlier(a.to, c.to)
			cites := append(slices.Clone(winner.cites), loser.cites...)
			d.find(reports.OverlappingEntries, loser.job, c.from, cites, "%s and %s both claim %s from %s; %s is counted",
				winner.activity, loser.activity, hoursMinutes(end.UnixMS-c.from.UnixMS), moment(c.from), winner.activity)
		}
		active = append(active, c)
	}
}
