package sim

import (
	"cmp"
	"context"
	"slices"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// Head returns where the ledger stands, after checking that positions are dense.
func (r reader) Head(context.Context) (h ledger.Head, err error) {
	err = r.ask("head", func() error { h, err = r.db.head(); return err })
	return h, err
}

func (t *tables) head() (h ledger.Head, err error) {
	if b := t.lastBlock(); b != nil {
		h.RootPosition, h.Root, h.At = b.position, b.root, b.at
	}
	lowest := uint64(0)
	for i := range t.events {
		p := t.events[i].Position
		h.Position = max(h.Position, p)
		if lowest == 0 || p < lowest {
			lowest = p
		}
	}
	if n := uint64(len(t.events)); n != h.Position || n > 0 && lowest != 1 {
		return h, ledger.Fail(ledger.Damaged, "%d events are stored but the last position is %d and the first %d", n, h.Position, lowest)
	}
	if h.RootPosition > h.Position {
		return h, ledger.Fail(ledger.Damaged, "block lines reach position %d but only %d events are stored", h.RootPosition, h.Position)
	}
	return h, nil
}

// lastBlock returns the block line with the highest position, the latest of them.
func (t *tables) lastBlock() *blockLine {
	var last *blockLine
	for i := range t.blocks {
		if b := &t.blocks[i]; last == nil || b.position > last.position || b.position == last.position && !b.at.Before(last.at) {
			last = b
		}
	}
	return last
}

// Handled returns the last stream sequence of a complete block.
func (r reader) Handled(_ context.Context, stream string) (seq uint64, err error) {
	err = r.ask("handled", func() error { seq = r.db.handled(stream); return nil })
	return seq, err
}

func (t *tables) handled(stream string) (seq uint64) {
	for i := range t.blocks {
		if b := &t.blocks[i]; b.stream == stream {
			seq = max(seq, b.lastSeq)
		}
	}
	return seq
}

// Frontier returns the Merkle tree's state after the last complete block.
func (r reader) Frontier(context.Context) (position uint64, state []byte, err error) {
	err = r.ask("frontier", func() error {
		if b := r.db.lastBlock(); b != nil {
			position, state = b.position, b.frontier
		}
		return nil
	})
	return position, state, err
}

// Hashes returns the leaf hashes of positions first to last.
func (r reader) Hashes(_ context.Context, first, last uint64) (out [][32]byte, err error) {
	err = r.ask("hashes", func() error {
		for _, rec := range r.db.sorted() {
			if rec.Position >= first && rec.Position <= last {
				out = append(out, rec.Hash)
			}
		}
		return nil
	})
	return out, err
}

// sorted returns the events by position.
func (t *tables) sorted() []ledger.Record {
	out := slices.Clone(t.events)
	slices.SortStableFunc(out, byPosition)
	return out
}

func byPosition(a, b ledger.Record) int { return cmp.Compare(a.Position, b.Position) }

// Lookup returns what is stored of a source under ids and numbers.
func (r reader) Lookup(_ context.Context, source events.Source, _ events.TruckID, ids []string, seqs []uint64) (out []ledger.Known, err error) {
	err = r.ask("lookup", func() error {
		seen := map[int]bool{}
		add := func(rows []int) {
			for _, at := range rows {
				if !seen[at] {
					seen[at] = true
					e := &r.db.events[at]
					out = append(out, ledger.Known{ID: e.ID, Seq: e.Seq, Position: e.Position, Stream: e.Stream, StreamSeq: e.StreamSeq, Hash: e.Hash})
				}
			}
		}
		for _, id := range ids {
			add(r.db.byID[identity{source, id}])
		}
		for _, seq := range seqs {
			add(r.db.bySeq[number{source, seq}])
		}
		return nil
	})
	return out, err
}

// QuarantinedBodies returns which leaf hashes the quarantine keeps.
func (r reader) QuarantinedBodies(_ context.Context, hashes [][32]byte) (out map[[32]byte]bool, err error) {
	out = map[[32]byte]bool{}
	err = r.ask("quarantined bodies", func() error {
		for _, h := range hashes {
			if r.db.held[h] > 0 {
				out[h] = true
			}
		}
		return nil
	})
	return out, err
}

// QuarantineState returns the last entry and the sequences above handled that are
// quarantined already.
func (r reader) QuarantineState(_ context.Context, stream string, handled uint64) (last uint64, seqs []uint64, err error) {
	err = r.ask("quarantine state", func() error {
		for i := range r.db.quarantine {
			q := &r.db.quarantine[i]
			last = max(last, q.Entry)
			if q.Stream == stream && q.StreamSeq > handled {
				seqs = append(seqs, q.StreamSeq)
			}
		}
		return nil
	})
	return last, seqs, err
}

// Sources returns the state of every source.
func (r reader) Sources(context.Context) (out []ledger.SourceState, err error) {
	err = r.ask("sources", func() error {
		at := map[events.Source]int{}
		for i := range r.db.events {
			e := &r.db.events[i]
			if _, ok := at[e.Source]; !ok {
				at[e.Source] = len(out)
				out = append(out, ledger.SourceState{Source: e.Source})
			}
			s := &out[at[e.Source]]
			s.Highest, s.Count = max(s.Highest, e.Seq), s.Count+1
		}
		return nil
	})
	return out, err
}

// Numbers returns the numbers that have come from a source, ascending.
func (r reader) Numbers(_ context.Context, source events.Source) (out []uint64, err error) {
	err = r.ask("numbers", func() error {
		for i := range r.db.events {
			if e := &r.db.events[i]; e.Source == source {
				out = append(out, e.Seq)
			}
		}
		slices.Sort(out)
		return nil
	})
	return out, err
}

// Revisions returns every register revision by position.
func (r reader) Revisions(context.Context) (out []ledger.Record, err error) {
	err = r.ask("revisions", func() error {
		for i := range r.db.events {
			if e := &r.db.events[i]; e.Kind == events.KindRegisterRevised {
				out = append(out, *e)
			}
		}
		slices.SortFunc(out, byPosition)
		return nil
	})
	return out, err
}

// Find lists records by position.
func (r reader) Find(_ context.Context, q ledger.EventQuery) (out []ledger.Record, err error) {
	err = r.ask("find", func() error {
		for _, e := range r.db.sorted() {
			if e.Position > q.After && len(out) < q.Limit && (q.Source == "" || q.Source == e.Source) && (q.ID == "" || q.ID == e.ID) {
				out = append(out, e)
			}
		}
		return nil
	})
	return out, err
}

// Read calls each for the records chosen.
func (r reader) Read(_ context.Context, s ledger.Selection, each func(*ledger.Record) error) error {
	return r.ask("read", func() error {
		for i := range r.db.events {
			e := r.db.events[i]
			if e.Position > s.After && e.Position <= s.UpTo && (len(s.Trucks) == 0 || e.Truck == "" || slices.Contains(s.Trucks, e.Truck)) {
				if err := each(&e); err != nil {
					return err
				}
			}
		}
		return nil
	})
}

// Fates counts what became of the messages between two stream sequences.
func (r reader) Fates(_ context.Context, stream string, first, last uint64) (f ledger.Fates, err error) {
	err = r.ask("fates", func() error {
		in := func(s string, seq uint64) bool { return s == stream && seq >= first && seq <= last }
		for i := range r.db.events {
			if e := &r.db.events[i]; in(e.Stream, e.StreamSeq) {
				f.Recorded++
			}
		}
		for i := range r.db.quarantine {
			if q := &r.db.quarantine[i]; in(q.Stream, q.StreamSeq) {
				f.Quarantined++
				f.Entries = append(f.Entries, q.Entry)
			}
		}
		f.Position = uint64(len(r.db.events))
		f.Duplicates = last - first + 1 - f.Recorded - f.Quarantined
		return nil
	})
	return f, err
}

// Quarantine lists quarantined messages by entry.
func (r reader) Quarantine(_ context.Context, q ledger.QuarantineQuery) (out []ledger.Quarantined, err error) {
	err = r.ask("quarantine", func() error {
		for _, e := range r.db.quarantine {
			if e.Entry > q.After && (q.Entry == 0 || q.Entry == e.Entry) && len(out) < q.Limit {
				if st, ok := r.db.settled[e.Entry]; ok {
					e.State, e.Settled = st.Action, &st
				}
				out = append(out, e)
			}
		}
		return nil
	})
	return out, err
}

// Settle notes how a quarantined message was dealt with.
func (r reader) Settle(_ context.Context, entry uint64, s ledger.Settlement) error {
	return r.ask("settle", func() error {
		before, was := r.db.settled[entry]
		r.db.settled[entry] = s
		if i := r.db.entry(entry); i >= 0 && s.Action == "released" && !(was && before.Action == "released") {
			r.db.held[r.db.quarantine[i].Hash]--
		}
		return nil
	})
}

// Blocks calls each with the position and root after every block.
func (r reader) Blocks(_ context.Context, each func(position uint64, root [32]byte) error) error {
	return r.ask("blocks", func() error {
		for i := range r.db.blocks {
			if err := each(r.db.blocks[i].position, r.db.blocks[i].root); err != nil {
				return err
			}
		}
		return nil
	})
}

// Health reports whether the store answers.
func (r reader) Health(context.Context) error { return r.ask("health", func() error { return nil }) }

// entry returns the row of a quarantine entry, -1 for none.
func (t *tables) entry(entry uint64) int {
	return slices.IndexFunc(t.quarantine, func(q ledger.Quarantined) bool { return q.Entry == entry })
}
