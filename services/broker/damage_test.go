package broker

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Messages that the stream has lost are reported, and nothing after them is delivered until somebody says where to go on.
func TestLostMessagesAreReported(t *testing.T) {
	d := newExternal(t, nil)
	js := plainClient(t, d.url)
	config := (&Broker{opts: Options{Replicas: 1, MaxStoreBytes: 1 << 30}}).eventsConfig()
	config.DenyDelete = false
	s, err := js.CreateStream(t.Context(), config)
	must(t, err)
	for i, m := range numbered(0, 10) {
		_, err := js.Publish(t.Context(), EventsPrefix+m.Subject, m.Body)
		must(t, err)
		if i == 4 || i == 5 {
			must(t, s.DeleteMsg(t.Context(), uint64(i+1)))
		}
	}
	config.DenyDelete = true
	_, err = js.UpdateStream(t.Context(), config)
	must(t, err)

	b := d.open(t)
	state, err := b.StreamState(t.Context())
	must(t, err)
	if state.Deleted != 2 || state.Msgs != 8 || state.LastSeq != 10 {
		t.Errorf("state is %+v", state)
	}
	c := consume(t, b, ConsumeOptions{})
	fetch(t, c, 0, 4)
	for range 2 {
		_, err = c.Fetch(t.Context(), 10, patience)
		wantError(t, err, ErrDamaged)
		var gap *GapError
		if !errors.As(err, &gap) || gap.First != 5 || gap.Last != 6 {
			t.Fatalf("gap is %+v", gap)
		}
	}
	must(t, c.Ack(t.Context(), 4))
	_, err = consume(t, b, ConsumeOptions{}).Fetch(t.Context(), 10, patience)
	wantError(t, err, ErrDamaged)
	fetch(t, consume(t, b, ConsumeOptions{From: 7}), 6, 4)
}

// A storage folder restored from an older copy ends before what was handled. Going on would give old sequences to new messages.
func TestOlderStorageIsRefused(t *testing.T) {
	dir := t.TempDir()
	b := mustOpen(t, Options{Dir: dir})
	publish(t, b, numbered(0, 5))
	must(t, b.Close(t.Context()))
	msgs := filepath.Join(b.server.streamFolder(EventsStream), "msgs")
	older := filepath.Join(t.TempDir(), "msgs")
	must(t, os.CopyFS(older, os.DirFS(msgs)))

	b = mustOpen(t, Options{Dir: dir})
	publish(t, b, numbered(5, 5))
	c := consume(t, b, ConsumeOptions{})
	fetch(t, c, 0, 10)
	must(t, c.Ack(t.Context(), 10))
	must(t, b.Close(t.Context()))
	must(t, os.RemoveAll(msgs))
	must(t, os.CopyFS(msgs, os.DirFS(older)))

	b = mustOpen(t, Options{Dir: dir})
	state, err := b.StreamState(t.Context())
	must(t, err)
	if state.LastSeq != 5 {
		t.Fatalf("the restored stream ends at %d", state.LastSeq)
	}
	_, err = b.Consume(t.Context(), ConsumeOptions{From: 11})
	wantError(t, err, ErrDamaged)
	fetch(t, consume(t, b, ConsumeOptions{From: 1}), 0, 5)
}

// The same, under an open session: the server comes back with older storage and goes on from there.
func TestOlderStorageUnderASession(t *testing.T) {
	d := newExternal(t, nil)
	b := d.open(t)
	publish(t, b, numbered(0, 5))
	msgs := filepath.Join(d.options.StoreDir, "jetstream", "$G", "streams", EventsStream, "msgs")
	older := filepath.Join(t.TempDir(), "msgs")
	d.stop()
	must(t, os.CopyFS(older, os.DirFS(msgs)))
	d.start(t)
	eventually(t, "recovery", func() bool { return b.Health(t.Context()) == nil })
	publish(t, b, numbered(5, 5))
	c := consume(t, b, ConsumeOptions{})
	fetch(t, c, 0, 10)
	must(t, c.Ack(t.Context(), 10))

	d.stop()
	must(t, os.RemoveAll(msgs))
	must(t, os.CopyFS(msgs, os.DirFS(older)))
	d.start(t)
	eventually(t, "recovery", func() bool { return b.Health(t.Context()) == nil })
	publish(t, b, numbered(5, 7))
	_, err := c.Fetch(t.Context(), 10, time.Second)
	wantError(t, err, ErrDamaged)
	wantError(t, c.Rewind(t.Context()), ErrDamaged)
}

