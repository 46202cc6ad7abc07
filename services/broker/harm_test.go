package broker

import (
	"context"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"spoilbook/services/ledger"
)

// harms is how many single harms the test below tries. With -harms 0 every byte of
// every file is turned in one of its bits and every file is cut at every length.
var harms = flag.Int("harms", 90, "harms to the files of a broker to try; 0 for all")

// What the test of harm leaves in the folder, and what its ledger knows of it.
const (
	harmSent     = 24 // messages received
	harmRecorded = 16 // of them, recorded and acknowledged
)

// harmed makes a small broker's folder, left in order or as a killed process leaves it.
func harmed(t *testing.T, killed bool) (dir, stream string) {
	t.Helper()
	dir = t.TempDir()
	b := mustOpen(t, Options{Dir: dir})
	for _, n := range []int{1, 1, 8, 4, 1, 6, 1, 2} { // a message alone has no headers, one of a batch has
		state, err := b.StreamState(t.Context())
		must(t, err)
		publish(t, b, harmMessages(int(state.LastSeq), n))
	}
	c := consume(t, b, ConsumeOptions{})
	for next := 0; next < harmRecorded; {
		got, err := c.Fetch(t.Context(), harmRecorded-next, patience)
		must(t, err)
		next += len(got)
	}
	must(t, c.Ack(t.Context(), harmRecorded))
	for _, m := range numbered(0, 7) {
		must(t, b.PublishReceipt(t.Context(), m.Subject, []byte(`{"recordedThrough":1}`)))
	}
	state, err := b.StreamState(t.Context())
	must(t, err)
	stream = fmt.Sprint(state.Created.UnixMilli())
	if killed {
		left := t.TempDir()
		must(t, os.CopyFS(left, os.DirFS(dir)))
		dir = left
	}
	must(t, b.Close(t.Context()))
	return dir, stream
}

// harmMessages are messages as sources publish them: one JSON object each.
func harmMessages(from, n int) []Message {
	msgs := numbered(from, n)
	for i := range msgs {
		msgs[i].Body = fmt.Appendf(nil, `{"n":%s}`, msgs[i].Body)
	}
	return msgs
}

// harm is one change of one file.
type harm struct {
	file string
	at   int
	cut  bool
}

func (h harm) do(content []byte) []byte {
	if h.cut {
		return content[:h.at]
	}
	content[h.at] ^= 1 << (h.at % 8)
	return content
}

// allHarms lists every harm to every file of a folder, or so many of them, spread evenly.
func allHarms(t *testing.T, dir string, limit int) []harm {
	t.Helper()
	var all []harm
	must(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		info, err := e.Info()
		if err != nil {
			return err
		}
		name, err := filepath.Rel(dir, path)
		for at := range int(info.Size()) {
			all = append(all, harm{name, at, false}, harm{name, at, true})
		}
		return err
	}))
	if limit <= 0 || limit >= len(all) {
		return all
	}
	some := make([]harm, limit)
	for i := range some {
		some[i] = all[(2*i+1)*len(all)/(2*limit)]
	}
	return some
}

// outcome says what a start finds of a harmed folder. Silent is what must not be.
type outcome string

const (
	namedByScan   outcome = "named before the server touches it"
	namedByServer outcome = "named by the server's state"
	namedByStart  outcome = "named by broker and ledger held against each other"
	harmless      outcome = "harmless"
	heldBack      outcome = "kept in quarantine by the intake, which can not read it"
	cutTail       outcome = "the end of what was received since the last high water is gone"
	silent        outcome = "silent"
)

