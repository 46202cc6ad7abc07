// Package intake carries messages from the broker to the store: it decodes and
// judges each one, gives positions, stores a block, and only then acknowledges.
//
// Every message meets one fate. Recorded: it is new and gets the next position.
// Duplicate: the ledger has the same bytes under the same source and id, or the
// quarantine still holds the same bytes.
// Quarantined: it can not be read, contradicts what is recorded, or names a truck
// that the register does not know; it is kept whole with its reason. For example,
// of three messages of truck TM-01 with number 7 (twice the same, once with
// another body) the first is recorded, the second is a duplicate and the third is
// quarantined as "same-id-other-body".
//
// Positions follow the stream: a store that is lost and made anew from the same
// stream has the same positions and the same Merkle root. A source's own order is
// that of its numbers; receipts and reports go by it, in whatever order they came.
//
// An emergency stop is never refused for its clock or its truck. The intake keeps
// no state that it could lose: what it needs it reads from the store when it
// starts, and it goes on after the last message whose fate is stored.
package intake

import (
	"context"
	"fmt"
	"log/slog"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/services/audit"
	"spoilbook/services/ledger"
)

// Feed gives messages in stream order, each once, and takes acknowledgements.
type Feed interface {
	Fetch(ctx context.Context, limit int, wait time.Duration) ([]ledger.Delivery, error)
	Ack(ctx context.Context, upTo uint64) error
}

// Store is where blocks go and what is known comes from.
type Store interface {
	Append(ctx context.Context, b *ledger.Block) error
	Head(ctx context.Context) (ledger.Head, error)
	Handled(ctx context.Context, stream string) (uint64, error)
	Frontier(ctx context.Context) (position uint64, state []byte, err error)
	Hashes(ctx context.Context, first, last uint64) ([][32]byte, error)
	Lookup(ctx context.Context, source events.Source, truck events.TruckID, ids []string, seqs []uint64) ([]ledger.Known, error)
	QuarantinedBodies(ctx context.Context, hashes [][32]byte) (map[[32]byte]bool, error)
	QuarantineState(ctx context.Context, stream string, handled uint64) (last uint64, seqs []uint64, err error)
	Sources(ctx context.Context) ([]ledger.SourceState, error)
	Numbers(ctx context.Context, source events.Source) ([]uint64, error)
	Revisions(ctx context.Context) ([]ledger.Record, error)
}

// Receipts tells sources what was recorded.
type Receipts interface {
	PublishReceipt(ctx context.Context, source string, body []byte) error
	// LastReceipts returns the last receipt of each of the sources that has one.
	LastReceipts(ctx context.Context, sources []string) (map[string][]byte, error)
}

// Config is what an intake is made of.
type Config struct {
	Store    Store
	Receipts Receipts // may be nil
	Stream   string   // the stream with its creation time, as the store knows it
	Now      func() time.Time
	Logger   *slog.Logger
	Observe  func(Progress) // called after each block; may be nil

	// Pause waits between two tries; an error from it ends the trying. Nil waits
	// by the machine's clock until the context ends.
	Pause func(ctx context.Context, d time.Duration) error

	Batch int           // messages a block; 0 means 4096
	Wait  time.Duration // for a batch to fill; 0 means 20 ms
}

// Progress is what one block did.
type Progress struct {
	Recorded, Duplicates, Quarantined int
	Position                          uint64
	FirstSeq, StreamSeq               uint64        // first and last message
	Lag                               time.Duration // from the broker's clock to the store
	At                                time.Time     // of the block
	Sources                           map[events.Source]SourceProgress
	Refused                           map[string]int // quarantined, by code
}

// Intake holds what is needed to judge the next message.
type Intake struct {
	Config
	handled     uint64
	position    uint64
	stored      ledger.Head // when the intake began
	entry       uint64      // last quarantine entry
	tree        *audit.Tree
	sources     map[events.Source]*chain.Sequence
	trucks      map[events.TruckID]uint64 // of the register, with the message of the stream that named each; 0 for one before it
	quarantined map[uint64]bool           // stream sequences of a block that was cut off
	owed        map[events.Source]bool
}

