package store_test

import (
	"bytes"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"testing"
	"time"

	"spoilbook/events/chain"
	"spoilbook/services/engine"
	"spoilbook/services/ledger"
	"spoilbook/services/rigtest"
	"spoilbook/services/store"
)

// copied is everything of a store that a copy has.
type copied struct {
	ends        []ledger.StreamEnd
	lines       []ledger.BlockLine
	records     []ledger.Record
	entries     []ledger.Quarantined
	settlements []ledger.SettledEntry
	adoptions   ledger.Adoptions
}

func copyOf(t *testing.T, s *store.Store) (c copied) {
	t.Helper()
	ctx := t.Context()
	var err error
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	c.ends, err = s.StreamEnds(ctx)
	must(err)
	for _, end := range c.ends {
		lines, err := s.BlockLines(ctx, end.Stream, 0, end.LastSeq)
		must(err)
		c.lines = append(c.lines, lines...)
		for uint64(len(c.records)) < end.Position {
			page, err := s.Records(ctx, uint64(len(c.records)), end.Position)
			must(err)
			c.records = append(c.records, page...)
		}
	}
	c.entries, err = s.Entries(ctx, 0)
	must(err)
	c.settlements, err = s.Settlements(ctx, 0)
	must(err)
	c.adoptions, err = s.Adoptions(ctx)
	must(err)
	return c
}

// openDatabase opens a store in a second database of an engine, over HTTP.
func openDatabase(t *testing.T, e *engine.Engine, name string) *store.Store {
	t.Helper()
	server := httptest.NewServer(e.Handler(engine.HandlerOptions{}))
	t.Cleanup(server.Close)
	res, err := http.Post(server.URL, "text/plain", strings.NewReader("CREATE DATABASE "+name))
	if err != nil || res.StatusCode != http.StatusOK {
		t.Fatalf("create database: %v, %v", res, err)
	}
	if err := res.Body.Close(); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(t.Context(), store.Options{URL: server.URL + "/" + name})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	})
	return s
}

// settledStore has two streams, a large body, and a message that was dismissed
// after it had been released.
func settledStore(t *testing.T, s *store.Store) *store.Store {
	t.Helper()
	ctx := t.Context()
	first := block(1, 7000)
	large := bytes.Repeat([]byte("x"), 200<<10)
	for i := range 100 {
		first.Records[i].Body, first.Records[i].Hash = large, chain.LeafHash(large)
	}
	first.LastSeq, first.Duplicates = 7003, 1
	for i := range uint64(2) {
		body := []byte{'{', byte(i), 0xff}
		first.Quarantined = append(first.Quarantined, ledger.Quarantined{Entry: i + 1, Received: first.At, Stream: first.Stream, StreamSeq: 7002 + i,
			Subject: "office.unreadable", Code: "invalid", Reason: "no JSON", Body: body, Hash: chain.LeafHash(body), State: "held"})
	}
	second := block(7001, 3)
	second.Stream, second.FirstSeq, second.LastSeq, second.At = "S@2", 1, 3, first.At.Add(-time.Hour) // the clock was set back
	for i := range second.Records {
		second.Records[i].Stream, second.Records[i].StreamSeq = "S@2", uint64(i)+1
	}
	for _, b := range []*ledger.Block{first, second} {
		if err := s.Append(ctx, b); err != nil {
			t.Fatal(err)
		}
	}
	for i, action := range []string{"released", "dismissed"} {
		if err := s.Settle(ctx, 2, ledger.Settlement{At: first.At.Add(time.Duration(i) * time.Minute), Action: action, Author: "Yard office", Note: "why"}); err != nil {
			t.Fatal(err)
		}
	}
	if err := s.Adopt(ctx, ledger.Adoption{Stream: "S@2", At: first.At, Author: "Yard office", Reason: "why"}); err != nil {
		t.Fatal(err)
	}
	return s
}

// What is read of a store to copy it, and put into another, reads the same there;
// put twice it counts once.
func TestCopyReadsTheSame(t *testing.T) {
	e := rigtest.Engine(t)
	s := settledStore(t, openOn(t, e.Transport()))
	want := copyOf(t, s)
	if len(want.records) != 7003 || len(want.lines) != 2 || len(want.entries) != 2 || len(want.settlements) != 2 || len(want.adoptions) != 1 {
		t.Fatalf("%d records, %d lines, %d entries, %d settlements, %d adoptions", len(want.records), len(want.lines), len(want.entries), len(want.settlements), len(want.adoptions))
	}
	if len(want.ends) != 2 || want.ends[0].Stream != "S@1" || want.ends[1] != (ledger.StreamEnd{Stream: "S@2", LastSeq: 3, Position: 7003}) {
		t.Fatalf("streams end at %+v", want.ends)
	}
	if page, err := s.Records(t.Context(), 0, 7003); err != nil || len(page) >= 100 || len(page) < 80 {
		t.Errorf("a page of large records has %d, %v", len(page), err)
	}
	into := openDatabase(t, e, "other")
	for range 2 {
		put(t, into, want)
	}
	got := copyOf(t, into)
	if !reflect.DeepEqual(got, want) {
		t.Errorf("the copy reads otherwise: %+v, want %+v", got.ends, want.ends)
	}
}

func put(t *testing.T, s *store.Store, c copied) {
	t.Helper()
	ctx := t.Context()
	for _, err := range []error{s.PutEntries(ctx, c.entries), s.PutRecords(ctx, c.records[:5000]), s.PutRecords(ctx, c.records[5000:]), s.PutBlockLines(ctx, c.lines)} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, e := range c.settlements {
		if err := s.PutSettlement(ctx, e); err != nil {
			t.Fatal(err)
		}
	}
	for _, a := range c.adoptions {
		if err := s.PutAdoption(ctx, a); err != nil {
			t.Fatal(err)
		}
	}
}

func TestCopyFindsHoles(t *testing.T) {
	s := settledStore(t, open(t))
	for _, after := range []uint64{7003, 8000} {
		if _, err := s.Records(t.Context(), after, 9000); ledger.CodeOf(err) != ledger.Damaged {
			t.Errorf("records above %d: %v", after, err)
		}
	}
	if page, err := s.Records(t.Context(), 7003, 7003); err != nil || len(page) != 0 {
		t.Errorf("%d records above the last, %v", len(page), err)
	}
}

func TestMarks(t *testing.T) {
	s := open(t)
	for _, text := range []string{"", "one", "two", "", "two"} {
		if err := s.Mark(t.Context(), ledger.MarkMoving, text); err != nil {
			t.Fatal(err)
		}
		if got, err := s.Marked(t.Context(), ledger.MarkMoving); err != nil || got != text {
			t.Errorf("mark %q, want %q, %v", got, text, err)
		}
		if got, err := s.Marked(t.Context(), ledger.MarkMoved); err != nil || got != "" {
			t.Errorf("another mark %q, %v", got, err)
		}
	}
}
