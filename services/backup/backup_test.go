package backup_test

import (
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"spoilbook/services/backup"
	"spoilbook/services/ledger"
)

// into backs a book up and wants it to work.
func into(t failer, b *book, f backup.Folder) backup.Result {
	t.Helper()
	r, err := backup.Run(ctxOf(t), b, f, backup.Options{Now: day()})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// whole wants a folder to pass every check and to hold exactly a book.
func whole(t failer, f backup.Folder, b *book) {
	t.Helper()
	s, err := backup.Check(ctxOf(t), f, nil)
	if err != nil {
		t.Fatal(err)
	}
	if s.Position != uint64(len(b.records)) || s.Root != b.root(t) || s.Entries != uint64(len(b.entries)) || s.Blocks != uint64(len(b.lines)) {
		t.Fatalf("the backup stands at %+v; the ledger has %d events, %d entries, %d blocks", s, len(b.records), len(b.entries), len(b.lines))
	}
	held, err := backup.Open(f)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := backup.Compare(ctxOf(t), b, held, nil); err != nil {
		t.Fatal(err)
	}
	if err := held.Close(); err != nil {
		t.Fatal(err)
	}
}

// same wants two books to hold the same, row by row.
func same(t failer, got, want *book) {
	t.Helper()
	for name, pair := range map[string][2]any{"records": {got.records, want.records}, "blocks": {got.lines, want.lines}, "quarantine": {got.entries, want.entries}} {
		if a, b := reflect.ValueOf(pair[0]), reflect.ValueOf(pair[1]); a.Len() != b.Len() {
			t.Fatalf("%d %s, want %d", a.Len(), name, b.Len())
		}
	}
	if _, err := backup.Compare(ctxOf(t), want, got, nil); err != nil {
		t.Fatal(err)
	}
}

// fill restores a folder into an empty book.
func fill(t failer, f backup.Folder) *book {
	t.Helper()
	held, err := backup.Open(f)
	if err != nil {
		t.Fatal(err)
	}
	b := newBook()
	if _, err := backup.Fill(ctxOf(t), held, b, backup.FillOptions{From: "a backup"}); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(backup.Finish(ctxOf(t), b), held.Close()); err != nil {
		t.Fatal(err)
	}
	return b
}

// Whatever a ledger holds, and in however many runs it was backed up, what is
// restored is the same, row by row.
func TestRestoredIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, steps, once := newBook(), newDisk(), newDisk()
		b.pageRows = rapid.IntRange(1, 5).Draw(t, "rows a page")
		for range rapid.IntRange(1, 4).Draw(t, "runs") {
			before := len(b.lines)
			b.grow(t, "blocks")
			r := into(t, b, steps)
			if before == len(b.lines) && r.SegmentsAdded > 0 && before > 0 {
				t.Fatalf("a run with nothing new added %d segments", r.SegmentsAdded)
			}
		}
		into(t, b, once)
		whole(t, steps, b)
		whole(t, once, b)
		same(t, fill(t, steps), b)
		same(t, fill(t, once), b)
	})
}

// A run adds only what is new, and rewrites nothing that the folder holds.
func TestRunIsIncremental(t *testing.T) {
	b, d := small(t), newDisk()
	first := into(t, b, d)
	before := map[string][]byte{}
	for name, c := range d.files {
		before[name] = slices.Clone(c.bytes)
	}
	if r := into(t, b, d); r.SegmentsAdded != 0 || r.BytesAdded != 0 || r.Position != first.Position {
		t.Errorf("nothing new, and %d segments added", r.SegmentsAdded)
	}
	b.block(t, "S@2", "rr")
	r := into(t, b, d)
	if r.SegmentsAdded != 2 || r.Position != first.Position+2 || r.Root != b.root(t) || r.Bytes != first.Bytes+r.BytesAdded {
		t.Errorf("two events and their block gave %+v", r)
	}
	for name, c := range before {
		if name != "manifest.json" && !slices.Equal(d.files[name].bytes, c) {
			t.Errorf("%s was written again", name)
		}
	}
	whole(t, d, b)
}

