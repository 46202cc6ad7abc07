package intake

import (
	"fmt"

	"github.com/transparency-dev/merkle/compact"
	"github.com/transparency-dev/merkle/rfc6962"
)

const hashSize = 32

func treeFactory() *compact.RangeFactory {
	return &compact.RangeFactory{Hash: rfc6962.DefaultHasher.HashChildren}
}

// restoreTree reads the state that treeState wrote for a tree of size leaves.
func restoreTree(size uint64, state []byte) (*compact.Range, error) {
	if len(state)%hashSize != 0 {
		return nil, fmt.Errorf("the tree's state at position %d has %d bytes, not whole hashes", size, len(state))
	}
	if size == 0 {
		return treeFactory().NewEmptyRange(0), nil
	}
	hashes := make([][]byte, 0, len(state)/hashSize)
	for ; len(state) > 0; state = state[hashSize:] {
		hashes = append(hashes, state[:hashSize:hashSize])
	}
	r, err := treeFactory().NewRange(0, size, hashes)
	if err != nil {
		return nil, fmt.Errorf("the tree's state at position %d: %w", size, err)
	}
	return r, nil
}

func treeState(r *compact.Range) []byte {
	var state []byte
	for _, h := range r.Hashes() {
		state = append(state, h...)
	}
	return state
}

// treeRoot returns the RFC 6962 root; that of an empty tree is SHA-256 of nothing.
func treeRoot(r *compact.Range) (root [hashSize]byte, err error) {
	if r.End() == 0 {
		copy(root[:], rfc6962.DefaultHasher.EmptyRoot())
		return root, nil
	}
	h, err := r.GetRootHash(nil)
	copy(root[:], h)
	return root, err
}
