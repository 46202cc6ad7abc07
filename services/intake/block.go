package intake

import (
	"context"
	"fmt"
	"maps"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/services/audit"
	"spoilbook/services/ledger"
)

// known is what a source has in the ledger or earlier in the block.
type known struct {
	byID  map[string]ledger.Known
	bySeq map[uint64]ledger.Known
}

// draft is a block being made, with the state that holds once it is stored.
type draft struct {
	ledger.Block
	tree     *audit.Tree
	counts   map[events.Source]*receipt
	accepted []*judged

	heldAlready uint64 // messages that the quarantine holds byte for byte
}

// block gives each message its fate. Nothing of the intake's state changes before
// the block is stored.
func (in *Intake) block(ctx context.Context, js []judged) (*draft, error) {
	ledgerHas, err := in.lookup(ctx, js)
	if err != nil {
		return nil, err
	}
	d := &draft{counts: map[events.Source]*receipt{}}
	d.Stream, d.FirstSeq, d.LastSeq, d.At = in.Stream, js[0].StreamSeq, js[len(js)-1].StreamSeq, in.Now()
	newTrucks := map[events.TruckID]bool{}
	for i := range js {
		// What a block that was cut off has quarantined has its entry already.
		if j := &js[i]; !in.quarantined[j.StreamSeq] {
			in.decide(j, ledgerHas, newTrucks, d)
		}
	}
	if err := in.settleRefused(ctx, js, d); err != nil {
		return nil, err
	}
	if err := in.place(d); err != nil {
		return nil, err
	}
	for _, c := range d.counts {
		d.Duplicates += uint64(c.Duplicates)
	}
	d.Duplicates += d.heldAlready
	return d, nil
}

// decide settles one message against the ledger and the block so far.
func (in *Intake) decide(j *judged, ledgerHas map[events.Source]known, newTrucks map[events.TruckID]bool, d *draft) {
	if j.refusal != nil {
		return
	}
	e, has := &j.event, ledgerHas[j.event.Source]
	count := d.count(e.Source)
	if k, ok := has.byID[e.ID]; ok {
		switch {
		case k.Hash != j.hash:
			j.refusal = &refusal{RefuseOtherBody, fmt.Sprintf("id %s of %s is at position %s with other content; an entry is changed by entry.corrected, never by sending it again", e.ID, e.Source, orThisBlock(k.Position))}
		case k.Stream != in.Stream || k.StreamSeq != j.StreamSeq:
			count.Duplicates++
		}
		return
	}
	if k, ok := has.bySeq[e.Seq]; ok {
		j.refusal = &refusal{RefuseNumberTaken, fmt.Sprintf("number %d of %s is taken by id %s at position %s; a source counts each number once", e.Seq, e.Source, k.ID, orThisBlock(k.Position))}
		return
	}
	if e.Truck != "" && !in.knownBefore(e.Truck, j.StreamSeq) && !newTrucks[e.Truck] && !neverRefused(e.Kind()) {
		j.refusal = &refusal{RefuseUnknownTruck, fmt.Sprintf("subject: found %q; allowed: a truck of the register; add it, then release this entry", e.Truck)}
		return
	}
	if truck, ok := revisedTruck(e); ok {
		newTrucks[truck] = true
	}
	k := ledger.Known{ID: e.ID, Seq: e.Seq, Stream: in.Stream, StreamSeq: j.StreamSeq, Hash: j.hash}
	has.byID[e.ID], has.bySeq[e.Seq] = k, k
	count.Recorded++
	d.accepted = append(d.accepted, j)
}

// knownBefore reports whether the register knew a truck before a message.
func (in *Intake) knownBefore(truck events.TruckID, message uint64) bool {
	named, ok := in.trucks[truck]
	return ok && named < message
}

func orThisBlock(position uint64) string {
	if position == 0 {
		return "(just received)"
	}
	return fmt.Sprint(position)
}