// A run that is made while the ledger grows holds a prefix of it, the one whose
// root it names, and all that was released by then.
func TestRunWhileTheLedgerGrows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, d := newBook(), newDisk()
		b.adopt("S@1")
		b.block(t, "S@1", "rqr")
		roots := map[uint64][32]byte{b.tree.Size(): b.root(t)}
		left := rapid.IntRange(1, 40).Draw(t, "blocks")
		every := rapid.IntRange(1, 4).Draw(t, "pages a block")
		reads := 0
		b.onRead = func() {
			if reads++; left == 0 || reads%every > 0 {
				return
			}
			left--
			b.block(t, "S@1", rapid.SampledFrom([]string{"r", "rr", "q", "d", "rqr"}).Draw(t, "fates"))
			roots[b.tree.Size()] = b.root(t)
		}
		r := into(t, b, d)
		if root, ok := roots[r.Position]; !ok || root != r.Root {
			t.Fatalf("position %d with root %x, want one of the ledger's", r.Position, r.Root)
		}
		if s, err := backup.Check(ctxOf(t), d, nil); err != nil || s.Position != r.Position {
			t.Fatalf("check: %+v, %v", s, err)
		}
		restored := fill(t, d)
		if got := uint64(len(restored.records)); got != r.Position {
			t.Fatalf("%d events restored, want %d", got, r.Position)
		}
		b.onRead = nil
		into(t, b, d)
		whole(t, d, b)
	})
}

// At whatever step a run is cut off, the folder holds what it held before, or all
// that the run was to add; the next run makes it complete.
func TestNoCutHarmsABackup(t *testing.T) {
	cuts := 0
	for cutAt := 1; ; cutAt++ {
		for _, kept := range []bool{false, true} {
			b, d := small(t), newDisk()
			before := into(t, b, d).Standing
			b.block(t, "S@2", "rrqd")
			b.settle(3, "dismissed")
			b.adopt("S@3")
			b.block(t, "S@3", "r")
			d.steps, d.cutAt = 0, cutAt
			_, err := backup.Run(t.Context(), b, d, backup.Options{Now: day()})
			if err != nil && !errors.Is(err, errCut) {
				t.Fatal(err)
			}
			after := d.crash(kept)
			s, checked := backup.Check(t.Context(), after, nil)
			if checked != nil || s.Position != before.Position && s.Position != uint64(len(b.records)) {
				t.Fatalf("cut at step %d, kept %v: %+v, %v", cutAt, kept, s, checked)
			}
			if err == nil && s.Position != uint64(len(b.records)) {
				t.Fatalf("the run said it was done, and position %d is held", s.Position)
			}
			into(t, b, after)
			whole(t, after, b)
			for name := range after.files {
				if strings.HasSuffix(name, ".part") {
					t.Errorf("cut at step %d: %s is left", cutAt, name)
				}
			}
			if err == nil && d.steps < cutAt {
				if cuts < 40 {
					t.Errorf("only %d cuts were tried", cuts)
				}
				return
			}
			cuts++
		}
	}
}

