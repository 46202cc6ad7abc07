package broker

import (
	"encoding/binary"
	"errors"
	"log/slog"
	"os"
	"path/filepath"
	"testing"
)

// What can still be read of harmed files is given back once, in order, with the bytes it had, and the bytes that can not are counted.
func TestSalvage(t *testing.T) {
	dir := t.TempDir()
	b := mustOpen(t, Options{Dir: dir})
	big := make([]Message, 12)
	for i := range big {
		body := make([]byte, MaxBodyBytes)
		body[0] = byte(i)
		big[i] = Message{Subject: "office.main", Body: body}
	}
	publish(t, b, big)            // fills more than one file
	publish(t, b, numbered(0, 9)) // with the headers of a batch
	must(t, b.Close(t.Context()))
	s, err := Scan(t.Context(), dir, 0)
	must(t, err)
	if s.First != 1 || s.Last != 21 || s.Messages != 21 || s.Files < 2 || s.Torn != 0 {
		t.Fatalf("scanned %+v", s)
	}
	if newest, err := Scan(t.Context(), dir, 1); err != nil || newest.Files != 1 || newest.Last != 21 || newest.First == 1 {
		t.Errorf("the newest file alone: %+v, %v", newest, err)
	}
	msgs := filepath.Join(b.server.streamFolder(EventsStream), "msgs")
	first := filepath.Join(msgs, "1.blk")
	content, err := os.ReadFile(first)
	must(t, err)
	content[len(content)/2] ^= 1 // and the rest of the first file can not be read
	must(t, os.WriteFile(first, content, 0o600))
	if _, err := Scan(t.Context(), dir, 0); !errors.Is(err, ErrDamaged) {
		t.Errorf("scan: %v", err)
	}
	last, n := uint64(0), 0
	lost, err := Salvage(t.Context(), dir, 2, func(d Delivery) error {
		if d.StreamSeq <= max(last, 2) {
			t.Errorf("message %d after %d", d.StreamSeq, last)
		}
		last = d.StreamSeq
		n++
		want := Message{Subject: "office.main"}
		if last > 12 {
			want = numbered(int(last)-13, 1)[0]
		} else {
			want.Body = big[last-1].Body
		}
		if d.Subject != want.Subject || string(d.Body) != string(want.Body) {
			t.Errorf("message %d is %d bytes of %s", last, len(d.Body), d.Subject)
		}
		return nil
	})
	must(t, err)
	if last != 21 || n >= 19 || n < 9 || lost == 0 {
		t.Errorf("%d messages up to %d, %d bytes lost", n, last, lost)
	}
	must(t, os.Remove(first))
	must(t, os.WriteFile(first, content[:10], 0o600))
	must(t, os.Rename(filepath.Join(msgs, "2.blk"), filepath.Join(msgs, "3.blk")))
	if _, err := Scan(t.Context(), dir, 0); !errors.Is(err, ErrDamaged) {
		t.Errorf("a file is missing in between: %v", err)
	}
	if s, err := Scan(t.Context(), t.TempDir(), 0); err != nil || s != (Scanned{}) {
		t.Errorf("an empty folder: %+v, %v", s, err)
	}
}

