package ledger

import (
	"cmp"
	"context"
	"crypto/sha256"
	"slices"

	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/audit"
)

// events reads every event in the order of its position.
func (k *checking) events(ctx context.Context, p *CheckPart) error {
	p.Says = "events with their hashes, columns, roots and frontiers"
	slices.SortStableFunc(k.made, func(a, b blockOf) int {
		return cmp.Compare(a.position, b.position)
	})
	tree, err := audit.Restore(0, nil)
	if err != nil {
		return err
	}
	if err := k.holdTree(tree); err != nil {
		return err
	}
	for p.Checked < k.head.Position {
		page, err := k.Store.Records(ctx, p.Checked, k.head.Position)
		if err != nil {
			return err
		}
		for i := range page {
			if err := k.event(&page[i], tree); err != nil {
				return err
			}
			p.Checked++
		}
		k.Progress(p.Part, p.Checked, k.head.Position)
	}
	k.root, err = tree.Root()
	return err
}

// event holds one event against everything that is stored of it.
func (k *checking) event(r *Record, tree *audit.Tree) error {
	e, err := verify(r)
	if err != nil {
		return err
	}
	canonical, err := wire.Encode(&e)
	if err != nil || chain.LeafHash(canonical) != r.Hash {
		return Fail(Damaged, "the event at position %d is not stored in its canonical form", r.Position)
	}
	if !sameColumns(&e, r) {
		return Fail(Damaged, "the columns of position %d do not say what its event says", r.Position)
	}
	if err := k.placed(r); err != nil {
		return err
	}
	if err := tree.Append(r.Hash); err != nil {
		return err
	}
	return k.holdTree(tree)
}

// placed holds the columns that no event says against the block that stored it:
// the stream, the message of it, and when it was recorded. A block that was cut off
// stored its events without a line of its own; they only have to be in order.
func (k *checking) placed(r *Record) error {
	n := k.streams[r.Stream]
	if n == nil && len(k.made) > 0 && r.Position <= k.made[len(k.made)-1].position {
		return Fail(Damaged, "position %d is of the stream %q, which no block is of", r.Position, r.Stream)
	}
	if n != nil {
		if r.StreamSeq <= n.lastSeq {
			return Fail(Damaged, "position %d is message %d of %s, behind message %d", r.Position, r.StreamSeq, r.Stream, n.lastSeq)
		}
		n.lastSeq = r.StreamSeq
		if r.StreamSeq <= n.handled {
			n.recorded++
		}
	}
	i, _ := slices.BinarySearchFunc(k.made, r.Position, func(b blockOf, at uint64) int { return cmp.Compare(b.position, at) })
	if i == len(k.made) || r.Position <= k.made[i].position-k.made[i].recorded {
		return nil
	}
	b := &k.made[i]
	if r.Stream != b.stream || r.StreamSeq < b.first || r.StreamSeq > b.last {
		return Fail(Damaged, "position %d is message %d of %s, but its block has messages %d to %d of %s", r.Position, r.StreamSeq, r.Stream, b.first, b.last, b.stream)
	}
	if r.Recorded.UnixMilli() != b.atMS {
		return Fail(Damaged, "position %d says it was recorded at %s, its block at another time", r.Position, r.Recorded.UTC())
	}
	return nil
}

// holdTree holds the tree against the block that ends where it stands.
func (k *checking) holdTree(tree *audit.Tree) error {
	at := tree.Size()
	want, ok := k.ends[at]
	if !ok {
		return nil
	}
	root, err := tree.Root()
	if err != nil {
		return err
	}
	if root != want.root {
		return Fail(Damaged, "the Merkle root over the first %d events is %x, and was %x when they were stored", at, root, want.root)
	}
	if sha256.Sum256(tree.State()) != want.frontier {
		return Fail(Damaged, "the frontier of the Merkle tree stored at position %d is not the tree's", at)
	}
	return nil
}

// quarantine reads every message that is kept whole, and every settlement.
func (k *checking) quarantine(ctx context.Context, p *CheckPart) error {
	p.Says = "quarantined messages with their hashes and settlements"
	for {
		page, err := k.Store.Entries(ctx, p.Checked)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			break
		}
		for i := range page {
			q := &page[i]
			if chain.LeafHash(q.Body) != q.Hash {
				return Fail(Damaged, "quarantine entry %d is not what was kept: its bytes do not match its hash", q.Entry)
			}
			k.bodies[q.Hash] = true
			if n := k.streams[q.Stream]; n != nil && q.StreamSeq <= n.handled {
				n.quarantined++
			}
			p.Checked++
		}
		k.Progress(p.Part, p.Checked, p.Checked)
	}
	for after := uint64(0); ; {
		page, err := k.Store.Settlements(ctx, after)
		if err != nil || len(page) == 0 {
			return err
		}
		for _, s := range page {
			if s.Entry == 0 || s.Entry > p.Checked || s.Action != "released" && s.Action != "dismissed" || s.Author == "" {
				return Fail(Damaged, "quarantine entry %d is settled as %q by %q; there are %d entries", s.Entry, s.Action, s.Author, p.Checked)
			}
			after = s.Entry
		}
	}
}

// checkChunk is how many messages of the stream are compared at a time.
const checkChunk = 20_000

// stream reads every message that the broker has.
func (k *checking) stream(ctx context.Context, p *CheckPart) error {
	p.Says = "messages of the broker that are what the store has of them"
	s := k.Standing
	for first := max(s.First, 1); first <= min(s.Last, s.Handled); {
		last := min(first+checkChunk-1, s.Last, s.Handled)
		lines, err := k.Store.StreamLines(ctx, s.Stream, first, last)
		if err != nil {
			return err
		}
		err = CompareLines(ctx, k.Stream, first, last, lines, func(d Delivery) error { return k.duplicate(ctx, &d) })
		if err != nil {
			return err
		}
		p.Checked += last - first + 1
		k.Progress(p.Part, last, s.Handled)
		first = last + 1
	}
	return nil
}

// duplicate holds a message of which nothing is kept against what it repeats.
func (k *checking) duplicate(ctx context.Context, d *Delivery) error {
	if k.bodies[chain.LeafHash(d.Body)] {
		return nil
	}
	j, err := wire.Decode(d.Body)
	if err == nil {
		var canonical []byte
		if canonical, err = wire.Encode(&j); err == nil {
			known, lookupErr := k.Store.Lookup(ctx, j.Source, "", []string{j.ID}, nil)
			if lookupErr != nil {
				return lookupErr
			}
			for _, have := range known {
				if have.Hash == chain.LeafHash(canonical) {
					return nil
				}
			}
		}
	}
	return Fail(Damaged, "message %d of the broker's stream counts as a duplicate, but the ledger has nothing with its bytes; %s", d.StreamSeq, callRepairBroker)
}
