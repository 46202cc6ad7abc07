package backup

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"spoilbook/services/audit"
	"spoilbook/services/ledger"
)

// run is one run into a folder.
type run struct {
	src    Source
	folder Folder
	o      Options
	m      *manifest // as it will be
	walk   *walker

	records, entries, blocks *segmentWriter // nil when none is open
	stream                   string         // of the open blocks
	added                    []segment
}

// Run adds to the backup in a folder what the ledger has and the folder has not, up
// to the last whole block. It fails with the code in-use while another run has the
// folder, conflict when the ledger does not extend what the folder holds, and
// damaged when a row does not match its hash or a block its root; the folder is
// then as it was.
func Run(ctx context.Context, src Source, f Folder, o Options) (res Result, err error) {
	release, err := f.Lock(false)
	if err != nil {
		return Result{}, err
	}
	defer func() { err = errors.Join(err, release()) }()
	m, err := readManifest(f)
	if err != nil {
		return Result{}, err
	}
	if m == nil {
		m = &manifest{}
	}
	r := &run{src: src, folder: f, o: o, m: m}
	if err := r.run(ctx); err != nil {
		for _, w := range []*segmentWriter{r.records, r.entries, r.blocks} {
			w.abandon()
		}
		return Result{}, fmt.Errorf("back up: %w", err)
	}
	res.Standing, res.SegmentsAdded = m.standing(), len(r.added)
	for _, s := range r.added {
		res.BytesAdded += s.Bytes
	}
	r.tidy()
	return res, nil
}

func (r *run) run(ctx context.Context) error {
	// Decisions and adoptions are read before the cut is made: what was released is
	// then in the copy, and what is not in the copy was not yet released.
	settled, err := allSettlements(ctx, r.src)
	if err != nil {
		return err
	}
	adopted, err := r.src.Adoptions(ctx)
	if err != nil {
		return err
	}
	if err := r.begin(ctx); err != nil {
		return err
	}
	if err := r.walk.run(ctx, r); err != nil {
		return err
	}
	if err := errors.Join(r.closeRecords(), r.closeBlocks(), r.closeEntries()); err != nil {
		return err
	}
	r.m.Entries = r.walk.entries
	settled = slices.DeleteFunc(settled, func(s ledger.SettledEntry) bool { return s.Entry > r.m.Entries })
	adopted = slices.DeleteFunc(adopted, func(a ledger.Adoption) bool { return a.Position > r.walk.tree.Size() })
	if err := errors.Join(r.settlements(settled), r.adoptions(adopted)); err != nil {
		return err
	}
	return r.commit()
}

// begin makes the cut, and sees that the ledger extends what is held.
func (r *run) begin(ctx context.Context) error {
	w, err := newWalker(ctx, r.src, r.o.Progress)
	if err != nil {
		return err
	}
	if w.tree, err = audit.Restore(r.m.Position, r.m.Frontier); err != nil {
		return err
	}
	w.entries, r.walk = r.m.Entries, w
	for _, e := range r.m.Streams {
		w.taken[e.Stream] = e.Last
	}
	if err := extends(ctx, r.src, r.m); err != nil {
		return err
	}
	if len(r.m.Streams) > 0 && w.total() < r.m.Position {
		return ledger.Fail(ledger.Conflict, "the folder holds a ledger up to position %d, and this one ends at %d", r.m.Position, w.total())
	}
	return nil
}

func (r *run) record(_ context.Context, rec *ledger.Record) (err error) {
	if r.records == nil {
		if r.records, err = newSegment(r.folder, recordSegments); err != nil {
			return err
		}
	}
	if err := r.records.add(rec.Position, recordRowOf(rec)); err != nil || !r.records.full() {
		return err
	}
	return r.closeRecords()
}

func (r *run) closeRecords() error {
	if r.records == nil {
		return nil
	}
	root, err := r.walk.tree.Root()
	if err != nil {
		return err
	}
	s, err := r.records.close()
	r.records, s.Root = nil, (*digest)(&root)
	return r.keep(s, err)
}

func (r *run) line(_ context.Context, b *ledger.BlockLine) (err error) {
	if r.stream != b.Stream || r.blocks != nil && r.blocks.full() {
		if err := r.closeBlocks(); err != nil {
			return err
		}
	}
	if r.blocks == nil {
		if r.blocks, err = newSegment(r.folder, blockSegments); err != nil {
			return err
		}
		r.stream, r.blocks.Stream = b.Stream, b.Stream
	}
	r.m.Blocks++
	r.hold(end{b.Stream, b.LastSeq, b.Position, b.Root})
	return r.blocks.add(b.LastSeq, blockRowOf(b))
}

