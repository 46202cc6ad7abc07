package sim

import (
	"cmp"
	"context"
	"slices"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// SourceHeads returns where each source stands.
func (r reader) SourceHeads(_ context.Context, only events.Source, upTo uint64, limit int) (out []ledger.SourceHead, err error) {
	err = r.ask("source heads", func() error {
		heads := map[events.Source]*ledger.SourceHead{}
		for _, e := range r.db.sorted() {
			if e.Position > upTo || only != "" && e.Source != only {
				continue
			}
			h := heads[e.Source]
			if h == nil {
				h = &ledger.SourceHead{Source: e.Source}
				heads[e.Source] = h
			}
			h.Highest, h.Count, h.Position, h.Recorded, h.Occurred = max(h.Highest, e.Seq), h.Count+1, e.Position, e.Recorded, e.Occurred
		}
		for _, h := range heads {
			out = append(out, *h)
		}
		slices.SortFunc(out, func(a, b ledger.SourceHead) int { return cmp.Compare(a.Source, b.Source) })
		out = out[:min(len(out), limit)]
		return nil
	})
	return out, err
}

// Arrivals calls each for what was recorded out of order.
func (r reader) Arrivals(_ context.Context, source events.Source, upTo uint64, each func(ledger.Arrival)) error {
	return r.ask("arrivals", func() error {
		top := uint64(0)
		for _, e := range r.db.sorted() {
			if e.Source != source || e.Position > upTo {
				continue
			}
			if e.Seq != top+1 {
				each(ledger.Arrival{Seq: e.Seq, Top: top, Recorded: e.Recorded})
			}
			top = max(top, e.Seq)
		}
		return nil
	})
}

// ClockMS compares the clocks of a source and of the store.
func (r reader) ClockMS(_ context.Context, source events.Source, upTo uint64, last int) (ms int64, err error) {
	err = r.ask("clock", func() error {
		first := true
		for _, e := range slices.Backward(r.db.sorted()) {
			if e.Source != source || e.Position > upTo || last == 0 {
				continue
			}
			last--
			if d := e.Recorded.UnixMilli() - e.Occurred.UnixMS; first || d < ms {
				ms, first = d, false
			}
		}
		return nil
	})
	return ms, err
}