// At whatever step a restore is cut off, the store is known to be unfinished, and
// the same command given again finishes it.
func TestNoCutHarmsARestore(t *testing.T) {
	b, d := small(t), newDisk()
	into(t, b, d)
	for cutAt := 1; ; cutAt++ {
		held, err := backup.Open(d)
		if err != nil {
			t.Fatal(err)
		}
		into := newBook()
		into.cutAt = cutAt
		_, err = backup.Fill(t.Context(), held, into, backup.FillOptions{From: "a backup"})
		if err != nil && !errors.Is(err, errCut) {
			t.Fatal(err)
		}
		if cut := err != nil; cut && into.marks[ledger.MarkFilling] == "" && len(into.records)+len(into.lines)+len(into.entries) > 0 {
			t.Fatalf("cut at step %d: the store looks like a ledger", cutAt)
		} else if !cut {
			if cutAt < 10 {
				t.Errorf("only %d cuts were tried", cutAt)
			}
			if err := held.Close(); err != nil {
				t.Fatal(err)
			}
			return
		}
		into.cutAt = 0
		if _, err := backup.Fill(t.Context(), held, into, backup.FillOptions{From: "a backup"}); err != nil {
			t.Fatalf("cut at step %d, then again: %v", cutAt, err)
		}
		same(t, into, b)
		if err := held.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// Every byte of every file counts: whichever bit is turned, and wherever a file is
// cut short, the check says damaged and names the file.
func TestEveryByteCounts(t *testing.T) {
	b, d := small(t), newDisk()
	into(t, b, d)
	tried := 0
	for name, c := range d.files {
		original := slices.Clone(c.bytes)
		named := name
		if name == "manifest.json" {
			named = "manifest"
		}
		wrong := func(what string, changed []byte) {
			t.Helper()
			tried++
			c.bytes = changed
			if _, err := backup.Check(t.Context(), d, nil); ledger.CodeOf(err) != ledger.Damaged || !strings.Contains(err.Error(), named) {
				t.Fatalf("%s, %s: %v, want damage that names it", name, what, err)
			}
		}
		for i := range original {
			changed := slices.Clone(original)
			changed[i] ^= 1 << (i % 8)
			wrong(fmt.Sprintf("a bit of byte %d turned", i), changed)
		}
		wrong("a byte more", append(slices.Clone(original), 0))
		for i := 0; i < len(original); i += 7 {
			wrong(fmt.Sprintf("cut to %d bytes", i), original[:i])
		}
		delete(d.files, name)
		if _, err := backup.Check(t.Context(), d, nil); err == nil || name != "manifest.json" && !strings.Contains(err.Error(), name) {
			t.Fatalf("%s is gone: %v", name, err)
		}
		c.bytes = original
		d.files[name] = c
	}
	if tried < 2000 {
		t.Errorf("only %d changes were tried", tried)
	}
	whole(t, d, b)
}

// At any position a restore gives the ledger as it was then.
func TestUpToAPosition(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b, d := newBook(), newDisk()
		b.grow(t, "blocks")
		b.adopt("S@9")
		b.block(t, "S@9", "rq")
		into(t, b, d)
		held, err := backup.Open(d)
		if err != nil {
			t.Fatal(err)
		}
		defer held.Close()
		position := rapid.Uint64Range(1, uint64(len(b.records))).Draw(t, "position")
		src, err := backup.UpTo(ctxOf(t), held, position)
		if err != nil {
			t.Fatal(err)
		}
		got := newBook()
		s, err := backup.Fill(ctxOf(t), src, got, backup.FillOptions{})
		if err != nil || s.Position != position {
			t.Fatalf("filled to %d of %d, %v", s.Position, position, err)
		}
		last := got.lines[len(got.lines)-1]
		if last.Recorded+last.Duplicates+last.Quarantined != last.LastSeq-last.FirstSeq+1 {
			t.Fatalf("the last block has %+v", last)
		}
		for i := range got.records {
			if got.records[i].Hash != b.records[i].Hash || got.records[i].StreamSeq > got.handled(got.records[i].Stream) {
				t.Fatalf("position %d: %+v", i+1, got.records[i])
			}
		}
		for _, q := range b.entries { // what was refused before the last message kept is kept
			if q.StreamSeq <= got.handled(q.Stream) && q.Entry > uint64(len(got.entries)) {
				t.Fatalf("entry %d is gone", q.Entry)
			}
		}
	})
}

func (b *book) handled(stream string) (last uint64) {
	for _, l := range b.lines {
		if l.Stream == stream {
			last = l.LastSeq
		}
	}
	return last
}

func TestUpToRefuses(t *testing.T) {
	for _, position := range []uint64{0, 7, 1 << 60} {
		if _, err := backup.UpTo(t.Context(), small(t), position); ledger.CodeOf(err) != ledger.NotFound {
			t.Errorf("position %d: %v", position, err)
		}
	}
}