// hold notes the last block of a stream.
func (r *run) hold(e end) {
	if n := slices.IndexFunc(r.m.Streams, func(s end) bool { return s.Stream == e.Stream }); n >= 0 {
		r.m.Streams[n] = e
		return
	}
	r.m.Streams = append(r.m.Streams, e)
}

func (r *run) closeBlocks() error {
	if r.blocks == nil {
		return nil
	}
	s, err := r.blocks.close()
	r.blocks = nil
	return r.keep(s, err)
}

func (r *run) entry(_ context.Context, q *ledger.Quarantined) (err error) {
	if r.entries == nil {
		if r.entries, err = newSegment(r.folder, entrySegments); err != nil {
			return err
		}
	}
	if err := r.entries.add(q.Entry, entryRowOf(q)); err != nil || !r.entries.full() {
		return err
	}
	return r.closeEntries()
}

func (r *run) closeEntries() error {
	if r.entries == nil {
		return nil
	}
	s, err := r.entries.close()
	r.entries = nil
	return r.keep(s, err)
}

func (r *run) keep(s segment, err error) error {
	if err != nil {
		return err
	}
	r.m.Segments, r.added = append(r.m.Segments, s), append(r.added, s)
	return nil
}

func (r *run) settlements(list []ledger.SettledEntry) error {
	return replace(r, settlementSegments, list, func(s ledger.SettledEntry) (uint64, any) {
		return s.Entry, settlementRow{s.Entry, s.At.UTC(), s.Action, s.Author, s.Note}
	})
}

func (r *run) adoptions(list ledger.Adoptions) error {
	return replace(r, adoptionSegments, list, func(a ledger.Adoption) (uint64, any) {
		return a.Number, adoptionRow{a.Number, a.Stream, a.First, a.Again, a.Position, a.At.UTC(), a.Author, a.Reason}
	})
}

// replace writes the only segment of a kind, when there are more rows than it has:
// nothing of what it holds is ever taken back.
func replace[T any](r *run, kind string, list []T, row func(T) (uint64, any)) error {
	old := slices.IndexFunc(r.m.Segments, func(s segment) bool { return s.Kind == kind })
	held := uint64(0)
	if old >= 0 {
		held = r.m.Segments[old].Rows
	}
	switch {
	case uint64(len(list)) == held:
		return nil
	case uint64(len(list)) < held:
		return ledger.Fail(ledger.Conflict, "the folder holds %d %s and the ledger has %d: it is another ledger, or an older copy", held, kind, len(list))
	}
	w, err := newSegment(r.folder, kind)
	if err != nil {
		return err
	}
	for i := range list {
		at, line := row(list[i])
		if err := w.add(at, line); err != nil {
			w.abandon()
			return err
		}
	}
	s, err := w.close()
	if err == nil && old >= 0 {
		r.m.Segments = slices.Delete(r.m.Segments, old, old+1)
	}
	return r.keep(s, err)
}

// commit puts the new manifest in place once everything it names is sure to be
// found.
func (r *run) commit() error {
	root, err := r.walk.tree.Root()
	if err != nil {
		return err
	}
	r.m.Position, r.m.Root, r.m.Frontier, r.m.Made = r.walk.tree.Size(), root, r.walk.tree.State(), r.o.Now.UTC()
	if err := r.folder.Sync(); err != nil {
		return fmt.Errorf("sync the folder: %w", err)
	}
	if err := writeManifest(r.folder, r.m); err != nil {
		return fmt.Errorf("write %s: %w", manifestName, err)
	}
	return nil
}

// tidy removes what earlier runs that were cut off have left, and lists that were
// replaced. What can not be removed is tried again by the next run.
func (r *run) tidy() {
	names, err := r.folder.List()
	if err != nil {
		return
	}
	belongs := map[string]bool{}
	for _, s := range r.m.Segments {
		belongs[s.Name] = true
	}
	for _, name := range names {
		ours := strings.HasSuffix(name, ".jsonl.zst") || strings.HasSuffix(name, partial)
		if ours && !belongs[name] {
			_ = r.folder.Remove(name)
		}
	}
}
