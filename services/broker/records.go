package broker

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

const (
	recordsBytes   = 64 << 20 // of one shelf
	maxRecordBytes = 64 << 10
	maxRecords     = 20_000 // that one List reads
)

// Errors of records.
var (
	ErrNoRecord      = errors.New("no such record")
	ErrRecordChanged = errors.New("the record was changed by another writer")
)

// Record is a small value under a key. Its revision changes with each write and is never 0.
type Record struct {
	Key      string
	Value    []byte
	Revision uint64
}

// Records is a shelf of small records that all copies of the service share: what is written was synced like an event, and a write over
// another's change is refused. Keys are tokens with "." between them.
type Records struct {
	kv   jetstream.KeyValue
	name string
}

// Records opens a shelf, or makes it. The name is upper-case letters, digits and "_".
func (b *Broker) Records(ctx context.Context, name string) (*Records, error) {
	if err := checkToken(name); err != nil {
		return nil, fmt.Errorf("records %q: %w", name, err)
	}
	ctx, cancel := request(ctx)
	defer cancel()
	kv, err := b.js.KeyValue(ctx, name)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		if err := b.unread(recordsPrefix + name); err != nil {
			return nil, fmt.Errorf("records %s: %w", name, err)
		}
		kv, err = b.js.CreateKeyValue(ctx, jetstream.KeyValueConfig{Bucket: name, Description: "Small records that all copies share.",
			MaxBytes: recordsBytes, MaxValueSize: maxRecordBytes, History: 1, Storage: jetstream.FileStorage, Replicas: b.opts.Replicas})
	}
	if errors.Is(err, jetstream.ErrBucketExists) {
		kv, err = b.js.KeyValue(ctx, name)
	}
	if err != nil {
		return nil, fmt.Errorf("records %s: %w", name, classify(err))
	}
	return &Records{kv: kv, name: name}, nil
}

func (r *Records) fail(op, key string, err error) error {
	switch {
	case errors.Is(err, jetstream.ErrKeyNotFound), errors.Is(err, jetstream.ErrKeyDeleted):
		err = ErrNoRecord
	case errors.Is(err, jetstream.ErrKeyExists), errors.Is(err, jetstream.ErrKeyRevisionMismatch):
		err = ErrRecordChanged
	default:
		err = classify(err)
	}
	return fmt.Errorf("%s record %s of %s: %w", op, key, r.name, err)
}

// Get returns a record, or ErrNoRecord.
func (r *Records) Get(ctx context.Context, key string) (Record, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	e, err := r.kv.Get(ctx, key)
	if err != nil {
		return Record{}, r.fail("read", key, err)
	}
	return Record{Key: key, Value: e.Value(), Revision: e.Revision()}, nil
}

// Put writes a record over the revision that its writer has seen, 0 for one that must not be there, and returns the new revision, or
// ErrRecordChanged.
func (r *Records) Put(ctx context.Context, key string, value []byte, revision uint64) (uint64, error) {
	ctx, cancel := request(ctx)
	defer cancel()
	var next uint64
	var err error
	if revision == 0 {
		next, err = r.kv.Create(ctx, key, value)
	} else {
		next, err = r.kv.Update(ctx, key, value, revision)
	}
	if err != nil {
		return 0, r.fail("write", key, err)
	}
	return next, nil
}

// Delete removes a record; one that is not there is no error.
func (r *Records) Delete(ctx context.Context, key string) error {
	ctx, cancel := request(ctx)
	defer cancel()
	if err := r.kv.Purge(ctx, key); err != nil && !errors.Is(err, jetstream.ErrKeyNotFound) {
		return r.fail("delete", key, err)
	}
	return nil
}

// List returns the records under a prefix, which ends with ".", sorted by key.
func (r *Records) List(ctx context.Context, prefix string) ([]Record, error) {
	ctx, cancel := context.WithTimeout(ctx, 4*requestTimeout)
	defer cancel()
	w, err := r.kv.Watch(ctx, prefix+">", jetstream.IgnoreDeletes())
	if err != nil {
		return nil, r.fail("list", prefix, err)
	}
	defer func() { _ = w.Stop() }() // the context ends it in any case
	var list []Record
	for {
		select {
		case e, open := <-w.Updates():
			if !open {
				return nil, r.fail("list", prefix, ErrUnavailable)
			}
			if e == nil { // all that there was has come
				slices.SortFunc(list, func(x, y Record) int { return strings.Compare(x.Key, y.Key) })
				return list, nil
			}
			if len(list) == maxRecords {
				return nil, r.fail("list", prefix, ErrFull)
			}
			list = append(list, Record{Key: e.Key(), Value: e.Value(), Revision: e.Revision()})
		case <-ctx.Done():
			return nil, r.fail("list", prefix, ctx.Err())
		}
	}
}

// Compact forgets that deleted records were there, except for those deleted less than a day ago.
func (r *Records) Compact(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, 4*requestTimeout)
	defer cancel()
	if err := r.kv.PurgeDeletes(ctx, jetstream.DeleteMarkersOlderThan(24*time.Hour)); err != nil {
		return fmt.Errorf("compact records of %s: %w", r.name, classify(err))
	}
	return nil
}