func TestRunRefuses(t *testing.T) {
	other := newBook()
	other.adopt("S@1")
	other.block(t, "S@1", "rrrrrrrrr")
	older := newBook()
	older.adopt("S@1")
	older.block(t, "S@1", "rrqrd")
	longer := small(t) // the same blocks, with another event in the first
	longer.block(t, "S@2", "r")
	forged := *longer
	forged.records = slices.Clone(longer.records)
	forged.records[len(forged.records)-1].Body = []byte("{}")
	unrooted := *longer
	unrooted.lines = slices.Clone(longer.lines)
	unrooted.lines[len(unrooted.lines)-1].Root[3] ^= 1
	for name, c := range map[string]struct {
		src  *book
		code ledger.Code
	}{
		"another ledger": {other, ledger.Conflict}, "an older copy": {older, ledger.Conflict}, "an empty ledger": {newBook(), ledger.Conflict},
		"an event that was changed": {&forged, ledger.Damaged}, "a root that was changed": {&unrooted, ledger.Damaged},
	} {
		d := newDisk()
		into(t, small(t), d)
		before := len(d.files)
		if _, err := backup.Run(t.Context(), c.src, d, backup.Options{}); ledger.CodeOf(err) != c.code {
			t.Errorf("%s: %v, want %s", name, err, c.code)
		}
		whole(t, d, small(t))
		into(t, longer, d)
		if len(d.files) < before {
			t.Errorf("%s: %d files, there were %d", name, len(d.files), before)
		}
	}
	d := newDisk()
	d.locked = true
	if _, err := backup.Run(t.Context(), small(t), d, backup.Options{}); ledger.CodeOf(err) != ledger.InUse {
		t.Errorf("a folder in use: %v", err)
	}
	if _, err := backup.Check(t.Context(), newDisk(), nil); ledger.CodeOf(err) != ledger.NotFound {
		t.Errorf("an empty folder: %v", err)
	}
}

func TestFillRefuses(t *testing.T) {
	full, half := small(t), newBook()
	half.marks[ledger.MarkFilling] = "a ledger from elsewhere"
	half.block(t, "S@1", "r")
	for name, dst := range map[string]*book{"a ledger": full, "what is filled with something else": half} {
		if _, err := backup.Fill(t.Context(), small(t), dst, backup.FillOptions{}); ledger.CodeOf(err) != ledger.Conflict {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Whatever differs between two ledgers is found.
func TestCompareFindsEveryDifference(t *testing.T) {
	for name, change := range map[string]func(*book){
		"a record's time":     func(b *book) { b.records[2].Recorded = b.records[2].Recorded.Add(time.Millisecond) },
		"a record's message":  func(b *book) { b.records[2].StreamSeq++ },
		"a record's bytes":    func(b *book) { b.records[2].Body = append(b.records[2].Body, ' ') },
		"a record less":       func(b *book) { b.records = b.records[:len(b.records)-1] },
		"a block's count":     func(b *book) { b.lines[1].Duplicates++ },
		"a block's tree":      func(b *book) { b.lines[0].Frontier = nil },
		"a block more":        func(b *book) { b.block(t, "S@2", "d") },
		"an entry's reason":   func(b *book) { b.entries[1].Reason = "other" },
		"an entry less":       func(b *book) { b.entries = b.entries[:2] },
		"an entry more":       func(b *book) { e := b.entries[2]; e.Entry = 4; b.entries = append(b.entries, e) },
		"a decision's author": func(b *book) { b.settlements[0].Author = "other" },
		"a decision less":     func(b *book) { b.settlements = b.settlements[:1] },
		"an adoption's words": func(b *book) { b.adoptions[1].Reason = "other" },
		"an adoption less":    func(b *book) { b.adoptions = b.adoptions[:1] },
	} {
		other := small(t)
		change(other)
		if _, err := backup.Compare(t.Context(), small(t), other, nil); ledger.CodeOf(err) != ledger.Damaged {
			t.Errorf("%s: %v", name, err)
		}
	}
	if s, err := backup.Compare(t.Context(), small(t), small(t), nil); err != nil || s.Position != 6 || s.Entries != 3 || s.Blocks != 3 {
		t.Errorf("no difference: %+v, %v", s, err)
	}
}
