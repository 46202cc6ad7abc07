package backup_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/audit"
	"spoilbook/services/ledger"
)

// errCut is what a book says from the step on at which it is cut off.
var errCut = errors.New("cut off")

// book is a ledger in memory. Its pages are short, so that small ledgers have many.
type book struct {
	records     []ledger.Record
	lines       []ledger.BlockLine
	entries     []ledger.Quarantined
	settlements []ledger.SettledEntry
	adoptions   ledger.Adoptions
	marks       map[string]string
	tree        *audit.Tree

	pageRows int
	onRead   func() // before each page; may be nil
	cutAt    int    // the step of writing at which it is cut off; 0 for none
	steps    int
}

func newBook() *book {
	tree, err := audit.Restore(0, nil)
	if err != nil {
		panic(err) // the empty tree
	}
	return &book{marks: map[string]string{}, tree: tree, pageRows: 3}
}

func (b *book) read() {
	if b.onRead != nil {
		b.onRead()
	}
}

func (b *book) StreamEnds(context.Context) ([]ledger.StreamEnd, error) {
	b.read()
	var out []ledger.StreamEnd
	for _, l := range b.lines {
		e := ledger.StreamEnd{Stream: l.Stream, LastSeq: l.LastSeq, Position: l.Position}
		if n := len(out); n > 0 && out[n-1].Stream == l.Stream {
			out[n-1] = e
			continue
		}
		out = append(out, e)
	}
	return out, nil
}

func page[T any](b *book, list []T, wanted func(*T) bool) []T {
	b.read()
	var out []T
	for i := range list {
		if wanted(&list[i]) && len(out) < b.pageRows {
			out = append(out, list[i])
		}
	}
	return out
}

func (b *book) BlockLines(_ context.Context, stream string, after, upTo uint64) ([]ledger.BlockLine, error) {
	return page(b, b.lines, func(l *ledger.BlockLine) bool { return l.Stream == stream && l.LastSeq > after && l.LastSeq <= upTo }), nil
}

func (b *book) Records(_ context.Context, after, upTo uint64) ([]ledger.Record, error) {
	return page(b, b.records, func(r *ledger.Record) bool { return r.Position > after && r.Position <= upTo }), nil
}

func (b *book) Entries(_ context.Context, after uint64) ([]ledger.Quarantined, error) {
	return page(b, b.entries, func(q *ledger.Quarantined) bool { return q.Entry > after }), nil
}

func (b *book) Settlements(_ context.Context, after uint64) ([]ledger.SettledEntry, error) {
	b.read()
	sorted := slices.Clone(b.settlements)
	slices.SortStableFunc(sorted, func(x, y ledger.SettledEntry) int { return int(x.Entry) - int(y.Entry) })
	var out []ledger.SettledEntry
	for _, s := range sorted {
		if s.Entry > after && (len(out) == 0 || out[0].Entry == s.Entry) {
			out = append(out, s)
		}
	}
	return out, nil
}

func (b *book) Adoptions(context.Context) (ledger.Adoptions, error) {
	b.read()
	return slices.Clone(b.adoptions), nil
}

func (b *book) Head(context.Context) (ledger.Head, error) {
	return ledger.Head{Position: uint64(len(b.records))}, nil
}

// write counts a step, and is cut off before it or after it.
func (b *book) write(do func()) error {
	b.steps++
	if b.steps == b.cutAt {
		return errCut
	}
	do()
	if b.steps++; b.steps == b.cutAt {
		return errCut
	}
	return nil
}

func (b *book) PutRecords(_ context.Context, rs []ledger.Record) error {
	if rs[0].Position != uint64(len(b.records))+1 {
		return fmt.Errorf("position %d is put after %d", rs[0].Position, len(b.records))
	}
	return b.write(func() { b.records = append(b.records, rs...) })
}

func (b *book) PutEntries(_ context.Context, qs []ledger.Quarantined) error {
	if qs[0].Entry != uint64(len(b.entries))+1 {
		return fmt.Errorf("entry %d is put after %d", qs[0].Entry, len(b.entries))
	}
	return b.write(func() { b.entries = append(b.entries, qs...) })
}

func (b *book) PutBlockLines(_ context.Context, ls []ledger.BlockLine) error {
	if last := ls[len(ls)-1].Position; last > uint64(len(b.records)) {
		return fmt.Errorf("a block that ends at position %d is put when there are %d records", last, len(b.records))
	}
	return b.write(func() { b.lines = append(b.lines, ls...) })
}

func (b *book) PutSettlement(_ context.Context, s ledger.SettledEntry) error {
	return b.write(func() { b.settlements = append(b.settlements, s) })
}

func (b *book) PutAdoption(_ context.Context, a ledger.Adoption) error {
	return b.write(func() { b.adoptions = append(b.adoptions, a) })
}

func (b *book) Mark(_ context.Context, mark, text string) error {
	return b.write(func() { b.marks[mark] = text })
}

