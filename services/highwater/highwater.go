// Package highwater keeps one small file beside the broker's and the engine's folders
// that says how far both had come: a witness for the next start. Either folder may
// be deleted, or exchanged for an older copy, without anything in it being wrong;
// only something outside it tells.
//
// The file is written whole and synced before it takes the place of the last one,
// so a crash leaves the old one or the new one. What it says was true when it was
// written and stays true of sound folders, which only grow: so it may be written
// late, or not at all. For example, after a high water of position 5000 with root r, a
// store at position 7000 whose first 5000 events have the root r is the same store;
// one at position 4000 is an older copy.
//
// The last line is the SHA-256 of the first, so that a file that was harmed is not
// taken for a witness.
package highwater

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"spoilbook/services/ledger"
)

// Name is the file's name in a data folder.
const Name = "highwater"

// maxBytes bounds what is read of a file.
const maxBytes = 4 << 10

// ErrUnreadable means that there is a file which is not what was written.
var ErrUnreadable = errors.New("the file is not what was written to it")

type content struct {
	Stream   string    `json:"stream"`
	Received uint64    `json:"received"`
	Handled  uint64    `json:"handled"`
	Position uint64    `json:"position"`
	Root     string    `json:"root"`
	At       time.Time `json:"at"`
}

// Read returns the high water of a data folder, the zero one when there is none, and
// ErrUnreadable when there is one that was harmed.
func Read(dir string) (ledger.HighWater, error) {
	path := filepath.Join(dir, Name)
	b, err := os.ReadFile(path)
	if errors.Is(err, fs.ErrNotExist) {
		return ledger.HighWater{}, nil
	}
	if err != nil {
		return ledger.HighWater{}, fmt.Errorf("read high water: %w", err)
	}
	line, sum, _ := bytes.Cut(b, []byte("\n"))
	want := sha256.Sum256(line)
	var c content
	if len(b) > maxBytes || string(sum) != hex.EncodeToString(want[:])+"\n" || json.Unmarshal(line, &c) != nil {
		return ledger.HighWater{}, fmt.Errorf("read high water %s: %w", path, ErrUnreadable)
	}
	m := ledger.HighWater{Stream: c.Stream, Received: c.Received, Handled: c.Handled, Position: c.Position, At: c.At}
	root, err := hex.DecodeString(c.Root)
	if err != nil || len(root) != len(m.Root) {
		return ledger.HighWater{}, fmt.Errorf("read high water %s: root %q: %w", path, c.Root, ErrUnreadable)
	}
	copy(m.Root[:], root)
	return m, nil
}

// Write puts a high water in the place of the last one.
func Write(dir string, m ledger.HighWater) (err error) {
	defer func() {
		if err != nil {
			err = fmt.Errorf("write high water: %w", err)
		}
	}()
	line, err := json.Marshal(content{m.Stream, m.Received, m.Handled, m.Position, hex.EncodeToString(m.Root[:]), m.At.UTC()})
	if err != nil {
		return err
	}
	sum := sha256.Sum256(line)
	path := filepath.Join(dir, Name)
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o640)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(f, "%s\n%x\n", line, sum)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	if err := os.Rename(path+".new", path); err != nil {
		return err
	}
	return syncFolder(dir)
}

// Remove takes it away, once somebody has decided that what is there now is
// what is to be gone on with.
func Remove(dir string) error {
	if err := os.Remove(filepath.Join(dir, Name)); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove high water: %w", err)
	}
	return syncFolder(dir)
}

func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	return errors.Join(d.Sync(), d.Close())
}