// The last write to the newest file may have been cut off; nothing else may.
func TestTornWrite(t *testing.T) {
	dir := t.TempDir()
	b := mustOpen(t, Options{Dir: dir})
	publish(t, b, numbered(0, 3))
	block := filepath.Join(b.server.streamFolder(EventsStream), "msgs", "1.blk")
	must(t, b.Close(t.Context()))
	whole, err := os.ReadFile(block)
	must(t, err)
	for _, c := range []struct {
		name string
		end  []byte
		torn bool
	}{
		{"half a record", whole[:20], true},
		{"zeros", make([]byte, 40), true},
		{"a record without its checksum", append(append([]byte(nil), whole[:30]...), make([]byte, 100)...), true},
		{"something else", []byte("something else that is longer than the head of a record"), false},
	} {
		must(t, os.WriteFile(block, append(append([]byte(nil), whole...), c.end...), 0o600))
		s, err := Scan(t.Context(), dir, 0)
		if c.torn != (err == nil) || c.torn != (s.Torn > 0) || s.Last != 3 {
			t.Errorf("%s: %+v, %v", c.name, s, err)
		}
	}
	longer := append([]byte(nil), whole...)
	last := 0 // where the last record begins
	for next := 0; next < len(whole); next += int(binary.LittleEndian.Uint32(whole[next:]) &^ hasHeaders) {
		last = next
	}
	longer[last+1] ^= 1 // it says that it is 256 bytes longer, and is whole but for that
	must(t, os.WriteFile(block, longer, 0o600))
	if _, err := Scan(t.Context(), dir, 0); !errors.Is(err, ErrDamaged) {
		t.Errorf("a changed last record: %v", err)
	}
}

// Records survive when the events' stream is begun anew; a shelf that can not be read is not replaced by an empty one.
func TestRecordsAreKept(t *testing.T) {
	dir := t.TempDir()
	b := mustOpen(t, Options{Dir: dir})
	shelf, err := b.Records(t.Context(), "PEOPLE")
	must(t, err)
	_, err = shelf.Put(t.Context(), "one", []byte("kept"), 0)
	must(t, err)
	publish(t, b, numbered(0, 3))
	must(t, b.Close(t.Context()))

	anew := filepath.Join(t.TempDir(), "anew")
	names, err := KeepOthers(dir, anew)
	must(t, err)
	if len(names) != 1 {
		t.Fatalf("kept %q", names)
	}
	b = mustOpen(t, Options{Dir: anew})
	state, err := b.StreamState(t.Context())
	must(t, err)
	if state.LastSeq != 0 {
		t.Errorf("the new stream holds %d messages", state.LastSeq)
	}
	shelf, err = b.Records(t.Context(), "PEOPLE")
	must(t, err)
	if got, err := shelf.Get(t.Context(), "one"); err != nil || string(got.Value) != "kept" {
		t.Errorf("the record is %+v, %v", got, err)
	}
	must(t, b.Close(t.Context()))
	description := filepath.Join(b.server.streamFolder(names[0]), "meta.inf")
	content, err := os.ReadFile(description)
	must(t, err)
	content[len(content)/2] ^= 1
	must(t, os.WriteFile(description, content, 0o600))
	b = mustOpen(t, Options{Dir: anew})
	_, err = b.Records(t.Context(), "PEOPLE")
	wantError(t, err, ErrDamaged)
}

// The lines are those of nats-server 2.15.2 about messages that it can not read; those about what it makes anew are not damage.
func TestServerLogTellsDamage(t *testing.T) {
	for line, damage := range map[string]bool{
		"Filestore [SPOILBOOK_EVENTS] loadBlock error: message block data missing":                                  true,
		"Filestore [SPOILBOOK_EVENTS] indexCacheBuf corrupt state in /x/1.blk: mb.first 1 mb.last 9":                true,
		"Filestore [SPOILBOOK_EVENTS] Error loading msg seq 7 for recovering per-message state: corrupt state file": true,
		"Filestore [SPOILBOOK_EVENTS] Stream state checksum did not match":                                          false,
		"Filestore [SPOILBOOK_EVENTS] Stream state outdated, last block has additional entries, will rebuild":       false,
		"Filestore [SPOILBOOK_RECEIPTS] loadBlock error: message block data missing":                                false,
	} {
		b := &Broker{server: &embedded{log: &serverLog{log: slog.New(slog.DiscardHandler)}}}
		b.server.log.Warnf("%s", line)
		if err := b.Damage(); errors.Is(err, ErrDamaged) != damage {
			t.Errorf("after %q: %v", line, err)
		}
	}
	if err := (&Broker{}).Damage(); err != nil {
		t.Errorf("an external server: %v", err)
	}
}
