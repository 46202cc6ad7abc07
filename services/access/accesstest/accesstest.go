// Package accesstest is a vault in memory, for tests of what keeps users in one; the
// broker's own is tried with package broker. For example
//
//	book, err := access.New(access.Config{Vault: accesstest.NewVault(), HashKiB: 64})
package accesstest

import (
	"context"
	"maps"
	"slices"
	"strings"
	"sync"

	"spoilbook/services/access"
)

// Vault keeps records in memory. It is safe for use by several goroutines.
type Vault struct {
	mu       sync.Mutex
	records  map[string]access.Entry
	revision uint64
}

// Get returns a record, or access.ErrMissing.
func (v *Vault) Get(_ context.Context, key string) (access.Entry, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	e, ok := v.records[key]
	if !ok {
		return e, access.ErrMissing
	}
	return e, nil
}

// Put writes over a revision, or returns access.ErrChanged.
func (v *Vault) Put(_ context.Context, key string, value []byte, revision uint64) (uint64, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	if v.records[key].Revision != revision {
		return 0, access.ErrChanged
	}
	v.revision++
	v.records[key] = access.Entry{Key: key, Value: slices.Clone(value), Revision: v.revision}
	return v.revision, nil
}

// Delete removes a record.
func (v *Vault) Delete(_ context.Context, key string) error {
	v.mu.Lock()
	defer v.mu.Unlock()
	delete(v.records, key)
	return nil
}

// List returns the records under a prefix, sorted by key.
func (v *Vault) List(_ context.Context, prefix string) ([]access.Entry, error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	var list []access.Entry
	for key, e := range v.records {
		if strings.HasPrefix(key, prefix) {
			list = append(list, e)
		}
	}
	slices.SortFunc(list, func(x, y access.Entry) int { return strings.Compare(x.Key, y.Key) })
	return list, nil
}

// NewVault returns an empty vault.
func NewVault() *Vault { return &Vault{records: map[string]access.Entry{}} }

// All returns every record, in no order.
func (v *Vault) All() []access.Entry {
	v.mu.Lock()
	defer v.mu.Unlock()
	return slices.Collect(maps.Values(v.records))
}
