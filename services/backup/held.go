package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"

	"spoilbook/services/ledger"
)

// Held is the ledger that a folder holds, as a [Source]. It is not safe for use by
// several goroutines. Close gives the folder up.
type Held struct {
	folder      Folder
	m           *manifest
	release     func() error
	settlements []ledger.SettledEntry
	adoptions   ledger.Adoptions

	records cursor[ledger.Record]
	entries cursor[ledger.Quarantined]
	blocks  cursor[ledger.BlockLine]
}

// Open opens the backup in a folder. What it gives is checked while it is read: each
// file against its size and hash, each row against its place.
func Open(f Folder) (*Held, error) {
	release, err := f.Lock(true)
	if err != nil {
		return nil, err
	}
	h, err := open(f, release)
	if err != nil {
		return nil, errors.Join(err, release())
	}
	return h, nil
}

func open(f Folder, release func() error) (*Held, error) {
	m, err := readManifest(f)
	if err != nil {
		return nil, err
	}
	if m == nil {
		return nil, ledger.Fail(ledger.NotFound, "the folder holds no backup: it has no %s", manifestName)
	}
	h := &Held{folder: f, m: m, release: release}
	h.records.each = func(r *segmentReader) (uint64, ledger.Record, error) {
		var row recordRow
		if err := r.next(&row); err != nil {
			return 0, ledger.Record{}, err
		}
		rec, err := row.record()
		return row.Position, rec, named(r.segment, err)
	}
	h.entries.each = func(r *segmentReader) (uint64, ledger.Quarantined, error) {
		var row entryRow
		if err := r.next(&row); err != nil {
			return 0, ledger.Quarantined{}, err
		}
		q, err := row.entry()
		return row.Entry, q, named(r.segment, err)
	}
	h.blocks.each = func(r *segmentReader) (uint64, ledger.BlockLine, error) {
		var row blockRow
		if err := r.next(&row); err != nil {
			return 0, ledger.BlockLine{}, err
		}
		return row.Last, row.line(), nil
	}
	return h, h.lists()
}

func named(s *segment, err error) error {
	if err != nil {
		return fmt.Errorf("segment %s: %w", s.Name, err)
	}
	return nil
}

// lists reads the two kinds of segments that are small.
func (h *Held) lists() error {
	for i := range h.m.Segments {
		s := &h.m.Segments[i]
		var add func(*segmentReader) error
		switch s.Kind {
		case settlementSegments:
			add = func(r *segmentReader) error {
				var row settlementRow
				err := r.next(&row)
				if err == nil {
					h.settlements = append(h.settlements, ledger.SettledEntry{Entry: row.Entry,
						Settlement: ledger.Settlement{At: row.At, Action: row.Action, Author: row.Author, Note: row.Note}})
				}
				return err
			}
		case adoptionSegments:
			add = func(r *segmentReader) error {
				var row adoptionRow
				err := r.next(&row)
				if err == nil {
					h.adoptions = append(h.adoptions, ledger.Adoption{Number: row.Number, Stream: row.Stream, First: row.First, Again: row.Again,
						Position: row.Position, At: row.At, Author: row.Author, Reason: row.Reason})
				}
				return err
			}
		default:
			continue
		}
		if err := h.each(s, add); err != nil {
			return err
		}
	}
	return nil
}

