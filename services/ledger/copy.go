package ledger

import "time"

// BlockLine is what the store keeps of a block beside its records and quarantined
// messages: that it is whole, and how the Merkle tree stands after it.
type BlockLine struct {
	Stream            string
	FirstSeq, LastSeq uint64 // stream sequences, inclusive
	Position          uint64 // after the block
	Recorded          uint64 // counts of the block's messages, by their fate
	Duplicates        uint64
	Quarantined       uint64
	Root              [32]byte
	Frontier          []byte // the Merkle tree's state after Position
	At                time.Time
}

// StreamEnd is how far a stream has been taken in: its last whole block.
type StreamEnd struct {
	Stream   string
	LastSeq  uint64
	Position uint64 // after that block
}

// SettledEntry is one decision about a quarantined message.
type SettledEntry struct {
	Entry uint64
	Settlement
}

// Marks of a store that is not, or no longer, to be written to as a ledger. A mark
// has a text for people and stands until it is cleared.
const (
	MarkFilling = "filling" // a restore or a move fills the store and has not finished
	MarkMoving  = "moving"  // a move was begun from here
	MarkMoved   = "moved"   // the ledger went elsewhere
)