// New reads what the store knows of the stream and returns an intake that goes on
// after the last message whose fate is stored; its caller feeds it from
// Handled()+1.
func New(ctx context.Context, c Config) (*Intake, error) {
	if c.Batch <= 0 {
		c.Batch = 4096
	}
	if c.Wait <= 0 {
		c.Wait = 20 * time.Millisecond
	}
	if c.Now == nil {
		c.Now = time.Now
	}
	if c.Pause == nil {
		c.Pause = wait
	}
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	in := &Intake{Config: c, sources: map[events.Source]*chain.Sequence{}, trucks: map[events.TruckID]uint64{},
		quarantined: map[uint64]bool{}, owed: map[events.Source]bool{}}
	for _, step := range []func(context.Context) error{in.recoverProgress, in.recoverTree, in.recoverSources, in.recoverTrucks} {
		if err := step(ctx); err != nil {
			return nil, fmt.Errorf("start intake: %w", err)
		}
	}
	return in, nil
}

// Handled returns the last stream sequence whose fate is stored.
func (in *Intake) Handled() uint64 { return in.handled }

// Position returns the last position given.
func (in *Intake) Position() uint64 { return in.position }

func (in *Intake) recoverProgress(ctx context.Context) error {
	var err error
	if in.handled, err = in.Store.Handled(ctx, in.Stream); err != nil {
		return err
	}
	head, err := in.Store.Head(ctx)
	if err != nil {
		return err
	}
	in.position, in.stored = head.Position, head
	last, seqs, err := in.Store.QuarantineState(ctx, in.Stream, in.handled)
	if err != nil {
		return err
	}
	in.entry = last
	for _, seq := range seqs {
		in.quarantined[seq] = true
	}
	return nil
}

// recoverTree restores the Merkle tree from the last complete block and adds the
// records that a cut-off block left behind it.
func (in *Intake) recoverTree(ctx context.Context) error {
	at, state, err := in.Store.Frontier(ctx)
	if err != nil {
		return err
	}
	if in.tree, err = audit.Restore(at, state); err != nil {
		return err
	}
	root, err := in.tree.Root()
	if err != nil {
		return err
	}
	switch {
	case at != in.stored.RootPosition:
		return fmt.Errorf("the ledger went from position %d to %d meanwhile: another intake writes to it", in.stored.RootPosition, at)
	case at > 0 && root != in.stored.Root:
		return ledger.Fail(ledger.Damaged, "the Merkle tree stored at position %d has the root %x, its block says %x; check the store with spoilbook rebuild, and restore it from a backup", at, root, in.stored.Root)
	}
	const chunk = 100_000
	for at < in.position {
		last := min(at+chunk, in.position)
		hashes, err := in.Store.Hashes(ctx, at+1, last)
		if err != nil {
			return err
		}
		for _, h := range hashes {
			if err := in.tree.Append(h); err != nil {
				return err
			}
		}
		at = last
	}
	return nil
}

func (in *Intake) recoverSources(ctx context.Context) error {
	states, err := in.Store.Sources(ctx)
	if err != nil {
		return err
	}
	for _, st := range states {
		if st.Count == st.Highest {
			in.sources[st.Source] = chain.UpTo(st.Highest)
			continue
		}
		numbers, err := in.Store.Numbers(ctx, st.Source)
		if err != nil {
			return err
		}
		in.sources[st.Source] = &chain.Sequence{}
		for _, n := range numbers {
			in.sources[st.Source].Add(n)
		}
	}
	return nil
}

func (in *Intake) recoverTrucks(ctx context.Context) error {
	revisions, err := in.Store.Revisions(ctx)
	if err != nil {
		return err
	}
	for i := range revisions {
		j := judge(ledger.Delivery{Body: revisions[i].Body})
		if j.refusal != nil {
			return fmt.Errorf("position %d can not be read: %s", revisions[i].Position, j.refusal.reason)
		}
		named := uint64(0)
		if revisions[i].Stream == in.Stream {
			named = revisions[i].StreamSeq
		}
		in.learn(&j.event, named)
	}
	return nil
}

// learn notes a truck that a register revision names, and the message that named
// it first: a block that was cut off can leave the register ahead of messages that
// are still to be judged, and these must fare as they would have.
func (in *Intake) learn(e *events.Event, named uint64) {
	truck, ok := revisedTruck(e)
	if !ok {
		return
	}
	if first, known := in.trucks[truck]; !known || named < first {
		in.trucks[truck] = named
	}
}

// revisedTruck returns the truck that a register revision names.
func revisedTruck(e *events.Event) (events.TruckID, bool) {
	r, ok := e.Body.(events.RegisterRevised)
	if !ok || r.Document.Register() != events.TruckRegister {
		return "", false
	}
	return events.TruckID(r.Key), true
}
