package backup

import (
	"bufio"
	"crypto/sha256"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"

	"github.com/klauspost/compress/zstd"

	"spoilbook/services/ledger"
)

// segmentWriter writes one file of rows.
type segmentWriter struct {
	folder Folder
	file   File
	zip    *zstd.Encoder
	sum    hash.Hash
	segment
}

// partName is what a segment is called while it is written. One is written at a time
// of each kind.
func partName(kind string) string { return kind + partial }

func newSegment(f Folder, kind string) (*segmentWriter, error) {
	file, err := f.Create(partName(kind))
	if err != nil {
		return nil, fmt.Errorf("make a segment of %s: %w", kind, err)
	}
	w := &segmentWriter{folder: f, file: file, sum: sha256.New(), segment: segment{Kind: kind}}
	w.zip, err = zstd.NewWriter(w.counted(), zstd.WithEncoderConcurrency(1), zstd.WithEncoderCRC(true), zstd.WithWindowSize(zstdWindow))
	if err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return w, nil
}

// zstdWindow bounds what compressing and decompressing hold in memory.
const zstdWindow = 4 << 20

// counted writes to the file, its hash and its size.
func (w *segmentWriter) counted() io.Writer {
	return io.MultiWriter(w.file, w.sum, counter{&w.Bytes})
}

type counter struct{ n *uint64 }

func (c counter) Write(b []byte) (int, error) {
	*c.n += uint64(len(b))
	return len(b), nil
}

// add writes a row that stands at a position, entry or message.
func (w *segmentWriter) add(at uint64, row any) error {
	line, err := encodeRow(row)
	if err != nil {
		return err
	}
	if len(line) > maxRowBytes {
		return ledger.Fail(ledger.TooLarge, "%s %d takes %d bytes; a backup holds at most %d in a row", w.Kind, at, len(line), maxRowBytes)
	}
	if w.Rows == 0 {
		w.First = at
	}
	w.Last, w.Rows, w.RawBytes = at, w.Rows+1, w.RawBytes+uint64(len(line))
	_, err = w.zip.Write(line)
	return err
}

func (w *segmentWriter) full() bool { return w.Rows >= segmentRows || w.RawBytes >= segmentBytes }

// close syncs the file and gives it its name.
func (w *segmentWriter) close() (segment, error) {
	err := w.zip.Close()
	if err == nil {
		err = w.file.Sync()
	}
	if err = errors.Join(err, w.file.Close()); err != nil {
		return segment{}, fmt.Errorf("write a segment of %s: %w", w.Kind, err)
	}
	w.sum.Sum(w.SHA256[:0])
	w.Name = segmentName(&w.segment)
	if err := w.folder.Rename(partName(w.Kind), w.Name); err != nil {
		return segment{}, fmt.Errorf("name segment %s: %w", w.Name, err)
	}
	return w.segment, nil
}

// abandon closes a segment that is not finished.
func (w *segmentWriter) abandon() {
	if w != nil {
		_ = errors.Join(w.zip.Close(), w.file.Close()) // it will be removed
	}
}

// damagedSegment says which file is wrong.
func damagedSegment(s *segment, format string, args ...any) error {
	return ledger.Fail(ledger.Damaged, "segment %s of the backup: %s", s.Name, fmt.Sprintf(format, args...))
}

// segmentReader reads the rows of one file, and checks the file while it does.
type segmentReader struct {
	*segment
	file io.ReadCloser
	tee  io.Reader // the file, with its hash taken
	sum  hash.Hash
	size uint64
	zip  *zstd.Decoder
	rows *bufio.Reader
	raw  uint64
	read uint64
}

func openSegment(f Folder, s *segment) (*segmentReader, error) {
	file, err := f.Open(s.Name)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, damagedSegment(s, "the file is missing")
	}
	if err != nil {
		return nil, fmt.Errorf("open segment %s: %w", s.Name, err)
	}
	r := &segmentReader{segment: s, file: file, sum: sha256.New()}
	r.tee = io.TeeReader(io.LimitReader(file, int64(min(s.Bytes, 1<<62))+1), io.MultiWriter(r.sum, counter{&r.size}))
	r.zip, err = zstd.NewReader(r.tee, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxWindow(zstdWindow), zstd.WithDecoderMaxMemory(4*zstdWindow))
	if err != nil {
		return nil, errors.Join(damagedSegment(s, "%v", err), file.Close())
	}
	r.rows = bufio.NewReaderSize(io.LimitReader(r.zip, int64(min(s.RawBytes, 1<<62))+1), 64<<10)
	return r, nil
}

// next decodes the next row into row; io.EOF after the last, once the whole file is
// known to be what the manifest says.
func (r *segmentReader) next(row any) error {
	line, err := r.line()
	if err != nil {
		return err
	}
	if err := decodeRow(line, row); err != nil {
		return damagedSegment(r.segment, "row %d: %v", r.read, err)
	}
	return nil
}

func (r *segmentReader) line() ([]byte, error) {
	var line []byte
	for {
		part, err := r.rows.ReadSlice('\n')
		line = append(line, part...)
		r.raw += uint64(len(part))
		switch {
		case r.raw > r.RawBytes || len(line) > maxRowBytes:
			return nil, damagedSegment(r.segment, "it is longer than the manifest says")
		case errors.Is(err, bufio.ErrBufferFull):
		case errors.Is(err, io.EOF) && len(line) == 0:
			if err := r.ended(); err != nil {
				return nil, err
			}
			return nil, io.EOF
		case err != nil:
			return nil, damagedSegment(r.segment, "row %d: %v", r.read+1, err)
		default:
			r.read++
			return line, nil
		}
	}
}

// ended compares what was read with what the manifest says.
func (r *segmentReader) ended() error {
	if _, err := io.Copy(io.Discard, r.tee); err != nil {
		return fmt.Errorf("read segment %s: %w", r.Name, err)
	}
	switch {
	case r.size != r.Bytes:
		return damagedSegment(r.segment, "it has another size than %d bytes", r.Bytes)
	case [32]byte(r.sum.Sum(nil)) != [32]byte(r.SHA256):
		return damagedSegment(r.segment, "its SHA-256 is not the one it was written with")
	case r.read != r.Rows || r.raw != r.RawBytes:
		return damagedSegment(r.segment, "it has %d rows in %d bytes, not %d in %d", r.read, r.raw, r.Rows, r.RawBytes)
	}
	return nil
}

func (r *segmentReader) close() error {
	r.zip.Close()
	return r.file.Close()
}
