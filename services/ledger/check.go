package ledger

import (
	"context"
	"crypto/sha256"
	"fmt"

	"spoilbook/events"
	"spoilbook/reports/tank"
)

// CheckStore is what a check reads of a store, page by page.
type CheckStore interface {
	Store
	StreamEnds(ctx context.Context) ([]StreamEnd, error)
	BlockLines(ctx context.Context, stream string, after, upTo uint64) ([]BlockLine, error)
	Records(ctx context.Context, after, upTo uint64) ([]Record, error)
	Entries(ctx context.Context, after uint64) ([]Quarantined, error)
	Settlements(ctx context.Context, after uint64) ([]SettledEntry, error)
	Adoptions(ctx context.Context) (Adoptions, error)
	StreamLines(ctx context.Context, stream string, first, last uint64) ([]StreamLine, error)
	Lookup(ctx context.Context, source events.Source, truck events.TruckID, ids []string, seqs []uint64) ([]Known, error)
}

// CheckConfig is what is checked; without a Stream the store alone is.
type CheckConfig struct {
	Store    CheckStore
	Stream   Stream
	Standing *Standing
	Progress func(part string, done, total uint64) // may be nil
}

// CheckPart is what a part of a check found.
type CheckPart struct {
	Part    string `json:"part"`
	Checked uint64 `json:"checked"`
	Says    string `json:"says"`            // what was looked at
	Wrong   string `json:"wrong,omitempty"` // the first thing that is not as it was stored
}

// Checked is what a whole check found.
type Checked struct {
	Position uint64      `json:"position"`
	Root     string      `json:"root"` // computed anew
	Parts    []CheckPart `json:"parts"`
}

// Err returns [Damaged] with the first thing wrong of each part, or nil.
func (c *Checked) Err() error {
	wrong := ""
	for _, p := range c.Parts {
		if p.Wrong != "" {
			wrong += "\n  " + p.Part + ": " + p.Wrong
		}
	}
	if wrong == "" {
		return nil
	}
	return Fail(Damaged, "check: not everything is as it was stored:%s", wrong)
}

// Check reads the whole ledger, and what the broker still has of it, and holds
// every part against every other. Unlike a start it has no bound. Its parts:
//
//   - blocks: the blocks of each stream follow one another without a gap
//   - events: every event against its hash, its columns, its block, and the Merkle
//     root and frontier stored with every block
//   - fates: the messages of each stream are as many as were recorded, quarantined,
//     or counted as duplicates
//   - quarantine: every message kept whole against its hash; every settlement
//   - balance: the trial balance of every truck over all time is zero
//   - standing: broker, store and high water fit each other
//   - stream: every message that the broker has against what the store has of it
//
// Damage is in the answer; an error means that the check could not be made.
func Check(ctx context.Context, c CheckConfig) (Checked, error) {
	// An intake that goes on meanwhile adds behind what is read first.
	upTo, err := c.Store.StreamEnds(ctx)
	if err != nil {
		return Checked{}, Wrap(StoreDown, err, "check")
	}
	head, err := c.Store.Head(ctx)
	if err != nil {
		return Checked{}, Wrap(StoreDown, err, "check")
	}
	k := &checking{CheckConfig: c, head: head, upTo: upTo, ends: map[uint64]blockEnd{}, streams: map[string]*streamCount{}, bodies: map[[32]byte]bool{}}
	if k.Progress == nil {
		k.Progress = func(string, uint64, uint64) {}
	}
	out := Checked{Position: head.Position}
	for _, part := range []struct {
		name string
		run  func(context.Context, *CheckPart) error
		when bool
	}{
		{"blocks", k.blocks, true}, {"events", k.events, true}, {"quarantine", k.quarantine, true}, {"fates", k.fates, true},
		{"balance", k.balance, true}, {"standing", k.standing, c.Standing != nil}, {"stream", k.stream, c.Stream != nil && c.Standing != nil},
	} {
		if !part.when {
			continue
		}
		p := CheckPart{Part: part.name}
		if err := part.run(ctx, &p); err != nil {
			if CodeOf(err) != Damaged {
				return out, Wrap(StoreDown, err, "check %s", part.name)
			}
			p.Wrong = err.Error()
		}
		out.Parts = append(out.Parts, p)
	}
	out.Root = hexOf(k.root)
	return out, nil
}

// blockEnd is what a block says of the tree where it ends.
type blockEnd struct{ root, frontier [32]byte }

// blockOf is what is needed to hold events against their block.
type blockOf struct {
	stream             string
	first, last        uint64
	position, recorded uint64
	atMS               int64
}

// streamCount counts the messages of a stream by their fates.
type streamCount struct {
	first, handled                    uint64
	recorded, duplicates, quarantined uint64
	lastSeq                           uint64 // of its last event
}

