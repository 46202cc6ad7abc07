// Package audit holds what proves that the ledger was not changed: the Merkle tree
// of RFC 6962 over the leaf hashes of its events in the order of their positions.
// The tree is kept as its frontier, so adding an event costs O(log n) and the
// state of a million events is at most 20 hashes. For example, the root over the
// first 1000 events stored beside them shows, computed again from their bytes,
// whether any bit of any of them has changed since.
package audit

import (
	"fmt"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/rfc6962"
)

const hashSize = 32

// Tree is a Merkle tree that leaves can be added to. It is not safe for use by
// several goroutines.
type Tree struct{ frontier *compact.Range }

// Restore returns the tree of size leaves whose State was given; size 0 is the
// empty tree.
func Restore(size uint64, state []byte) (*Tree, error) {
	factory := &compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}
	if len(state)%hashSize != 0 {
		return nil, fmt.Errorf("the tree's state at position %d has %d bytes, not whole hashes", size, len(state))
	}
	if size == 0 {
		return &Tree{factory.NewEmptyRange(0)}, nil
	}
	hashes := make([][]byte, 0, len(state)/hashSize)
	for ; len(state) > 0; state = state[hashSize:] {
		hashes = append(hashes, state[:hashSize:hashSize])
	}
	r, err := factory.NewRange(0, size, hashes)
	if err != nil {
		return nil, fmt.Errorf("the tree's state at position %d: %w", size, err)
	}
	return &Tree{r}, nil
}

// Clone returns an independent copy of t.
func (t *Tree) Clone() (*Tree, error) { return Restore(t.Size(), t.State()) }

// Append adds a leaf hash.
func (t *Tree) Append(leaf [hashSize]byte) error { return t.frontier.Append(leaf[:], nil) }

// Size returns how many leaves the tree has.
func (t *Tree) Size() uint64 { return t.frontier.End() }

// State returns the frontier as its hashes one after the other.
func (t *Tree) State() []byte {
	var state []byte
	for _, h := range t.frontier.Hashes() {
		state = append(state, h...)
	}
	return state
}

// Root returns the RFC 6962 root; that of an empty tree is SHA-256 of nothing.
func (t *Tree) Root() (root [hashSize]byte, err error) {
	if t.Size() == 0 {
		copy(root[:], rfc6962.DefaultHasher.EmptyRoot())
		return root, nil
	}
	h, err := t.frontier.GetRootHash(nil)
	copy(root[:], h)
	return root, err
}
