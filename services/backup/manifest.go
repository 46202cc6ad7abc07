package backup

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"
	"time"

	"spoilbook/services/audit"
	"spoilbook/services/ledger"
)

// The manifest's name, format and version. A program refuses a version above its own.
const (
	manifestName    = "manifest.json"
	manifestFormat  = "spoilbook-backup"
	manifestVersion = 1
)

// Limits of what is read of a folder. A file that says otherwise is damaged.
const (
	maxManifestBytes = 256 << 20
	maxSegments      = 1_000_000
	maxRowBytes      = 16 << 20
	maxSettlements   = 1_000_000

	segmentRows  = 50_000   // a segment ends where either is reached
	segmentBytes = 64 << 20 // before compression
)

// The kinds of segments.
const (
	recordSegments     = "records"
	entrySegments      = "entries"
	blockSegments      = "blocks"
	settlementSegments = "settlements" // one, with every decision; replaced when there are more
	adoptionSegments   = "adoptions"   // likewise
)

// segment names a file of rows.
type segment struct {
	Kind     string  `json:"kind"`
	Name     string  `json:"name"`
	Stream   string  `json:"stream,omitempty"` // of block lines
	First    uint64  `json:"first"`            // position, entry, or message that the first block ends with; 0 where there is none
	Last     uint64  `json:"last"`
	Rows     uint64  `json:"rows"`
	RawBytes uint64  `json:"rawBytes"` // before compression
	Bytes    uint64  `json:"bytes"`
	SHA256   digest  `json:"sha256"`
	Root     *digest `json:"root,omitempty"` // of records: the Merkle root over all positions up to Last
}

// end is the last block held of a stream.
type end struct {
	Stream   string `json:"stream"`
	Last     uint64 `json:"last"`
	Position uint64 `json:"position"`
	Root     digest `json:"root"`
}

// manifest says what belongs to a backup.
type manifest struct {
	Made     time.Time `json:"made"`
	Position uint64    `json:"position"`
	Root     digest    `json:"root"`
	Frontier []byte    `json:"frontier"` // the Merkle tree's state at Position
	Entries  uint64    `json:"entries"`
	Blocks   uint64    `json:"blocks"`
	Streams  []end     `json:"streams"`
	Segments []segment `json:"segments"`
}

// sealed is a manifest as it is stored: with the hash of its own bytes.
type sealed struct {
	Format   string          `json:"format"`
	Version  int             `json:"version"`
	SHA256   digest          `json:"sha256"`
	Manifest json.RawMessage `json:"manifest"`
}

func (m *manifest) encode() ([]byte, error) {
	text, err := json.Marshal(m)
	if err != nil {
		return nil, err
	}
	b, err := json.Marshal(sealed{manifestFormat, manifestVersion, sha256.Sum256(text), text})
	return append(b, '\n'), err
}

// decodeManifest reads a manifest. Only what encode writes is one: each byte counts.
func decodeManifest(b []byte) (*manifest, error) {
	var s sealed
	if err := decodeRow(b, &s); err != nil {
		return nil, err
	}
	switch {
	case s.Format != manifestFormat:
		return nil, fmt.Errorf("its format is %q, not %q", s.Format, manifestFormat)
	case s.Version > manifestVersion:
		return nil, fmt.Errorf("it has version %d and this program reads up to %d; use a newer program", s.Version, manifestVersion)
	case sha256.Sum256(s.Manifest) != s.SHA256:
		return nil, errors.New("its bytes do not match its own SHA-256")
	}
	var m manifest
	if err := decodeRow(s.Manifest, &m); err != nil {
		return nil, err
	}
	if again, err := m.encode(); err != nil || !bytes.Equal(again, b) {
		return nil, errors.New("it is not as this program writes one")
	}
	return &m, m.check()
}

// check refuses a manifest whose parts contradict each other.
func (m *manifest) check() error {
	if len(m.Segments) > maxSegments {
		return fmt.Errorf("it names %d segments; at most %d", len(m.Segments), maxSegments)
	}
	next := map[string]uint64{recordSegments: 1, entrySegments: 1}
	for _, s := range m.Segments {
		if s.Name != filepath.Base(s.Name) || s.RawBytes > 2*segmentBytes+maxRowBytes && s.Kind != settlementSegments && s.Kind != adoptionSegments {
			return fmt.Errorf("segment %q of %d bytes is not one that this program writes", s.Name, s.RawBytes)
		}
		want, dense := next[s.Kind]
		if !dense {
			continue
		}
		if s.First != want || s.Last < s.First || s.Rows != s.Last-s.First+1 {
			return fmt.Errorf("segment %s holds %d to %d in %d rows, and %d would be next", s.Name, s.First, s.Last, s.Rows, want)
		}
		next[s.Kind] = s.Last + 1
	}
	if next[recordSegments] != m.Position+1 || next[entrySegments] != m.Entries+1 {
		return fmt.Errorf("its segments end at position %d and entry %d, and it at %d and %d", next[recordSegments]-1, next[entrySegments]-1, m.Position, m.Entries)
	}
	tree, err := audit.Restore(m.Position, m.Frontier)
	if err != nil {
		return err
	}
	if root, err := tree.Root(); err != nil || root != [32]byte(m.Root) {
		return errors.New("its root is not that of its tree")
	}
	return nil
}

// readManifest returns the manifest of a folder, nil where there is none.
func readManifest(f Folder) (*manifest, error) {
	r, err := f.Open(manifestName)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("open %s: %w", manifestName, err)
	}
	b, err := io.ReadAll(io.LimitReader(r, maxManifestBytes+1))
	if err = errors.Join(err, r.Close()); err != nil {
		return nil, fmt.Errorf("read %s: %w", manifestName, err)
	}
	if len(b) > maxManifestBytes {
		return nil, ledger.Fail(ledger.Damaged, "%s is larger than any that this program writes", manifestName)
	}
	m, err := decodeManifest(b)
	if err != nil {
		return nil, ledger.Wrap(ledger.Damaged, err, "the backup's %s can not be used", manifestName)
	}
	return m, nil
}

// writeManifest puts a manifest in the place of the one before.
func writeManifest(f Folder, m *manifest) error {
	b, err := m.encode()
	if err != nil {
		return err
	}
	if err := m.check(); err != nil {
		return ledger.Wrap(ledger.Internal, err, "the manifest to be written")
	}
	if err := writeFile(f, manifestName+partial, b); err != nil {
		return err
	}
	return errors.Join(f.Rename(manifestName+partial, manifestName), f.Sync())
}

// partial ends the name of a file that is being written.
const partial = ".part"

func writeFile(f Folder, name string, b []byte) error {
	w, err := f.Create(name)
	if err != nil {
		return err
	}
	_, err = w.Write(b)
	if err == nil {
		err = w.Sync()
	}
	return errors.Join(err, w.Close())
}

func (m *manifest) standing() Standing {
	s := Standing{Position: m.Position, Root: m.Root, Entries: m.Entries, Blocks: m.Blocks, Segments: len(m.Segments), Made: m.Made}
	for i := range m.Segments {
		s.Bytes += m.Segments[i].Bytes
	}
	return s
}

// segmentName names a file of rows by what it holds, and by its content, so that no
// file that a manifest names is ever written again.
func segmentName(s *segment) string {
	return fmt.Sprintf("%s-%012d-%012d-%s.jsonl.zst", s.Kind, s.First, s.Last, hex.EncodeToString(s.SHA256[:6]))
}
