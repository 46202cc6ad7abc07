package store_test

import (
	"context"
	"fmt"
	"net/http"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/services/ledger"
	"spoilbook/services/rigtest"
	"spoilbook/services/store"
)

func openOn(t testing.TB, transport http.RoundTripper) *store.Store {
	t.Helper()
	s, err := store.Open(t.Context(), store.Options{Transport: transport})
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

func open(t testing.TB) *store.Store {
	t.Helper()
	return openOn(t, rigtest.Engine(t).Transport())
}

func block(first, n uint64) *ledger.Block {
	b := &ledger.Block{Stream: "S@1", FirstSeq: first, LastSeq: first + n - 1, At: time.UnixMilli(1_790_000_000_000)}
	for i := first; i < first+n; i++ {
		body := []byte(fmt.Sprintf(`{"n":%d}`, i))
		b.Records = append(b.Records, ledger.Record{Position: i, Source: "/truck/TM-01", ID: fmt.Sprintf("TM-01-%06d", i), Seq: i,
			Kind: events.KindShiftStarted, Truck: "TM-01", Occurred: events.MustTime("2026-10-05T08:25:00.000+01:00"),
			Recorded: b.At, Stream: b.Stream, StreamSeq: i, Body: body, Hash: chain.LeafHash(body)})
	}
	b.Position = first + n - 1
	return b
}

func TestAppendAndRead(t *testing.T) {
	s := open(t)
	ctx := t.Context()
	first, second := block(1, 1000), block(1001, 500)
	for _, b := range []*ledger.Block{first, first, second} { // the first one twice: it counts once
		if err := s.Append(ctx, b); err != nil {
			t.Fatal(err)
		}
	}
	head, err := s.Head(ctx)
	if err != nil || head.Position != 1500 || head.RootPosition != 1500 {
		t.Fatalf("head %+v, %v", head, err)
	}
	seen := map[uint64]string{}
	err = s.Read(ctx, ledger.Selection{Trucks: []events.TruckID{"TM-01"}, UpTo: 1200}, func(r *ledger.Record) error {
		seen[r.Position] = string(r.Body)
		if r.Hash != chain.LeafHash(r.Body) {
			t.Errorf("position %d: hash does not match", r.Position)
		}
		return nil
	})
	if err != nil || len(seen) != 1200 || seen[7] != `{"n":7}` {
		t.Fatalf("read %d events, position 7 %q, %v", len(seen), seen[7], err)
	}
	found, err := s.Find(ctx, ledger.EventQuery{After: 10, Limit: 3, Truck: "TM-01"})
	if err != nil || len(found) != 3 || found[0].Position != 11 || found[2].ID != "TM-01-000013" {
		t.Fatalf("found %+v, %v", found, err)
	}
	known, err := s.Lookup(ctx, "/truck/TM-01", "TM-01", []string{"TM-01-000005", "TM-01-009999"}, []uint64{6, 5})
	if err != nil || len(known) != 2 {
		t.Fatalf("known %+v, %v", known, err)
	}
}

// An intake that was halted between its look and its insert, and wakes after another took over, stores nothing: of two inserts at one
// place the second is dropped, whatever its content and length, and what stands is what the first stored.
func TestALateInsertIsDropped(t *testing.T) {
	s := open(t)
	if err := s.Append(t.Context(), block(1, 10)); err != nil {
		t.Fatal(err)
	}
	for _, late := range []*ledger.Block{block(1, 10), block(1, 3), block(1, 25)} {
		for i := range late.Records {
			late.Records[i].Body = []byte(fmt.Sprintf(`{"late":%d}`, i))
			late.Records[i].Hash = chain.LeafHash(late.Records[i].Body)
		}
		if err := s.InsertUnlooked(t.Context(), late.Records); err != nil {
			t.Fatal(err)
		}
		var rows uint64
		if err := s.Read(t.Context(), ledger.Selection{UpTo: 100}, func(r *ledger.Record) error {
			if rows++; string(r.Body) != fmt.Sprintf(`{"n":%d}`, r.Position) {
				t.Errorf("position %d holds %s", r.Position, r.Body)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if rows != 10 {
			t.Fatalf("%d rows after a late insert of %d, want 10", rows, len(late.Records))
		}
	}
	other := block(1, 10)
	other.Root = [32]byte{1}
	if err := s.Append(t.Context(), other); ledger.CodeOf(err) != ledger.Damaged {
		t.Errorf("another block at a place of the stream that is taken: %v", err)
	}
	if err := s.Append(t.Context(), block(11, 5)); err != nil {
		t.Fatal(err)
	}
}

// A store that died between noting an insert's token and keeping its rows drops every retry under that token. The block is stored all the
// same, again and again, and a late insert under the first token still is not.
func TestABlockIsStoredThoughItsTokenIsRememberedWithoutIt(t *testing.T) {
	s := open(t)
	b := block(1, 10)
	b.Quarantined = []ledger.Quarantined{{Entry: 1, Received: b.At, Stream: b.Stream, StreamSeq: 11, Code: "x", Body: []byte("?"), Hash: chain.LeafHash([]byte("?"))}}
	for round := range 3 {
		if err := s.Append(t.Context(), b); err != nil {
			t.Fatalf("round %d: %v", round, err)
		}
		head, err := s.Head(t.Context())
		if err != nil || head.Position != 10 {
			t.Fatalf("round %d: head %+v, %v", round, head, err)
		}
		for _, table := range []string{"events", "quarantine", "blocks"} {
			if err := s.Forget(t.Context(), table); err != nil {
				t.Fatal(err)
			}
		}
		if head, err = s.Head(t.Context()); err != nil || head.Position != 0 {
			t.Fatalf("round %d: nothing was forgotten: head %+v, %v", round, head, err)
		}
	}
	if err := s.Append(t.Context(), b); err != nil {
		t.Fatal(err)
	}
	if err := s.InsertUnlooked(t.Context(), block(1, 3).Records); err != nil {
		t.Fatal(err)
	}
	rows := 0
	err := s.Read(t.Context(), ledger.Selection{UpTo: 100}, func(*ledger.Record) error { rows++; return nil })
	if err != nil || rows != 10 {
		t.Errorf("%d rows after a late insert, want 10, %v", rows, err)
	}
}

func TestAppendRefusesOtherContent(t *testing.T) {
	s := open(t)
	b := block(1, 10)
	if err := s.Append(t.Context(), b); err != nil {
		t.Fatal(err)
	}
	other := block(1, 10)
	other.Records[3].Body = []byte("{}")
	other.Records[3].Hash = chain.LeafHash(other.Records[3].Body)
	if err := s.Append(t.Context(), other); ledger.CodeOf(err) != ledger.Damaged {
		t.Fatalf("another body under a position taken gives %v, want %s", err, ledger.Damaged)
	}
}

func TestQuarantineAndFates(t *testing.T) {
	s := open(t)
	ctx := t.Context()
	b := block(1, 5)
	b.LastSeq = 8 // 6 duplicate, 7 and 8 quarantined
	b.Duplicates = 1
	for i := uint64(1); i <= 2; i++ {
		b.Quarantined = append(b.Quarantined, ledger.Quarantined{Entry: i, Received: b.At, Stream: b.Stream, StreamSeq: 6 + i,
			Subject: "office.yard", Code: "invalid", Reason: "seq: found 0", Body: []byte{0xff, 0, '{'}})
	}
	if err := s.Append(ctx, b); err != nil {
		t.Fatal(err)
	}
	f, err := s.Fates(ctx, b.Stream, 1, 8)
	if err != nil || f.Recorded != 5 || f.Duplicates != 1 || f.Quarantined != 2 || len(f.Entries) != 2 {
		t.Fatalf("fates %+v, %v", f, err)
	}
	if err := s.Settle(ctx, 1, ledger.Settlement{At: time.Now(), Action: "dismissed", Author: "Office", Note: "a test"}); err != nil {
		t.Fatal(err)
	}
	held, err := s.Quarantine(ctx, ledger.QuarantineQuery{Limit: 10})
	if err != nil || len(held) != 1 || held[0].Entry != 2 || string(held[0].Body) != "\xff\x00{" {
		t.Fatalf("held %+v, %v", held, err)
	}
	all, err := s.Quarantine(ctx, ledger.QuarantineQuery{Limit: 10, All: true})
	if err != nil || len(all) != 2 || all[0].State != "dismissed" || all[0].Settled.Note != "a test" {
		t.Fatalf("all %+v, %v", all, err)
	}
	if last, seqs, err := s.QuarantineState(ctx, b.Stream, 7); err != nil || last != 2 || len(seqs) != 1 || seqs[0] != 8 {
		t.Fatalf("quarantine state %d %v, %v", last, seqs, err)
	}
}

func TestSourcesAndHashes(t *testing.T) {
	s := open(t)
	if err := s.Append(t.Context(), block(1, 20)); err != nil {
		t.Fatal(err)
	}
	sources, err := s.Sources(t.Context())
	if err != nil || len(sources) != 1 || sources[0].Highest != 20 || sources[0].Count != 20 {
		t.Fatalf("sources %+v, %v", sources, err)
	}
	hashes, err := s.Hashes(t.Context(), 3, 7)
	if err != nil || len(hashes) != 5 || hashes[0] != chain.LeafHash([]byte(`{"n":3}`)) {
		t.Fatalf("hashes %d, %v", len(hashes), err)
	}
	numbers, err := s.Numbers(t.Context(), "/truck/TM-01")
	if err != nil || len(numbers) != 20 {
		t.Fatalf("numbers %v, %v", numbers, err)
	}
}

func BenchmarkAppend(b *testing.B) {
	s := open(b)
	const n = 4096
	next := uint64(1)
	for b.Loop() {
		if err := s.Append(context.Background(), block(next, n)); err != nil {
			b.Fatal(err)
		}
		next += n
	}
	b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "events/s")
}

// meanwhile calls do once, after the first request that it carries when armed.
type meanwhile struct {
	http.RoundTripper
	do func()
}

func (m *meanwhile) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := m.RoundTripper.RoundTrip(r)
	if do := m.do; do != nil {
		m.do = nil
		do()
	}
	return res, err
}

// A block that is stored while the head is read must not look like damage.
func TestHeadWhileABlockIsStored(t *testing.T) {
	e := rigtest.Engine(t)
	writer, transport := openOn(t, e.Transport()), &meanwhile{RoundTripper: e.Transport()}
	reader := openOn(t, transport)
	if err := writer.Append(t.Context(), block(1, 10)); err != nil {
		t.Fatal(err)
	}
	transport.do = func() {
		if err := writer.Append(t.Context(), block(11, 10)); err != nil {
			t.Error(err)
		}
	}
	h, err := reader.Head(t.Context())
	if err != nil || h.RootPosition != 10 || h.Position != 20 {
		t.Fatalf("head %+v, %v; want the block line of 10 and the events of 20", h, err)
	}
}
