package sheets

import (
	"archive/zip"
	"bufio"
	"cmp"
	"compress/flate"
	"context"
	"errors"
	"fmt"
	"hash"
	"hash/crc32"
	"io"
	"io/fs"
	"math"
	"os"
	"slices"
)

// archive is the zip file of a workbook. The library hands over its parts in no fixed order, so they are compressed into one temporary file
// and copied out sorted by name when the archive is closed: the same workbook has the same bytes, and memory holds none of them. Entries
// carry no time.
type archive struct {
	ctx     context.Context
	out     io.Writer
	spool   *os.File
	buffer  *bufio.Writer
	packer  *flate.Writer
	entries []*entry
}

// entry is one part: what was written to it, and where its compressed bytes lie in the spool.
type entry struct {
	archive *archive
	name    string
	crc     hash.Hash32
	size    uint64
	from    int64
	to      int64
}

const (
	spoolBufferBytes = 256 << 10
	// maxEntryBytes is what a zip entry holds without the 64-bit extension, which some readers refuse.
	maxEntryBytes = math.MaxUint32
)

func newArchive(ctx context.Context, out io.Writer) (*archive, error) {
	spool, err := os.CreateTemp("", "spoilbook-sheets-")
	if err != nil {
		return nil, fmt.Errorf("workbook: temporary file: %w", err)
	}
	a := &archive{ctx: ctx, out: out, spool: spool, buffer: bufio.NewWriterSize(spool, spoolBufferBytes)}
	a.packer, err = flate.NewWriter(a.buffer, flate.BestSpeed)
	if err != nil {
		return nil, errors.Join(fmt.Errorf("workbook: compressor: %w", err), a.discard())
	}
	return a, nil
}

// discard removes the temporary file.
func (a *archive) discard() error {
	return errors.Join(a.spool.Close(), os.Remove(a.spool.Name()))
}

// Create begins the part name; the part before it is complete.
func (a *archive) Create(name string) (io.Writer, error) {
	if err := a.finish(); err != nil {
		return nil, err
	}
	a.packer.Reset(a.buffer)
	e := &entry{archive: a, name: name, crc: crc32.NewIEEE()}
	if n := len(a.entries); n > 0 {
		e.from = a.entries[n-1].to
	}
	a.entries = append(a.entries, e)
	return e, nil
}

// AddFS adds the files of fsys.
func (a *archive) AddFS(fsys fs.FS) error {
	return fs.WalkDir(fsys, ".", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		content, err := fs.ReadFile(fsys, name)
		if err != nil {
			return err
		}
		w, err := a.Create(name)
		if err != nil {
			return err
		}
		_, err = w.Write(content)
		return err
	})
}

// Write adds to the part.
func (e *entry) Write(p []byte) (int, error) {
	if err := e.archive.ctx.Err(); err != nil {
		return 0, err
	}
	if e.size+uint64(len(p)) > maxEntryBytes {
		return 0, fmt.Errorf("workbook: part %s is larger than 4 GiB; narrow the period or the filter", e.name)
	}
	n, err := e.archive.packer.Write(p)
	e.size += uint64(n)
	e.crc.Write(p[:n])
	return n, err
}

// finish completes the part begun last.
func (a *archive) finish() error {
	if len(a.entries) == 0 {
		return nil
	}
	if err := a.packer.Close(); err != nil {
		return err
	}
	if err := a.buffer.Flush(); err != nil {
		return err
	}
	end, err := a.spool.Seek(0, io.SeekCurrent)
	a.entries[len(a.entries)-1].to = end
	return err
}

// Close writes the archive out.
func (a *archive) Close() error {
	if err := a.finish(); err != nil {
		return err
	}
	slices.SortFunc(a.entries, func(x, y *entry) int { return cmp.Compare(x.name, y.name) })
	zw := zip.NewWriter(a.out)
	for _, e := range a.entries {
		if err := a.ctx.Err(); err != nil {
			return err
		}
		w, err := zw.CreateRaw(&zip.FileHeader{Name: e.name, Method: zip.Deflate, CRC32: e.crc.Sum32(),
			CompressedSize64: uint64(e.to - e.from), UncompressedSize64: e.size})
		if err != nil {
			return err
		}
		if _, err := io.Copy(w, io.NewSectionReader(a.spool, e.from, e.to-e.from)); err != nil {
			return err
		}
	}
	return zw.Close()
}