// One bit of the message file is flipped, anywhere. A reader that knows how far it was is told, or gets every message as it was.
func TestFlippedBitIsNotSilent(t *testing.T) {
	dir := t.TempDir()
	const n = 40
	b := mustOpen(t, Options{Dir: dir})
	publish(t, b, numbered(0, n))
	must(t, b.Close(t.Context()))
	blocks, err := filepath.Glob(filepath.Join(b.server.streamFolder(EventsStream), "msgs", "*.blk"))
	must(t, err)
	if len(blocks) != 1 {
		t.Fatalf("message files are %q", blocks)
	}
	whole, err := os.ReadFile(blocks[0])
	must(t, err)
	told := 0
	for at := 3; at < len(whole); at += len(whole) / 24 {
		damaged := t.TempDir()
		must(t, os.CopyFS(damaged, os.DirFS(dir)))
		block := filepath.Join(damaged, strings.TrimPrefix(blocks[0], dir))
		content := append([]byte(nil), whole...)
		content[at] ^= 0x10
		must(t, os.WriteFile(block, content, 0o600))
		err := readAll(t, damaged, n)
		if err == nil {
			continue
		}
		told++
		wantError(t, err, ErrDamaged)
	}
	if told == 0 {
		t.Error("no flipped bit was ever noticed")
	}
}

// readAll opens a broker that should hold n numbered messages, and returns what it says instead.
func readAll(t *testing.T, dir string, n int) error {
	t.Helper()
	b, err := Open(t.Context(), Options{Dir: dir})
	if err != nil {
		return err
	}
	defer func() { must(t, b.Close(t.Context())) }()
	if _, err := b.Consume(t.Context(), ConsumeOptions{From: uint64(n) + 1}); err != nil {
		return err
	}
	c := consume(t, b, ConsumeOptions{From: 1})
	begun := time.Now()
	for i := 0; i < n; {
		got, err := c.Fetch(t.Context(), n-i, 50*time.Millisecond)
		if err != nil {
			return err
		}
		if time.Since(begun) > patience {
			t.Fatalf("silence at message %d", i)
		}
		for _, d := range got {
			if want := numbered(i, 1)[0]; string(d.Body) != string(want.Body) || d.Subject != want.Subject {
				t.Fatalf("message %d is %s from %s", i, d.Body, d.Subject)
			}
			i++
		}
	}
	return nil
}

// A server leaves out a stream whose description it can not read. An empty one must not take its place.
func TestUnreadableStreamIsNotReplaced(t *testing.T) {
	dir := t.TempDir()
	b := mustOpen(t, Options{Dir: dir})
	publish(t, b, numbered(0, 5))
	must(t, b.Close(t.Context()))
	description := filepath.Join(b.server.streamFolder(EventsStream), "meta.inf")
	whole, err := os.ReadFile(description)
	must(t, err)
	damaged := append([]byte(nil), whole...)
	damaged[len(damaged)/2] ^= 1
	must(t, os.WriteFile(description, damaged, 0o600))
	refuses(t, Options{Dir: dir}, ErrDamaged)

	must(t, os.WriteFile(description, whole, 0o600))
	b = mustOpen(t, Options{Dir: dir})
	fetch(t, consume(t, b, ConsumeOptions{}), 0, 5)
}

// The environment variable that turns the test binary into a process to be killed.
const victimDir = "BROKER_TEST_VICTIM_DIR"

