package ledger

import (
	"context"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
)

// SourceHead says where a source stands, by what was recorded last of it.
type SourceHead struct {
	Source   events.Source
	Highest  uint64 // number
	Count    uint64
	Position uint64      // of the last one recorded
	Recorded time.Time   // when that was
	Occurred events.Time // when it happened, by the source's clock
}

// Arrival is an event that was not recorded right after the number before it.
type Arrival struct {
	Seq      uint64
	Top      uint64 // the highest number recorded before it, 0 for none
	Recorded time.Time
}

// Tracker is what the store knows of sources, up to a position.
type Tracker interface {
	SourceHeads(ctx context.Context, only events.Source, upTo uint64, limit int) ([]SourceHead, error)
	// Arrivals calls each, in the order of positions.
	Arrivals(ctx context.Context, source events.Source, upTo uint64, each func(Arrival)) error
	// ClockMS returns the smallest difference, recorded less occurred, among the
	// last events of a source.
	ClockMS(ctx context.Context, source events.Source, upTo uint64, last int) (int64, error)
}

// Limits of an answer about sources.
const (
	MaxSources = 1000
	maxRanges  = 100 // of what is missing, of one source

	clockEvents = 1000
)

// SourceQuery chooses sources. The zero value is all of them at the head.
type SourceQuery struct {
	Source events.Source // just this one
	UpTo   uint64        // position; 0 is the head
}

// SourceView says what has come of a source, what has not, and what came late.
// Ranges are half-open. All times but LastOccurred are by the ledger's clock.
type SourceView struct {
	Source         events.Source  `json:"source"`
	Highest        uint64         `json:"highest" doc:"highest number recorded"`
	Count          uint64         `json:"count" doc:"events recorded"`
	Through        uint64         `json:"recordedThrough" doc:"all numbers up to here are recorded"`
	MissingNumbers uint64         `json:"missingNumbers"`
	MissingRanges  int            `json:"missingRanges" doc:"how many there are; missing has the lowest 100"`
	Missing        []MissingRange `json:"missing"`
	LateNumbers    uint64         `json:"lateNumbers" doc:"recorded after a higher number"`
	LongestLateMS  int64          `json:"longestLateMS" doc:"the longest that one of those was missing"`
	Late           []LateRange    `json:"late" doc:"the newest 100"`
	LastPosition   uint64         `json:"lastPosition"`
	LastRecorded   time.Time      `json:"lastRecorded" doc:"when something was last recorded"`
	LastOccurred   time.Time      `json:"lastOccurred" doc:"when that happened, by the source's clock"`
	ClockMS        int64          `json:"clockMS" doc:"the smallest difference, recorded less occurred, among the last 1000 events: the source's clock is behind by at most that; where it is negative, ahead by at least that"`
}

// MissingRange is a range of numbers that have not come.
type MissingRange struct {
	From  uint64    `json:"from"`
	To    uint64    `json:"to" doc:"the first one after it that came"`
	Since time.Time `json:"since" doc:"when the first event beyond it was recorded"`
}

// LateRange is a range of numbers that came after a higher one.
type LateRange struct {
	From      uint64    `json:"from"`
	To        uint64    `json:"to"`
	Since     time.Time `json:"since" doc:"when the first event beyond it was recorded"`
	FirstCame time.Time `json:"firstCame"`
	LastCame  time.Time `json:"lastCame"`
}

// LateBy returns how long the last of the range was missing.
func (l LateRange) LateBy() time.Duration { return l.LastCame.Sub(l.Since) }

// Sources says of each source, in alphabetical order, what has come and what has
// not. It holds one source's gaps in memory at a time.
func (l *Ledger) Sources(ctx context.Context, q SourceQuery) ([]SourceView, error) {
	if _, _, ok := q.Source.Split(); q.Source != "" && !ok {
		return nil, Fail(BadRequest, "source: found %q; allowed: /truck/NAME or /office/NAME", string(q.Source))
	}
	head, err := l.Head(ctx)
	if err != nil {
		return nil, err
	}
	switch {
	case q.UpTo == 0:
		q.UpTo = head.Position
	case q.UpTo > head.Position:
		return nil, Fail(NotFound, "sources: the ledger is at position %d and has no position %d", head.Position, q.UpTo)
	}
	heads, err := l.store.SourceHeads(ctx, q.Source, q.UpTo, MaxSources+1)
	switch {
	case err != nil:
		return nil, Wrap(StoreDown, err, "sources")
	case len(heads) > MaxSources:
		return nil, Fail(TooLarge, "sources: there are more than %d; ask for one", MaxSources)
	case len(heads) == 0 && q.Source != "":
		return nil, Fail(NotFound, "sources: nothing of %s is recorded", q.Source)
	}
	out := make([]SourceView, len(heads))
	for i, h := range heads {
		if out[i], err = l.source(ctx, h, q.UpTo); err != nil {
			return nil, Wrap(StoreDown, err, "source %s", h.Source)
		}
	}
	return out, nil
}

func (l *Ledger) source(ctx context.Context, h SourceHead, upTo uint64) (SourceView, error) {
	var track chain.Track
	err := l.store.Arrivals(ctx, h.Source, upTo, func(a Arrival) {
		track.InOrder(a.Top)
		track.Arrive(a.Seq, a.Recorded.UnixMilli())
	})
	if err != nil {
		return SourceView{}, err
	}
	track.InOrder(h.Highest)
	clock, err := l.store.ClockMS(ctx, h.Source, upTo, clockEvents)
	if err != nil {
		return SourceView{}, err
	}
	v := SourceView{Source: h.Source, Highest: h.Highest, Count: h.Count, Through: track.Through(), MissingNumbers: track.MissingNumbers(),
		Missing: []MissingRange{}, Late: []LateRange{}, LastPosition: h.Position, LastRecorded: h.Recorded.UTC(), LastOccurred: h.Occurred.Std().UTC(), ClockMS: clock}
	if v.Count+v.MissingNumbers != v.Highest {
		return v, Fail(Damaged, "%d events of %s are recorded and %d of its numbers are missing, but the highest is %d", v.Count, v.Source, v.MissingNumbers, v.Highest)
	}
	missing := track.Missing()
	v.MissingRanges = len(missing)
	for _, m := range missing[:min(len(missing), maxRanges)] {
		v.Missing = append(v.Missing, MissingRange{m.From, m.To, instant(m.SinceMS)})
	}
	v.LateNumbers, v.LongestLateMS = track.LateNumbers()
	for _, c := range track.Late() {
		v.Late = append(v.Late, LateRange{c.From, c.To, instant(c.SinceMS), instant(c.FirstMS), instant(c.LastMS)})
	}
	return v, nil
}

func instant(ms int64) time.Time { return time.UnixMilli(ms).UTC() }