// checking is a check under way.
type checking struct {
	CheckConfig
	head    Head
	upTo    []StreamEnd
	root    [32]byte
	ends    map[uint64]blockEnd
	made    []blockOf // blocks that recorded something, by position
	streams map[string]*streamCount
	order   []string
	bodies  map[[32]byte]bool // of quarantine
}

// blocks reads the line of every block.
func (k *checking) blocks(ctx context.Context, p *CheckPart) error {
	p.Says = "blocks follow one another"
	adoptions, err := k.Store.Adoptions(ctx)
	if err != nil {
		return err
	}
	for _, end := range k.upTo {
		begin := uint64(1)
		for _, a := range adoptions {
			if a.Stream == end.Stream {
				begin = max(begin, a.First)
			}
		}
		if err := k.streamBlocks(ctx, end, begin, p); err != nil {
			return err
		}
	}
	return nil
}

func (k *checking) streamBlocks(ctx context.Context, end StreamEnd, begin uint64, p *CheckPart) error {
	n := &streamCount{handled: end.LastSeq}
	k.streams[end.Stream], k.order = n, append(k.order, end.Stream)
	last, position := uint64(0), uint64(0)
	for last < end.LastSeq {
		page, err := k.Store.BlockLines(ctx, end.Stream, last, end.LastSeq)
		if err != nil {
			return err
		}
		if len(page) == 0 {
			return Fail(Damaged, "no block of %s ends above message %d, but one ends at %d", end.Stream, last, end.LastSeq)
		}
		for i := range page {
			b := &page[i]
			switch {
			case last == 0 && (b.FirstSeq < 1 || b.FirstSeq > begin), last > 0 && b.FirstSeq != last+1:
				return Fail(Damaged, "the block of %s that ends at message %d begins at %d; the one before it ended at %d", end.Stream, b.LastSeq, b.FirstSeq, last)
			case b.LastSeq < b.FirstSeq, b.Position < position, b.Recorded > b.Position, b.Recorded+b.Duplicates+b.Quarantined > b.LastSeq-b.FirstSeq+1:
				return Fail(Damaged, "the counts of the block of %s that ends at message %d can not be", end.Stream, b.LastSeq)
			}
			if last == 0 {
				n.first = b.FirstSeq
			}
			if err := k.keep(b); err != nil {
				return err
			}
			n.duplicates += b.Duplicates
			last, position = b.LastSeq, b.Position
			p.Checked++
		}
		k.Progress(p.Part, p.Checked, p.Checked)
	}
	return nil
}

// keep remembers what events are held against.
func (k *checking) keep(b *BlockLine) error {
	end := blockEnd{b.Root, sha256.Sum256(b.Frontier)}
	if known, ok := k.ends[b.Position]; ok && known != end {
		return Fail(Damaged, "two blocks end at position %d with different roots", b.Position)
	}
	k.ends[b.Position] = end
	if b.Recorded > 0 {
		k.made = append(k.made, blockOf{b.Stream, b.FirstSeq, b.LastSeq, b.Position, b.Recorded, b.At.UnixMilli()})
	}
	return nil
}

// fates holds the counts of every stream's messages against each other.
func (k *checking) fates(_ context.Context, p *CheckPart) error {
	p.Says = "messages have one fate each"
	for _, name := range k.order {
		n := k.streams[name]
		messages := n.handled - n.first + 1
		p.Checked += messages
		if n.recorded+n.quarantined+n.duplicates != messages {
			return Fail(Damaged, "of %d messages of %s %d are recorded, %d quarantined and %d duplicates", messages, name, n.recorded, n.quarantined, n.duplicates)
		}
	}
	return nil
}

// balance folds every truck over all time.
func (k *checking) balance(ctx context.Context, p *CheckPart) error {
	p.Says = "trucks whose accounts sum to zero"
	j, err := New(Config{Store: k.Store}).Journal(ctx, "", k.head.Position)
	if err != nil {
		return err
	}
	trucks := j.Trucks()
	for i, id := range trucks {
		var solidsG, waterG int64
		account := tank.Fold(j, id, tank.Options{})
		for _, b := range account.Balances() {
			solidsG, waterG = solidsG+b.SolidsG, waterG+b.WaterG
		}
		if solidsG != 0 || waterG != 0 {
			return Fail(Damaged, "the accounts of %s sum to %d g of solids and %d g of water instead of nothing", id, solidsG, waterG)
		}
		p.Checked++
		k.Progress(p.Part, uint64(i)+1, uint64(len(trucks)))
	}
	return nil
}

// standing holds broker and store against each other as a start does.
func (k *checking) standing(_ context.Context, p *CheckPart) error {
	p.Says = "broker, store and high water fit each other"
	p.Checked = 1
	_, err := k.Standing.Judge()
	return err
}

// String is the line of a part.
func (p CheckPart) String() string {
	if p.Wrong != "" {
		return fmt.Sprintf("%-10s  after %d: %s", p.Part, p.Checked, p.Wrong)
	}
	return fmt.Sprintf("%-10s  %d %s", p.Part, p.Checked, p.Says)
}
