package backup_test

import (
	"bytes"
	"io"
	"io/fs"
	"maps"
	"slices"

	"spoilbook/services/backup"
	"spoilbook/services/ledger"
)

// disk is a folder that can be cut off at any step, and that then loses what was
// not synced, as a machine without power does.
type disk struct {
	files  map[string]*content
	safe   map[string]*content // names as they would be found after a crash
	locked bool
	steps  int
	cutAt  int // 0 for never
}

type content struct {
	bytes  []byte
	synced []byte
}

func newDisk() *disk { return &disk{files: map[string]*content{}, safe: map[string]*content{}} }

// step counts a step, and says whether the machine still runs.
func (d *disk) step() error {
	d.steps++
	if d.cutAt > 0 && d.steps >= d.cutAt {
		return errCut
	}
	return nil
}

// crash is what a disk holds after the machine has lost its power: names that were
// synced, with the content that was. kept says whether the system happened to have
// written more by itself.
func (d *disk) crash(kept bool) *disk {
	out := newDisk()
	names := d.safe
	if kept {
		names = d.files
	}
	for name, c := range names {
		b := c.synced
		if kept && c.synced == nil {
			b = c.bytes[:len(c.bytes)/2]
		}
		out.files[name] = &content{bytes: slices.Clone(b), synced: slices.Clone(b)}
	}
	out.safe = maps.Clone(out.files)
	return out
}

func (d *disk) Create(name string) (backup.File, error) {
	if err := d.step(); err != nil {
		return nil, err
	}
	c := &content{}
	d.files[name] = c
	return &writing{d, c}, nil
}

type writing struct {
	d *disk
	c *content
}

func (w *writing) Write(b []byte) (int, error) {
	if err := w.d.step(); err != nil {
		w.c.bytes = append(w.c.bytes, b[:len(b)/2]...)
		return len(b) / 2, err
	}
	w.c.bytes = append(w.c.bytes, b...)
	return len(b), nil
}

func (w *writing) Sync() error {
	if err := w.d.step(); err != nil {
		return err
	}
	w.c.synced = slices.Clone(w.c.bytes)
	return nil
}

func (w *writing) Close() error { return nil }

func (d *disk) Open(name string) (io.ReadCloser, error) {
	c := d.files[name]
	if c == nil {
		return nil, fs.ErrNotExist
	}
	return io.NopCloser(bytes.NewReader(c.bytes)), nil
}

func (d *disk) Rename(from, to string) error {
	if err := d.step(); err != nil {
		return err
	}
	d.files[to] = d.files[from]
	delete(d.files, from)
	return nil
}

func (d *disk) Remove(name string) error {
	if err := d.step(); err != nil {
		return err
	}
	delete(d.files, name)
	return nil
}

func (d *disk) List() ([]string, error) { return slices.Sorted(maps.Keys(d.files)), nil }

func (d *disk) Sync() error {
	if err := d.step(); err != nil {
		return err
	}
	d.safe = maps.Clone(d.files)
	return nil
}

func (d *disk) Lock(bool) (func() error, error) {
	if d.locked {
		return nil, ledger.Fail(ledger.InUse, "the folder is in use")
	}
	d.locked = true
	return func() error { d.locked = false; return nil }, nil
}

var _ backup.Folder = (*disk)(nil)
