package sim

import "crypto/sha256"

// roots computes the Merkle tree of RFC 6962 a second time, from the definition:
// it keeps the roots of the full subtrees on its right edge, largest first.
type roots struct {
	edge []subtree
}

type subtree struct {
	leaves uint64
	hash   [32]byte
}

func join(left, right [32]byte) [32]byte {
	return sha256.Sum256(append(append([]byte{1}, left[:]...), right[:]...))
}

// add adds the leaf of an event's bytes.
func (r *roots) add(body []byte) {
	r.edge = append(r.edge, subtree{1, sha256.Sum256(append([]byte{0}, body...))})
	for n := len(r.edge); n >= 2 && r.edge[n-2].leaves == r.edge[n-1].leaves; n = len(r.edge) {
		r.edge[n-2] = subtree{2 * r.edge[n-1].leaves, join(r.edge[n-2].hash, r.edge[n-1].hash)}
		r.edge = r.edge[:n-1]
	}
}

// root returns the root over all leaves added.
func (r *roots) root() [32]byte {
	if len(r.edge) == 0 {
		return sha256.Sum256(nil)
	}
	hash := r.edge[len(r.edge)-1].hash
	for i := len(r.edge) - 2; i >= 0; i-- {
		hash = join(r.edge[i].hash, hash)
	}
	return hash
}