// settleRefused makes quarantine entries of the refused messages, in stream order.
// A message whose bytes the quarantine holds already needs no second entry.
func (in *Intake) settleRefused(ctx context.Context, js []judged, d *draft) error {
	var refused []*judged
	var hashes [][32]byte
	for i := range js {
		if j := &js[i]; j.refusal != nil && !in.quarantined[j.StreamSeq] {
			refused, hashes = append(refused, j), append(hashes, chain.LeafHash(j.Body))
		}
	}
	if len(refused) == 0 {
		return nil
	}
	held, err := in.Store.QuarantinedBodies(ctx, hashes)
	if err != nil {
		return err
	}
	entry := in.entry
	for i, j := range refused {
		if held[hashes[i]] {
			d.heldAlready++
			continue
		}
		held[hashes[i]] = true
		entry++
		d.Quarantined = append(d.Quarantined, ledger.Quarantined{Entry: entry, Received: j.Received, Stream: d.Stream, Hash: hashes[i],
			StreamSeq: j.StreamSeq, Subject: j.Subject, Code: j.refusal.code, Reason: j.refusal.reason, Body: j.Body, State: "held"})
		if j.event.Source != "" {
			c := d.count(j.event.Source)
			c.Quarantined = append(c.Quarantined, quarantineNote{ID: j.event.ID, Entry: entry, Code: j.refusal.code})
		}
	}
	return nil
}

// place gives positions in the order of the stream, wherever blocks end, so that a
// store made anew from the same stream has the same positions and the same root.
func (in *Intake) place(d *draft) error {
	tree, err := in.tree.Clone()
	if err != nil {
		return err
	}
	position, at := in.position, d.At.Truncate(time.Millisecond)
	for _, j := range d.accepted {
		position++
		e := &j.event
		d.Records = append(d.Records, ledger.Record{Position: position, Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(),
			Truck: e.Truck, Job: e.Job, Operator: e.Operator, Occurred: e.Occurred, Recorded: at,
			Stream: d.Stream, StreamSeq: j.StreamSeq, Body: j.canonical, Hash: j.hash})
		if err := tree.Append(j.hash); err != nil {
			return err
		}
	}
	d.tree, d.Position, d.Frontier = tree, position, tree.State()
	d.Root, err = tree.Root()
	return err
}

// lookup asks the store what it has under the ids of the messages, and under the
// numbers that are not above all that have come.
func (in *Intake) lookup(ctx context.Context, js []judged) (map[events.Source]known, error) {
	type ask struct {
		truck events.TruckID
		ids   []string
		seqs  []uint64
	}
	asks := map[events.Source]*ask{}
	for i := range js {
		j := &js[i]
		if j.refusal != nil {
			continue
		}
		s := j.event.Source
		if asks[s] == nil {
			asks[s] = &ask{}
			if class, name, _ := s.Split(); class == "truck" {
				asks[s].truck = events.TruckID(name)
			}
		}
		seq := in.sources[s]
		if seq == nil {
			continue // nothing of this source has come
		}
		asks[s].ids = append(asks[s].ids, j.event.ID)
		if j.event.Seq <= seq.Highest() {
			asks[s].seqs = append(asks[s].seqs, j.event.Seq)
		}
	}
	out := make(map[events.Source]known, len(asks))
	for s, a := range asks {
		k := known{byID: map[string]ledger.Known{}, bySeq: map[uint64]ledger.Known{}}
		found, err := in.Store.Lookup(ctx, s, a.truck, a.ids, a.seqs)
		if err != nil {
			return nil, err
		}
		for _, f := range found {
			k.byID[f.ID], k.bySeq[f.Seq] = f, f
		}
		out[s] = k
	}
	return out, nil
}

// adopt makes the draft's state the intake's, once the block is stored.
func (in *Intake) adopt(d *draft) {
	in.handled, in.position, in.tree = d.LastSeq, d.Position, d.tree
	in.entry += uint64(len(d.Quarantined))
	// The next block still needs what this one did not reach.
	maps.DeleteFunc(in.quarantined, func(seq uint64, _ bool) bool { return seq <= in.handled })
	for _, j := range d.accepted {
		s := j.event.Source
		if in.sources[s] == nil {
			in.sources[s] = &chain.Sequence{}
		}
		in.sources[s].Add(j.event.Seq)
		in.learn(&j.event, j.StreamSeq)
	}
	for s := range d.counts {
		in.owed[s] = true
	}
}