// each reads a segment to its end.
func (h *Held) each(s *segment, next func(*segmentReader) error) error {
	r, err := openSegment(h.folder, s)
	if err != nil {
		return err
	}
	for err == nil {
		err = next(r)
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return errors.Join(err, r.close())
}

// Close closes what is open and gives the folder up.
func (h *Held) Close() error {
	return errors.Join(h.records.close(), h.entries.close(), h.blocks.close(), h.release())
}

// Standing returns where the backup stands, as its manifest says.
func (h *Held) Standing() Standing { return h.m.standing() }

// Handled returns up to which message of a stream the backup has everything.
func (h *Held) Handled(stream string) uint64 {
	for _, e := range h.m.Streams {
		if e.Stream == stream {
			return e.Last
		}
	}
	return 0
}

// StreamEnds returns the last block held of every stream.
func (h *Held) StreamEnds(context.Context) ([]ledger.StreamEnd, error) {
	out := make([]ledger.StreamEnd, len(h.m.Streams))
	for i, e := range h.m.Streams {
		out[i] = ledger.StreamEnd{Stream: e.Stream, LastSeq: e.Last, Position: e.Position}
	}
	return out, nil
}

// BlockLines returns a page of a stream's blocks.
func (h *Held) BlockLines(ctx context.Context, stream string, after, upTo uint64) ([]ledger.BlockLine, error) {
	return h.blocks.page(ctx, h, blockSegments, stream, after, upTo)
}

// Records returns a page of the records.
func (h *Held) Records(ctx context.Context, after, upTo uint64) ([]ledger.Record, error) {
	return h.records.page(ctx, h, recordSegments, "", after, upTo)
}

// Entries returns a page of what is quarantined.
func (h *Held) Entries(ctx context.Context, after uint64) ([]ledger.Quarantined, error) {
	return h.entries.page(ctx, h, entrySegments, "", after, h.m.Entries)
}

// Settlements returns every decision about entries above after.
func (h *Held) Settlements(_ context.Context, after uint64) ([]ledger.SettledEntry, error) {
	n := slices.IndexFunc(h.settlements, func(s ledger.SettledEntry) bool { return s.Entry > after })
	if n < 0 {
		return nil, nil
	}
	return h.settlements[n:], nil
}

// Adoptions returns which streams were adopted.
func (h *Held) Adoptions(context.Context) (ledger.Adoptions, error) { return h.adoptions, nil }

// Bounds of a page of a folder; it ends where either is reached.
const (
	pageRows  = 2000
	pageBytes = 16 << 20
)

// cursor reads the segments of a kind one after the other.
type cursor[T any] struct {
	each   func(*segmentReader) (at uint64, row T, err error)
	read   uint64 // bytes of rows
	reader *segmentReader
	stream string
	next   int    // segment to read after the one that is open
	at     uint64 // of the last row read
}

func (c *cursor[T]) close() error {
	if c.reader == nil {
		return nil
	}
	err := c.reader.close()
	c.reader = nil
	return err
}

// page returns the rows above after and not above upTo.
func (c *cursor[T]) page(ctx context.Context, h *Held, kind, stream string, after, upTo uint64) ([]T, error) {
	if c.reader == nil || c.stream != stream || c.at != after {
		if err := c.close(); err != nil {
			return nil, err
		}
		c.stream, c.next, c.at = stream, 0, 0
	}
	var out []T
	for c.read = 0; len(out) < pageRows && c.read < pageBytes && c.at < upTo; {
		if err := ctx.Err(); err != nil {
			return nil, err
		}
		row, ok, err := c.row(h, kind, after)
		if err != nil {
			return nil, err
		}
		if !ok || c.at > upTo {
			break
		}
		if c.at <= after {
			c.read = 0
			continue
		}
		out = append(out, row)
	}
	return out, nil
}

// row returns the next row of any segment that reaches beyond after.
func (c *cursor[T]) row(h *Held, kind string, after uint64) (row T, ok bool, err error) {
	for {
		for c.reader == nil {
			if c.next == len(h.m.Segments) {
				return row, false, nil
			}
			s := &h.m.Segments[c.next]
			c.next++
			if s.Kind != kind || s.Stream != c.stream || s.Last <= after {
				continue
			}
			if c.reader, err = openSegment(h.folder, s); err != nil {
				return row, false, err
			}
		}
		before := c.reader.raw
		at, row, err := c.each(c.reader)
		c.read += c.reader.raw - before
		switch {
		case errors.Is(err, io.EOF):
			if err := c.close(); err != nil {
				return row, false, err
			}
			continue
		case err != nil:
			return row, false, err
		case at <= c.at:
			return row, false, damagedSegment(c.reader.segment, "row %d follows row %d", at, c.at)
		}
		c.at = at
		return row, true, nil
	}
}