// meet opens a harmed folder and does what the start of an intake does, then reads everything.
func meet(t *testing.T, dir, stream string, received uint64) (outcome, string) {
	t.Helper()
	if _, err := Scan(t.Context(), dir, 0); errors.Is(err, ErrDamaged) {
		return namedByScan, err.Error()
	}
	b, err := Open(t.Context(), Options{Dir: dir, MaxStoreBytes: 1 << 30})
	if errors.Is(err, ErrDamaged) {
		return namedByServer, err.Error()
	}
	if err != nil {
		t.Fatalf("not called damage: %v", err)
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.Background(), patience)
		defer cancel()
		must(t, b.Close(ctx))
	}()
	state, err := b.StreamState(t.Context())
	must(t, err)
	acknowledged, err := b.Acknowledged(t.Context())
	must(t, err)
	name := fmt.Sprint(state.Created.UnixMilli())
	s := ledger.Standing{Stream: name, First: state.FirstSeq, Last: state.LastSeq, Deleted: state.Deleted, Acknowledged: acknowledged,
		Head:      ledger.Head{Position: harmRecorded, RootPosition: harmRecorded},
		Adoptions: ledger.Adoptions{{Number: 1, Stream: stream}},
		HighWater: ledger.HighWater{Stream: stream, Received: received, Handled: harmRecorded}}
	if name == stream {
		s.Handled = harmRecorded
	}
	if _, err := s.Judge(); err != nil {
		return namedByStart, err.Error()
	}
	n, held := 0, 0
	err = b.Messages(t.Context(), 1, state.LastSeq, func(d Delivery) error {
		want := harmMessages(n, 1)[0]
		n++
		switch {
		case string(d.Body) == string(want.Body) && d.Subject == want.Subject:
		case n <= harmRecorded && string(d.Body) != string(want.Body):
			return fmt.Errorf("%w: not what is recorded", errStart)
		case !json.Valid(d.Body):
			held++
		default:
			return fmt.Errorf("message %d is %q of %s", n, d.Body, d.Subject)
		}
		return nil
	})
	switch {
	case errors.Is(err, errStart):
		return namedByStart, err.Error()
	case errors.Is(err, ErrDamaged) || b.Damage() != nil:
		return namedByServer, fmt.Sprint(err)
	case err == nil && n == harmSent && held > 0:
		return heldBack, ""
	case err == nil && n == harmSent:
		return harmless, ""
	case err == nil && n >= int(received):
		return cutTail, fmt.Sprintf("%d of %d messages", n, harmSent)
	}
	return silent, fmt.Sprintf("%d of %d messages, %v", n, harmSent, err)
}

// errStart stands for what the ledger says of a message that is not what it has recorded.
var errStart = errors.New("broker and ledger differ")

// Any byte of any file of a broker is turned, or any file cut short: what a start then finds names it, or nothing of the events is lost or
// changed by it. Of 400 harms with nats-server 2.15.2: 108 turned bytes of the events' messages were all named, 104 of them before the server
// touched them; of 104 cuts of these 85 were named, and 19, all after a kill, took the end that had been received since the last high water
// and not recorded. Descriptions and their sums: 86 named, 21 harmless. Receipts, indexes and the reader's place: 81, all harmless.
func TestHarmToTheBrokersFiles(t *testing.T) {
	for _, killed := range []bool{false, true} {
		t.Run(map[bool]string{false: "stopped in order", true: "killed"}[killed], func(t *testing.T) {
			dir, stream := harmed(t, killed)
			received := uint64(harmSent)
			if killed {
				received = harmRecorded // the high water is from the last block
			}
			counts := map[string]int{}
			for _, h := range allHarms(t, dir, *harms) {
				copied := t.TempDir()
				must(t, os.CopyFS(copied, os.DirFS(dir)))
				path := filepath.Join(copied, h.file)
				content, err := os.ReadFile(path)
				must(t, err)
				must(t, os.WriteFile(path, h.do(content), 0o600))
				found, why := meet(t, copied, stream, received)
				counts[filepath.Base(h.file)+" ("+strings.Split(h.file, string(filepath.Separator))[3]+"), cut "+fmt.Sprint(h.cut)+": "+string(found)]++
				if found == silent || found == cutTail && !killed {
					t.Errorf("%+v: %s: %s", h, found, why)
				}
				must(t, os.RemoveAll(copied))
			}
			for _, line := range slices.Sorted(maps.Keys(counts)) {
				t.Logf("%5d %s", counts[line], line)
			}
		})
	}
}

// Whole files of messages are gone: the first, one in between, the last, all.
func TestLostFilesAreNamed(t *testing.T) {
	dir := t.TempDir()
	b := mustOpen(t, Options{Dir: dir})
	body := make([]byte, MaxBodyBytes)
	for range 30 {
		publish(t, b, []Message{{Subject: "office.main", Body: body}})
	}
	state, err := b.StreamState(t.Context())
	must(t, err)
	must(t, b.Close(t.Context()))
	files, err := filepath.Glob(filepath.Join(b.server.streamFolder(EventsStream), "msgs", "*.blk"))
	must(t, err)
	if len(files) < 3 {
		t.Fatalf("files are %q", files)
	}
	for name, lost := range map[string][]string{"first": files[:1], "second": files[1:2], "last": files[len(files)-1:], "all": files} {
		copied := t.TempDir()
		must(t, os.CopyFS(copied, os.DirFS(dir)))
		for _, file := range lost {
			must(t, os.Remove(filepath.Join(copied, strings.TrimPrefix(file, dir))))
		}
		found, why := meet(t, copied, fmt.Sprint(state.Created.UnixMilli()), state.LastSeq)
		if found != namedByScan && found != namedByServer && found != namedByStart {
			t.Errorf("%s: %s: %s", name, found, why)
		}
	}
}