func (b *book) Marked(_ context.Context, mark string) (string, error) { return b.marks[mark], nil }

// day is the moment at which the invented ledgers begin.
func day() time.Time { return time.Date(2026, 10, 5, 7, 0, 0, 0, time.UTC) }

// body is an event of a truck.
func body(t failer, number uint64) []byte {
	t.Helper()
	e := events.Event{ID: fmt.Sprintf("TM-01-%d", number), Source: events.TruckSource("TM-01"), Seq: number, Truck: "TM-01", Job: "J-1",
		Occurred: events.TimeOf(day().Add(time.Duration(number) * time.Second)), Origin: events.FromController, Body: events.SiteArrived{}}
	b, err := wire.Encode(&e)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

type failer interface {
	Helper()
	Fatal(...any)
	Fatalf(string, ...any)
	Errorf(string, ...any)
}

// fates are what becomes of the messages of one block: r recorded, d duplicate,
// q quarantined.
func (b *book) block(t failer, stream, fates string) {
	t.Helper()
	line := ledger.BlockLine{Stream: stream, FirstSeq: 1, At: day().Add(time.Duration(len(b.lines)) * time.Minute)}
	if n := len(b.lines); n > 0 && b.lines[n-1].Stream == stream {
		line.FirstSeq = b.lines[n-1].LastSeq + 1
	}
	for i, fate := range fates {
		seq := line.FirstSeq + uint64(i)
		line.LastSeq = seq
		switch fate {
		case 'r':
			position := uint64(len(b.records)) + 1
			raw := body(t, position)
			e, err := wire.Decode(raw)
			if err != nil {
				t.Fatal(err)
			}
			r := ledger.Record{Position: position, Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(), Truck: e.Truck, Job: e.Job,
				Occurred: events.Time{UnixMS: e.Occurred.UnixMS}, Recorded: line.At, Stream: stream, StreamSeq: seq, Body: raw, Hash: chain.LeafHash(raw)}
			b.records = append(b.records, r)
			if err := b.tree.Append(r.Hash); err != nil {
				t.Fatal(err)
			}
			line.Recorded++
		case 'q':
			raw := []byte{'{', byte(seq), 0xff, byte(len(b.entries))}
			b.entries = append(b.entries, ledger.Quarantined{Entry: uint64(len(b.entries)) + 1, Received: line.At, Stream: stream, StreamSeq: seq,
				Subject: "office.unreadable", Code: "invalid", Reason: "not JSON", Body: raw, Hash: chain.LeafHash(raw), State: "held"})
			line.Quarantined++
		default:
			line.Duplicates++
		}
	}
	root, err := b.tree.Root()
	if err != nil {
		t.Fatal(err)
	}
	line.Position, line.Root, line.Frontier = b.tree.Size(), root, b.tree.State()
	b.lines = append(b.lines, line)
}

func (b *book) settle(entry uint64, action string) {
	b.settlements = append(b.settlements, ledger.SettledEntry{Entry: entry, Settlement: ledger.Settlement{
		At: day().Add(time.Duration(len(b.lines)) * time.Minute), Action: action, Author: "Yard office", Note: "<why> & more"}})
}

func (b *book) adopt(stream string) {
	b.adoptions = append(b.adoptions, ledger.Adoption{Number: uint64(len(b.adoptions)) + 1, Stream: stream, Position: uint64(len(b.records)),
		At: day(), Author: "Yard office", Reason: "the first stream"})
}

// grow adds what is drawn: blocks of one or more streams, and decisions.
func (b *book) grow(t *rapid.T, label string) {
	stream := fmt.Sprintf("S@%d", len(b.adoptions))
	for range rapid.IntRange(0, 6).Draw(t, label) {
		if len(b.adoptions) == 0 || rapid.IntRange(0, 4).Draw(t, "new stream") == 0 {
			stream = fmt.Sprintf("S@%d", len(b.adoptions)+1)
			b.adopt(stream)
		}
		b.block(t, stream, rapid.StringMatching(`[rrrdq]{1,9}`).Draw(t, "fates"))
		if n := len(b.entries); n > 0 && rapid.Bool().Draw(t, "settle") {
			b.settle(rapid.Uint64Range(1, uint64(n)).Draw(t, "entry"), rapid.SampledFrom([]string{"released", "dismissed"}).Draw(t, "action"))
		}
	}
}

// small is a ledger with something of everything.
func small(t testing.TB) *book {
	b := newBook()
	b.adopt("S@1")
	b.block(t, "S@1", "rrqrd")
	b.block(t, "S@1", "q")
	b.settle(1, "released")
	b.adopt("S@2")
	b.block(t, "S@2", "rrrq")
	b.settle(2, "dismissed")
	return b
}

func (b *book) root(t failer) [32]byte {
	t.Helper()
	root, err := b.tree.Root()
	if err != nil {
		t.Fatal(err)
	}
	return root
}