// TestKilledProcess kills a publishing process without warning, several times on the same storage. Every message that was acknowledged
// to it is there, at its sequence, and the reader loses nothing.
func TestKilledProcess(t *testing.T) {
	if dir := os.Getenv(victimDir); dir != "" {
		publishUntilKilled(t, dir)
		return
	}
	dir := t.TempDir()
	acked := map[uint64]string{}
	for round := range 3 {
		runVictim(t, dir, (round+1)*1500, acked)
	}
	b := mustOpen(t, Options{Dir: dir})
	state, err := b.StreamState(t.Context())
	must(t, err)
	if state.Deleted != 0 || state.Msgs < uint64(len(acked)) || len(acked) < 4500 {
		t.Errorf("%d messages were acknowledged, state is %+v", len(acked), state)
	}
	c := consume(t, b, ConsumeOptions{From: 1})
	for seq := uint64(1); seq <= state.LastSeq; {
		got, err := c.Fetch(t.Context(), MaxFetch, time.Second)
		must(t, err)
		if len(got) == 0 {
			t.Fatalf("nothing at sequence %d of %d", seq, state.LastSeq)
		}
		for _, d := range got {
			if want, ok := acked[seq]; d.StreamSeq != seq || (ok && string(d.Body) != want) {
				t.Fatalf("sequence %d holds %q (as %d), was acknowledged for %q", seq, d.Body, d.StreamSeq, want)
			}
			seq++
		}
	}
}

func publishUntilKilled(t *testing.T, dir string) {
	b := mustOpen(t, Options{Dir: dir})
	begin, err := b.StreamState(t.Context())
	must(t, err)
	for i := int(begin.LastSeq); ; i += 30 {
		msgs := numbered(i, 30)
		acks, err := b.Publish(t.Context(), msgs)
		must(t, err)
		for j, a := range acks {
			fmt.Printf("acked %d %s\n", a.StreamSeq, msgs[j].Body)
		}
	}
}

// runVictim lets a process publish until it has reported n acknowledgements, and kills it.
func runVictim(t *testing.T, dir string, n int, acked map[uint64]string) {
	t.Helper()
	victim := exec.Command(os.Args[0], "-test.run=^TestKilledProcess$", "-test.v")
	victim.Env = append(os.Environ(), victimDir+"="+dir)
	out, err := victim.StdoutPipe()
	must(t, err)
	must(t, victim.Start())
	lines := bufio.NewScanner(out)
	for len(acked) < n && lines.Scan() {
		fields := strings.Fields(lines.Text())
		if len(fields) != 3 || fields[0] != "acked" {
			continue
		}
		seq, err := strconv.ParseUint(fields[1], 10, 64)
		must(t, err)
		acked[seq] = fields[2]
	}
	must(t, victim.Process.Kill())
	if err := victim.Wait(); err == nil {
		t.Fatal("the process ended by itself")
	}
	if len(acked) < n {
		t.Fatalf("the process reported %d of %d acknowledgements: %v", len(acked), n, lines.Err())
	}
}

// A durable consumer that someone deletes under a session is made again where the session is.
func TestDeletedConsumer(t *testing.T) {
	d := newExternal(t, nil)
	b := d.open(t)
	publish(t, b, numbered(0, 5))
	c := consume(t, b, ConsumeOptions{})
	fetch(t, c, 0, 4)
	must(t, c.Ack(t.Context(), 3))
	js := plainClient(t, d.url)
	must(t, js.DeleteConsumer(t.Context(), EventsStream, intakeConsumer))
	_, err := c.Fetch(t.Context(), 1, 50*time.Millisecond)
	wantError(t, err, ErrUnavailable)
	fetch(t, c, 4, 1)
	must(t, c.Ack(t.Context(), 4))
	must(t, js.DeleteConsumer(t.Context(), EventsStream, intakeConsumer))
	must(t, c.Ack(t.Context(), 5))
	nothingMore(t, consume(t, b, ConsumeOptions{}))
}
