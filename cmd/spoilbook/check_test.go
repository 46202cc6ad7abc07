package main

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"spoilbook/services/ledger"
)

// statement runs one on the engine of an open ledger, as its own tools would.
func (s *site) statement(t *testing.T, sql string) {
	t.Helper()
	request, err := http.NewRequestWithContext(t.Context(), http.MethodPost, "http://engine.invalid/?mutations_sync=2", strings.NewReader(sql))
	if err != nil {
		t.Fatal(err)
	}
	answer, err := s.engine.Transport().RoundTrip(request)
	if err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	defer answer.Body.Close()
	if text, err := io.ReadAll(answer.Body); err != nil || answer.StatusCode != http.StatusOK {
		t.Fatalf("%s: %s, %v", sql, text, err)
	}
}

// wrong returns what a check says of a part.
func wrong(c *ledger.Checked, part string) string {
	for _, p := range c.Parts {
		if p.Part == part {
			return p.Wrong
		}
	}
	return ""
}

// Whatever is changed with the engine's own tools is found by the part that it
// belongs to; changed back, nothing is.
func TestCheckFindsWhatWasChanged(t *testing.T) {
	dir := t.TempDir()
	spoil(t, 0, dir, "register", "load", exampleFolder(t, "register"), "--data", "d")
	spoil(t, 0, dir, "emit", exampleFolder(t, "day.ndjson"), "--data", "d")
	spoil(t, 0, dir, "emit", exampleFolder(t, "day.ndjson"), "--data", "d") // duplicates
	bad := filepath.Join(dir, "bad.ndjson")
	if err := os.WriteFile(bad, []byte("{\"no\":1}\n{\"no\":2}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	spoil(t, 7, dir, "emit", bad, "--data", "d")
	spoil(t, 0, dir, "quarantine", "dismiss", "2", "--author", "Yard office", "--note", "a test of the fitter", "--data", "d")
	var log bytes.Buffer
	s, err := openSite(t.Context(), siteOptions{data: dir + "/d", engineCache: engineCache(t)}, false, &log)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := s.close(); err != nil {
			t.Error(err)
		}
	}()
	check := func() ledger.Checked {
		t.Helper()
		c, err := s.check(t.Context(), io.Discard)
		if err != nil {
			t.Fatal(err)
		}
		if s.broker != nil {
			if err := s.broker.Close(t.Context()); err != nil {
				t.Fatal(err)
			}
			s.broker = nil
		}
		return c
	}
	sound := check()
	if err := sound.Err(); err != nil || sound.Position != 24 {
		t.Fatalf("position %d: %v", sound.Position, err)
	}
	for _, c := range changes() {
		apply := func(to string) {
			t.Helper()
			s.statement(t, fmt.Sprintf("ALTER TABLE %s UPDATE %s = %s WHERE %s", c.table, c.column, to, c.where))
		}
		apply(c.change)
		found := check()
		if got := wrong(&found, c.part); !strings.Contains(got, c.says) || ledger.CodeOf(found.Err()) != ledger.Damaged {
			t.Errorf("%s.%s: %s says %q; want %q; all: %v", c.table, c.column, c.part, got, c.says, found.Err())
		}
		apply(c.back)
	}
	startNotices(t, s)
	if found := check(); found.Err() != nil || found.Root != sound.Root {
		t.Errorf("changed back: %v", found.Err())
	}
}

// startNotices changes one of the newest events, at which the start looks too.
func startNotices(t *testing.T, s *site) {
	t.Helper()
	s.statement(t, "ALTER TABLE events UPDATE hash = reverse(hash) WHERE position = 20")
	if err := s.openBroker(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := s.checkStanding(t.Context()); ledger.CodeOf(err) != ledger.Damaged || !strings.Contains(err.Error(), "message 20 of the broker's stream") {
		t.Errorf("the start says %v", err)
	}
	s.statement(t, "ALTER TABLE events UPDATE hash = reverse(hash) WHERE position = 20")
	if err := s.checkStanding(t.Context()); err != nil {
		t.Errorf("changed back, the start says %v", err)
	}
	if err := s.broker.Close(t.Context()); err != nil {
		t.Fatal(err)
	}
	s.broker = nil
}

// change is one made with the engine's own tools, how it is undone, and what a part
// of a check says of it.
type change struct{ table, column, change, back, where, part, says string }

func changes() []change {
	return []change{
		{"events", "recorded", "recorded + INTERVAL 1 SECOND", "recorded - INTERVAL 1 SECOND", "position = 7", "events", "position 7 says it was recorded at"},
		{"events", "stream", "'S@1'", "(SELECT any(stream) FROM blocks)", "position = 7", "events", "position 7 is of the stream"},
		{"events", "stream_seq", "6", "7", "position = 7", "events", "position 7 is message 6"},
		{"events", "operator", "'X'", "''", "position = 7", "events", "the columns of position 7"},
		{"events", "hash", "reverse(hash)", "reverse(hash)", "position = 7", "events", "the event at position 7 is not what was recorded"},
		{"events", "body", "concat(body, ' ')", "substring(body, 1, length(body) - 1)", "position = 7", "events", "position 7"},
		{"events", "hash", "reverse(hash)", "reverse(hash)", "position = 9", "stream", "message 9 of the broker's stream is not what the store has of it"},
		{"blocks", "root", "reverse(root)", "reverse(root)", "position = 11", "events", "the Merkle root over the first 11 events"},
		{"blocks", "frontier", "reverse(frontier)", "reverse(frontier)", "position = 11", "events", "the frontier of the Merkle tree stored at position 11"},
		{"blocks", "position", "0", "11", "last_seq = 11", "blocks", "can not be"},
		{"blocks", "duplicates", "duplicates - 1", "duplicates + 1", "duplicates > 0", "fates", "of 39 messages"},
		{"blocks", "recorded", "recorded + 30", "recorded - 30", "position = 11", "blocks", "can not be"},
		{"quarantine", "body", "'{}'", "'{\"no\":1}'", "entry = 1", "quarantine", "quarantine entry 1"},
		{"quarantine", "hash", "reverse(hash)", "reverse(hash)", "entry = 2", "quarantine", "quarantine entry 2"},
		{"settlements", "action", "'forgotten'", "'dismissed'", "1", "quarantine", "quarantine entry 2 is settled as \"forgotten\""},
	}
}
