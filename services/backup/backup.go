// Package backup copies a ledger as it was recorded, into a folder, out of one, or
// from one store to another, and says whether a copy is whole.
//
// It copies what the ledger consists of and nothing of the programs that keep it:
// the recorded rows with their positions, what is quarantined and how that was
// settled, the block lines with the roots of the Merkle tree, and which streams
// were adopted. So a backup can be restored into any store that keeps these, of
// whatever kind and version.
//
// A folder holds segments and a manifest. A segment is a file of JSON lines,
// compressed with Zstandard, and is never changed once the manifest names it. The
// manifest names every segment with its size and SHA-256, and where the ledger
// stood. It is written last and renamed into place, so that a run that is cut off
// at any step leaves the backup as it was before. For example
//
//	r, err := backup.Run(ctx, store, folder, backup.Options{Now: now})    // 5,000 events, 3 segments
//	r, err = backup.Run(ctx, store, folder, backup.Options{Now: later})   // only what is new
//	s, err := backup.Check(ctx, folder, nil)                              // every byte, hash and root
//	held, err := backup.Open(folder)
//	err = backup.Fill(ctx, held, emptyStore, backup.FillOptions{})        // the same positions, blocks and root
//
// Laws. The rows in a folder are those up to the end of one whole block, at
// whatever moment the run was begun. A run refuses a ledger whose tree does not
// extend the one the folder holds: it is another ledger, or an older copy. Check
// finds every change of any byte of a file that belongs to the backup. Whoever can
// write the folder can write another history in its place, and only a root that is
// kept elsewhere shows that.
package backup

import (
	"context"
	"encoding/hex"
	"time"

	"spoilbook/services/ledger"
)

// Source is a ledger that is read. Pages hold at least one row where there is one,
// and are in ascending order without holes.
type Source interface {
	// StreamEnds returns the last whole block of every stream, as of one moment, in
	// the order in which the streams were taken in.
	StreamEnds(ctx context.Context) ([]ledger.StreamEnd, error)
	// BlockLines returns a page of the blocks of a stream that end above the message
	// after and not above upTo.
	BlockLines(ctx context.Context, stream string, after, upTo uint64) ([]ledger.BlockLine, error)
	// Records returns a page of the records above the position after and not above upTo.
	Records(ctx context.Context, after, upTo uint64) ([]ledger.Record, error)
	// Entries returns a page of what is quarantined above the entry after.
	Entries(ctx context.Context, after uint64) ([]ledger.Quarantined, error)
	// Settlements returns a page of the decisions about entries above after, with all
	// that were made about each.
	Settlements(ctx context.Context, after uint64) ([]ledger.SettledEntry, error)
	// Adoptions returns which streams were adopted.
	Adoptions(ctx context.Context) (ledger.Adoptions, error)
}

// Target is a store that is filled, and read to see that it was.
type Target interface {
	Source
	Head(ctx context.Context) (ledger.Head, error)
	PutRecords(ctx context.Context, rs []ledger.Record) error
	PutEntries(ctx context.Context, qs []ledger.Quarantined) error
	PutBlockLines(ctx context.Context, bs []ledger.BlockLine) error
	PutSettlement(ctx context.Context, s ledger.SettledEntry) error
	PutAdoption(ctx context.Context, a ledger.Adoption) error
	Mark(ctx context.Context, mark, text string) error
	Marked(ctx context.Context, mark string) (string, error)
}

// Progress is told how many of the events are done. It may be nil.
type Progress func(done, total uint64)

func (p Progress) tell(done, total uint64) {
	if p != nil {
		p(done, total)
	}
}

// Options of a run.
type Options struct {
	Now      time.Time // noted in the manifest
	Progress Progress
}

// Standing is where a backup or a copy stands.
type Standing struct {
	Position uint64   // the last one held; also the number of events
	Root     [32]byte // Merkle root over them
	Entries  uint64   // quarantined messages
	Blocks   uint64
	Segments int
	Bytes    uint64 // of all segments
	Made     time.Time
}

// Result is what a run came to.
type Result struct {
	Standing
	SegmentsAdded int
	BytesAdded    uint64
}

// handled tells whether a cut has everything up to a message of a stream.
type cut map[string]uint64

func cutOf(ends []ledger.StreamEnd) cut {
	c := make(cut, len(ends))
	for _, e := range ends {
		c[e.Stream] = e.LastSeq
	}
	return c
}

func (c cut) covers(stream string, seq uint64) bool { return seq <= c[stream] }

// allSettlements reads every decision about entries up to last.
func allSettlements(ctx context.Context, src Source) ([]ledger.SettledEntry, error) {
	var out []ledger.SettledEntry
	for after := uint64(0); ; {
		page, err := src.Settlements(ctx, after)
		if err != nil || len(page) == 0 {
			return out, err
		}
		if out = append(out, page...); len(out) > maxSettlements {
			return nil, ledger.Fail(ledger.TooLarge, "the ledger has more than %d decisions about quarantined messages; a backup holds no more", maxSettlements)
		}
		if last := page[len(page)-1].Entry; last > after {
			after = last
			continue
		}
		return nil, ledger.Fail(ledger.Internal, "the decisions about quarantined messages do not come in the order of entries")
	}
}

func hexOf(h [32]byte) string { return hex.EncodeToString(h[:]) }
