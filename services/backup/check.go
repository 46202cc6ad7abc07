package backup

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"spoilbook/services/ledger"
)

// maxNamed bounds how many damaged files an error names.
const maxNamed = 20

// Check reads everything of the backup in a folder: every byte of every file
// against its hash, that rows are dense, every row against its own hash, and the
// Merkle tree, made anew, against the root of every block and segment. Its error
// has the code damaged and names the files that are not what was written.
func Check(ctx context.Context, f Folder, p Progress) (Standing, error) {
	release, err := f.Lock(true)
	if err != nil {
		return Standing{}, err
	}
	m, err := readManifest(f)
	if err == nil && m != nil {
		err = checkFiles(ctx, f, m)
	}
	if err != nil {
		return Standing{}, errors.Join(fmt.Errorf("check the backup: %w", err), release())
	}
	h, err := open(f, release)
	if err != nil {
		return Standing{}, errors.Join(fmt.Errorf("check the backup: %w", err), release())
	}
	if err = errors.Join(checkRows(ctx, h, p), h.Close()); err != nil {
		return Standing{}, fmt.Errorf("check the backup: %w", err)
	}
	return h.Standing(), nil
}

// checkFiles holds every file against its size and hash.
func checkFiles(ctx context.Context, f Folder, m *manifest) error {
	var wrong []string
	for i := range m.Segments {
		s := &m.Segments[i]
		if err := ctx.Err(); err != nil {
			return err
		}
		err := checkFile(f, s)
		if err == nil {
			continue
		}
		if ledger.CodeOf(err) != ledger.Damaged {
			return err
		}
		if wrong = append(wrong, err.Error()); len(wrong) == maxNamed {
			wrong = append(wrong, "and perhaps more")
			break
		}
	}
	if len(wrong) > 0 {
		return ledger.Fail(ledger.Damaged, "%s", strings.Join(wrong, "; "))
	}
	return nil
}

func checkFile(f Folder, s *segment) error {
	r, err := openSegment(f, s)
	if err != nil {
		return err
	}
	for err == nil {
		_, err = r.line()
	}
	if errors.Is(err, io.EOF) {
		err = nil
	}
	return errors.Join(err, r.close())
}

// checkRows goes through all rows as a restore would.
func checkRows(ctx context.Context, h *Held, p Progress) error {
	w, err := newWalker(ctx, h, p)
	if err != nil {
		return err
	}
	c := &checker{walk: w, roots: map[uint64]*segment{}}
	for i := range h.m.Segments {
		if s := &h.m.Segments[i]; s.Kind == recordSegments {
			c.roots[s.Last] = s
		}
	}
	if err := w.run(ctx, c); err != nil {
		return err
	}
	switch {
	case w.tree.Size() != h.m.Position || w.entries != h.m.Entries || c.blocks != h.m.Blocks:
		return ledger.Fail(ledger.Damaged, "its segments hold %d events, %d quarantined messages and %d blocks; its manifest says %d, %d and %d", w.tree.Size(), w.entries, c.blocks, h.m.Position, h.m.Entries, h.m.Blocks)
	case len(h.settlements) > 0 && h.settlements[len(h.settlements)-1].Entry > h.m.Entries:
		return ledger.Fail(ledger.Damaged, "it holds a decision about entry %d, and only %d entries", h.settlements[len(h.settlements)-1].Entry, h.m.Entries)
	}
	for i, a := range h.adoptions {
		if a.Number != uint64(i)+1 {
			return ledger.Fail(ledger.Damaged, "adoption %d is missing or there twice", i+1)
		}
	}
	return nil
}

// checker compares the tree with the root of each segment of records.
type checker struct {
	walk   *walker
	roots  map[uint64]*segment
	blocks uint64
}

func (c *checker) record(_ context.Context, r *ledger.Record) error {
	s := c.roots[r.Position]
	if s == nil {
		return nil
	}
	if root, err := c.walk.tree.Root(); err != nil || s.Root == nil || root != [32]byte(*s.Root) {
		return damagedSegment(s, "the Merkle root at its end is not the one it was written with")
	}
	return nil
}

func (c *checker) line(context.Context, *ledger.BlockLine) error {
	c.blocks++
	return nil
}

func (c *checker) entry(context.Context, *ledger.Quarantined) error { return nil }
