package broker

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/minio/highwayhash"
	"github.com/nats-io/nats-server/v2/server"
)

// Scanned is what the message files of a storage folder hold.
type Scanned struct {
	Files       int
	Bytes       int64
	First, Last uint64 // sequences; 0 when there are none
	Messages    uint64
	Torn        int64 // bytes of a last record that was never whole, and so never acknowledged
}

// Scan reads the message files of an in-process broker that is not running and changes nothing: every record must lie whole behind the one
// before it, carry the checksum of its bytes, and have the next sequence. A server that meets a bad record cuts the file off there, or leaves
// it for a reader to find, so this comes first. Of files with more than limit bytes in all only the newest are read; 0 is no limit.
//
// It returns ErrDamaged with the file, the byte and the sequence before it. A folder without a stream has nothing to scan. What is no
// damage: a last record of the last file that ends early or in zeros, as a write that was cut off leaves it.
//
// The record is that of nats-server 2.15: length, sequence, time and subject length, 22 bytes in all, then subject, body and a
// HighwayHash-64 over all but the lengths.
func Scan(ctx context.Context, dir string, limit int64) (Scanned, error) {
	folder := filepath.Join(dir, server.JetStreamStoreDir, server.DEFAULT_GLOBAL_ACCOUNT, "streams", EventsStream, "msgs")
	files, err := messageFiles(folder)
	if err != nil {
		return Scanned{}, fmt.Errorf("scan %s: %w", folder, err)
	}
	files = newestFiles(files, limit)
	s := scan{}
	for i, f := range files {
		if err := ctx.Err(); err != nil {
			return s.Scanned, err
		}
		if i > 0 && f.index != files[i-1].index+1 {
			return s.Scanned, fmt.Errorf("%w: scan %s: there is no file between %d.blk and %d.blk", ErrDamaged, folder, files[i-1].index, f.index)
		}
		if err := s.file(filepath.Join(folder, fmt.Sprintf("%d.blk", f.index)), f.index, i == len(files)-1); err != nil {
			return s.Scanned, err
		}
	}
	return s.Scanned, nil
}

type messageFile struct {
	index uint64
	size  int64
}

// messageFiles lists the files of messages in the order they were written.
func messageFiles(folder string) ([]messageFile, error) {
	entries, err := os.ReadDir(folder)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	var files []messageFile
	for _, e := range entries {
		name, ok := strings.CutSuffix(e.Name(), ".blk")
		index, err := strconv.ParseUint(name, 10, 32)
		if !ok || err != nil {
			continue
		}
		info, err := e.Info()
		if err != nil {
			return nil, err
		}
		files = append(files, messageFile{index, info.Size()})
	}
	slices.SortFunc(files, func(a, b messageFile) int { return cmp.Compare(a.index, b.index) })
	return files, nil
}

// newestFiles leaves out the oldest files when all have more than limit bytes. The newest one always stays.
func newestFiles(files []messageFile, limit int64) []messageFile {
	size := int64(0)
	for i := len(files) - 1; i >= 0 && limit > 0; i-- {
		if size += files[i].size; size > limit && i < len(files)-1 {
			return files[i+1:]
		}
	}
	return files
}

type scan struct{ Scanned }

// The server's record.
const (
	recordHead = 22
	recordSum  = 8
	hasHeaders = 1 << 31 // in the length
	erased     = 1 << 63 // in the sequence
	tombstone  = 1 << 62 // in the sequence
)

// file scans one file. Records that say that a message was erased are held to their checksums as others are, and count as gone.
func (s *scan) file(path string, index uint64, newest bool) error {
	content, err := os.ReadFile(path)
	if err != nil {
		return fmt.Errorf("scan: %w", err)
	}
	key := sha256.Sum256(fmt.Appendf(nil, "%s-%d", EventsStream, index))
	sum, err := highwayhash.NewDigest64(key[:])
	if err != nil {
		return fmt.Errorf("scan: %w", err)
	}
	s.Files++
	s.Bytes += int64(len(content))
	for at := 0; at < len(content); {
		rest := content[at:]
		length, seq, why := record(rest, sum)
		if why != "" {
			if newest && tornWrite(rest, length, sum) {
				s.Torn = int64(len(rest))
				return nil
			}
			return fmt.Errorf("%w: %s, at byte %d, after message %d: %s", ErrDamaged, path, at, s.Last, why)
		}
		at += length
		if seq == 0 || seq&(erased|tombstone) != 0 {
			continue
		}
		if s.Last != 0 && seq != s.Last+1 {
			return fmt.Errorf("%w: %s, at byte %d: message %d follows message %d", ErrDamaged, path, at-length, seq, s.Last)
		}
		if s.First == 0 {
			s.First = seq
		}
		s.Last = seq
		s.Messages++
	}
	return nil
}

// digest is what a record's checksum is made with.
type digest interface {
	Write([]byte) (int, error)
	Sum([]byte) []byte
	Reset()
}

// record reads the record at the front of b. When it is not what the server wrote, why says what is wrong with it; length is then what the
// record says of itself, 0 when it can not be read.
func record(b []byte, sum digest) (length int, seq uint64, why string) {
	if len(b) < recordHead+recordSum {
		return 0, 0, "a record is cut short"
	}
	written := binary.LittleEndian.Uint32(b)
	subject := int(binary.LittleEndian.Uint16(b[20:]))
	body := recordHead + subject
	if written&hasHeaders != 0 {
		body += 4
	}
	length = int(written &^ hasHeaders)
	switch {
	case length < body+recordSum || length > 2*maxMsgBytes:
		return 0, 0, "a record with an impossible length"
	case length > len(b):
		return length, 0, "a record is cut short"
	}
	sum.Reset()
	end := length - recordSum
	for _, part := range [][]byte{b[4:20], b[recordHead : recordHead+subject], b[body:end]} {
		if _, err := sum.Write(part); err != nil {
			return length, 0, err.Error()
		}
	}
	if !bytes.Equal(sum.Sum(nil), b[end:length]) {
		return length, 0, "a record that does not hold its checksum"
	}
	if written&hasHeaders != 0 && !headersEnd(b[body-4:end]) {
		return length, 0, "a record whose headers do not end where it says" // which the checksum does not cover
	}
	return length, binary.LittleEndian.Uint64(b[4:]), ""
}

// headersEnd reports whether headers end where the length before them says. What does not begin as headers do is what a client of its own
// has sent, and ends anywhere.
func headersEnd(b []byte) bool {
	length := int(binary.LittleEndian.Uint32(b))
	b = b[4:]
	return length <= len(b) && (!bytes.HasPrefix(b, []byte("NATS/1.0")) || bytes.HasSuffix(b[:length], []byte("\r\n\r\n")))
}

// tornWrite reports whether the end of the newest file is what a write that was cut off leaves: a record that the file ends in, or one that
// ends in zeros where its checksum would be. A record that is whole but for the length it gives itself was not cut off.
func tornWrite(rest []byte, length int, sum digest) bool {
	if len(rest) < recordHead+recordSum {
		return true
	}
	if length > len(rest) {
		mended := bytes.Clone(rest)
		binary.LittleEndian.PutUint32(mended, uint32(len(rest))|binary.LittleEndian.Uint32(rest)&hasHeaders)
		_, _, why := record(mended, sum)
		return why != ""
	}
	return len(bytes.Trim(rest[len(rest)-recordSum:], "\x00")) == 0
}
