package broker

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"github.com/minio/highwayhash"
	"github.com/nats-io/nats-server/v2/server"
)

// Salvage calls each for every message after a sequence that can still be read whole from the message files of a damaged storage folder,
// in the order of the files, without starting a server. Behind a bad record the rest of its file can not be read; lost counts the bytes.
func Salvage(ctx context.Context, dir string, after uint64, each func(Delivery) error) (lost int64, err error) {
	folder := filepath.Join(dir, server.JetStreamStoreDir, server.DEFAULT_GLOBAL_ACCOUNT, "streams", EventsStream, "msgs")
	files, err := messageFiles(folder)
	if err != nil {
		return 0, fmt.Errorf("salvage %s: %w", folder, err)
	}
	for _, f := range files {
		if err := ctx.Err(); err != nil {
			return lost, err
		}
		n, err := salvageFile(filepath.Join(folder, fmt.Sprintf("%d.blk", f.index)), f.index, after, each)
		lost += n
		if err != nil {
			return lost, fmt.Errorf("salvage: %w", err)
		}
	}
	return lost, nil
}

func salvageFile(path string, index, after uint64, each func(Delivery) error) (lost int64, err error) {
	content, err := os.ReadFile(path)
	if err != nil {
		return 0, err
	}
	key := sha256.Sum256(fmt.Appendf(nil, "%s-%d", EventsStream, index))
	sum, err := highwayhash.NewDigest64(key[:])
	if err != nil {
		return 0, err
	}
	for len(content) > 0 {
		length, seq, why := record(content, sum)
		if why != "" {
			return int64(len(content)), nil
		}
		subject := string(content[recordHead : recordHead+int(binary.LittleEndian.Uint16(content[20:]))])
		body := content[recordHead+len(subject) : length-recordSum]
		if binary.LittleEndian.Uint32(content)&hasHeaders != 0 {
			body = body[4+int(binary.LittleEndian.Uint32(body)):] // which record has looked at
		}
		content = content[length:]
		if seq <= after || seq&(erased|tombstone) != 0 {
			continue
		}
		if err := each(Delivery{Subject: strings.TrimPrefix(subject, EventsPrefix), Body: body, StreamSeq: seq}); err != nil {
			return 0, err
		}
	}
	return 0, nil
}

// KeepOthers copies the streams of a storage folder other than events and receipts to a folder of a broker that does not exist yet, and
// returns their names. No server may run on either.
func KeepOthers(from, to string) (names []string, err error) {
	streams := filepath.Join(server.JetStreamStoreDir, server.DEFAULT_GLOBAL_ACCOUNT, "streams")
	entries, err := os.ReadDir(filepath.Join(from, streams))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("keep other streams: %w", err)
	}
	for _, e := range entries {
		if name := e.Name(); e.IsDir() && name != EventsStream && name != ReceiptsStream {
			if err := os.CopyFS(filepath.Join(to, streams, name), os.DirFS(filepath.Join(from, streams, name))); err != nil {
				return names, fmt.Errorf("keep other streams: %w", err)
			}
			names = append(names, name)
		}
	}
	return names, nil
}
