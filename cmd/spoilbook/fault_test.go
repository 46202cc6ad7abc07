package main

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/services/client"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// spoil runs the program to its end and wants an exit status.
func spoil(t *testing.T, want int, dir string, args ...string) (out, stderr string) {
	t.Helper()
	status, out, stderr := runToEnd(t, dir, environment(t), "spoilbook", args...)
	if status != want {
		t.Fatalf("spoilbook %s: exit status %d, want %d:\n%s%s", strings.Join(args, " "), status, want, lastLines(out, 20), lastLines(stderr, 20))
	}
	return out, stderr
}

// stored returns how many bytes lie in a folder.
func stored(dir string) (bytes int64) {
	// A file may vanish while one looks; then it counts for nothing.
	_ = filepath.WalkDir(dir, func(_ string, e fs.DirEntry, err error) error {
		if err == nil && !e.IsDir() {
			if info, err := e.Info(); err == nil {
				bytes += info.Size()
			}
		}
		return nil
	})
	return bytes
}

// until waits until something holds or the process has ended, which it reports.
func until(t *testing.T, p *process, holds func() bool) (ended bool) {
	t.Helper()
	look, late := time.NewTicker(time.Millisecond), time.NewTimer(patience)
	defer look.Stop()
	defer late.Stop()
	for !holds() {
		select {
		case <-look.C:
		case <-p.ended:
			return true
		case <-late.C:
			t.Fatal("nothing happens")
		}
	}
	return false
}

// Killed at any moment, the demo only needs to be run again: the ledger then says
// what it says after a run that nothing disturbed.
func TestKilledAtAnyMoment(t *testing.T) {
	t.Parallel()
	undisturbed := t.TempDir()
	spoil(t, 0, undisturbed, "demo", "--data", "d")
	want := contentsOf(t, undisturbed, "--data", "d")
	if len(want.events) < 3000 || want.held == 0 {
		t.Fatalf("%d events, %d held", len(want.events), want.held)
	}
	exists := func(pattern string) func(string) bool {
		return func(dir string) bool {
			found, err := filepath.Glob(filepath.Join(dir, pattern))
			return err == nil && len(found) > 0
		}
	}
	holds := func(folder string, bytes int64) func(string) bool {
		return func(dir string) bool { return stored(filepath.Join(dir, folder)) > bytes }
	}
	for i, m := range []struct {
		name   string
		moment func(dir string) bool
	}{
		{"the folder is made", exists("d/lock")},
		{"the engine is being made", exists("d/engine/store")},
		{"the broker is being made", exists("d/broker")},
		{"few events are received", holds("d/broker", 300_000)},
		{"many events are received", holds("d/broker", 1_500_000)},
		{"some events are recorded", holds("d/engine/store", 500_000)},
		{"the first workbook is written", exists("out/*manifest*")},
	} {
		if raceDetector && i%3 != 1 {
			continue // the moments are the same for a slow process, and a few of them are enough
		}
		t.Run(m.name, func(t *testing.T) {
			t.Parallel()
			dir := t.TempDir()
			p, err := start(dir, environment(t), "spoilbook", "demo", "--data", "d")
			if err != nil {
				t.Fatal(err)
			}
			ended := until(t, p, func() bool { return m.moment(dir) })
			if status := p.end(syscall.SIGKILL); ended || status != -1 {
				out, stderr, _ := p.printed()
				t.Fatalf("it ended by itself with status %d before it was killed: %s%s", status, out, stderr)
			}
			spoil(t, 0, dir, "demo", "--data", "d")
			got := contentsOf(t, dir, "--data", "d")
			got.same(t, &want)
		})
	}
}

// drips makes n valid events of one truck, about 400 bytes each.
func drips(t *testing.T, truck events.TruckID, n int) []byte {
	t.Helper()
	begin := events.MustTime("2026-10-05T06:00:00.000+01:00")
	list := make([]events.Event, n)
	for i := range list {
		at := events.Time{UnixMS: begin.UnixMS + int64(i)*1000, OffsetMinutes: 60}
		list[i] = events.Event{ID: fmt.Sprintf("%s-%07d", truck, i+1), Source: events.TruckSource(truck), Seq: uint64(i + 1), Occurred: at, Truck: truck, Job: "J-1",
			Origin: events.FromController, Body: events.WaterUsed{Start: at, End: at, Purpose: events.ForWashing, Volume: events.Volume{VolumeML: 1000, Basis: events.Measured}}}
	}
	msgs, err := ledger.MessagesOf(list)
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	for _, m := range msgs {
		b.Write(m.Body)
		b.WriteByte('\n')
	}
	return b.Bytes()
}

// exampleLedger loads the example's register into d of a new folder and puts n
// events of its truck into drips.ndjson.
func exampleLedger(t *testing.T, n int) (dir string, registered int) {
	t.Helper()
	dir = t.TempDir()
	out, _ := spoil(t, 0, dir, "register", "load", exampleFolder(t, "register"), "--data", "d")
	if _, err := fmt.Sscanf(lastLines(out, 1), "%d events read", &registered); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "drips.ndjson"), drips(t, "EX-01", n), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir, registered
}

func exampleFolder(t *testing.T, name string) string {
	t.Helper()
	path, err := filepath.Abs(filepath.Join(projectRoot, "testdata", "example", name))
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// fatesIn reads what emit printed.
func fatesIn(t *testing.T, out string) (f ledger.Fates, read int) {
	t.Helper()
	_, err := fmt.Sscanf(out, "%d events read: %d recorded, %d duplicate, %d quarantined; the ledger stands at position %d", &read, &f.Recorded, &f.Duplicates, &f.Quarantined, &f.Position)
	if err != nil {
		t.Fatalf("%v in %q", err, out)
	}
	return f, read
}

// Told to stop in the middle, emit says so with its exit status; sent again, every
// event counts once.
func TestStoppedInTheMiddle(t *testing.T) {
	t.Parallel()
	const n = 40_000
	dir, registered := exampleLedger(t, n)
	before := stored(filepath.Join(dir, "d", "broker"))
	p, err := start(dir, environment(t), "spoilbook", "emit", "drips.ndjson", "--data", "d")
	if err != nil {
		t.Fatal(err)
	}
	if until(t, p, func() bool { return stored(filepath.Join(dir, "d", "broker")) > before+2_000_000 }) {
		t.Fatal("emit ended before it was told to stop")
	}
	if status := p.end(syscall.SIGTERM); status != 130 {
		out, stderr, _ := p.printed()
		t.Fatalf("exit status %d, want 130:\n%s%s", status, out, stderr)
	}
	if _, stderr, _ := p.printed(); !strings.Contains(stderr, "what was received is safe, run the command again") {
		t.Errorf("it says %q", stderr)
	}
	out, _ := spoil(t, 0, dir, "emit", "drips.ndjson", "--data", "d")
	f, read := fatesIn(t, out)
	if read != n || f.Recorded+f.Duplicates != n || f.Duplicates == 0 || f.Recorded == 0 || f.Quarantined != 0 || f.Position != uint64(n+registered) {
		t.Errorf("sent again: %s", out)
	}
	out, _ = spoil(t, 0, dir, "rebuild", "--data", "d")
	if want := fmt.Sprintf("%d events in ", n+registered); !strings.HasPrefix(out, want) {
		t.Errorf("rebuild: %s", out)
	}
}

// serveFor starts spoilbook serve and returns it with its address.
func serveFor(t *testing.T, dir string, options ...string) (*process, string) {
	t.Helper()
	p, err := start(dir, environment(t), "spoilbook", append([]string{"serve", "--open", "--listen", "127.0.0.1:0"}, options...)...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.end(syscall.SIGKILL) })
	address, err := p.waitFor(`^spoilbook serves at (\S+)`)
	if err != nil {
		t.Fatal(err)
	}
	return p, address
}

// standFor starts a broker or an engine of its own.
func standFor(t *testing.T, kind, dir, address string) (p *process, at string) {
	t.Helper()
	p, err := start(dir, environment(t), stand, kind, filepath.Join(dir, kind), address)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { p.end(syscall.SIGKILL) })
	if at, err = p.waitFor(`^stand at (\S+)`); err != nil {
		t.Fatal(err)
	}
	return p, at
}

// With servers of one's own the month gives the same reports. Either may be killed
// while it is in use: events wait, and are recorded when it is back.
func TestServersOfOnesOwn(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	natsServer, natsAt := standFor(t, "broker", dir, "127.0.0.1:0")
	engineServer, engineAt := standFor(t, "engine", dir, "127.0.0.1:0")
	own := []string{"--nats", "nats://" + natsAt, "--clickhouse", "http://" + engineAt}
	p, address := serveFor(t, dir, own...)
	if err := os.WriteFile(filepath.Join(dir, "month.ndjson"), monthLines(t), 0o600); err != nil {
		t.Fatal(err)
	}
	lines := bytes.SplitAfter(monthLines(t), []byte("\n"))
	for i, part := range [][][]byte{lines[:1000], lines[1000:2000], lines[2000:]} {
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("part%d.ndjson", i)), bytes.Join(part, nil), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	spoil(t, 0, dir, "emit", "part0.ndjson", "--server", address)

	// The broker is killed: nothing is taken, and the reports are still there.
	natsServer.end(syscall.SIGKILL)
	_, stderr := spoil(t, 5, dir, "emit", "part1.ndjson", "--server", address)
	if !strings.Contains(stderr, "NATS") {
		t.Errorf("without a broker: %s", stderr)
	}
	spoil(t, 0, dir, "report", "water", "--from", "2026-10-01", "--to", "2026-10-31", "--tz", demo.ZoneName, "--server", address)
	standFor(t, "broker", dir, natsAt)
	again(t, func() error { return emitted(t, dir, "part1.ndjson", address) })

	// The engine is killed: events are received and wait in the broker.
	engineServer.end(syscall.SIGKILL)
	_, stderr = spoil(t, 5, dir, "emit", "part2.ndjson", "--server", address, "--wait", "1s")
	if !strings.Contains(stderr, "were handed over and are safe") {
		t.Errorf("without an engine: %s", stderr)
	}
	standFor(t, "engine", dir, engineAt)
	again(t, func() error { return allRecorded(t, address) })

	got := contentsAt(t, address)
	if status := p.end(syscall.SIGTERM); status != 0 {
		_, stderr, _ := p.printed()
		t.Errorf("serve ends with status %d: %s", status, stderr)
	}
	// The demo finds all of it recorded, through the same servers.
	out, _ := spoil(t, 0, dir, append([]string{"demo", "--out", "out"}, own...)...)
	if !strings.Contains(out, " 0 recorded, ") || !strings.Contains(out, " 0 quarantined") {
		t.Errorf("demo: %s", lastLines(out, 30))
	}
	spoil(t, 0, dir, "demo", "--data", "embedded", "--out", "embedded-out")
	want := contentsOf(t, dir, "--data", "embedded")
	got.same(t, &want)
}

// A process that is halted loses the intake to another, stands by when it wakes,
// and takes over when the other is killed. What either takes in counts once.
func TestIntakeTakenOver(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	_, natsAt := standFor(t, "broker", dir, "127.0.0.1:0")
	_, engineAt := standFor(t, "engine", dir, "127.0.0.1:0")
	own := []string{"--nats", "nats://" + natsAt, "--clickhouse", "http://" + engineAt}
	lines := bytes.SplitAfter(monthLines(t), []byte("\n"))
	distinct := map[string]bool{} // the month holds some events twice
	for i := range 4 {
		for _, line := range lines[i*500 : (i+1)*500] {
			distinct[string(line)] = true
		}
		part := bytes.Join(lines[i*500:(i+1)*500], nil)
		if err := os.WriteFile(filepath.Join(dir, fmt.Sprintf("part%d.ndjson", i)), part, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	var recorded uint64
	send := func(part int, address string) {
		t.Helper()
		out, _ := spoil(t, 0, dir, "emit", fmt.Sprintf("part%d.ndjson", part), "--server", address)
		f, _ := fatesIn(t, out)
		recorded += f.Recorded
		if f.Recorded+f.Duplicates != 500 || f.Position != recorded {
			t.Errorf("part %d, after which %d events should be recorded: %s", part, recorded, out)
		}
	}
	first, firstAt := serveFor(t, dir, own...)
	send(0, firstAt)
	signal := func(p *process, sig os.Signal) {
		t.Helper()
		if err := p.cmd.Process.Signal(sig); err != nil {
			t.Fatal(err)
		}
	}
	signal(first, syscall.SIGSTOP)
	second, secondAt := serveFor(t, dir, own...)
	send(1, secondAt)
	signal(first, syscall.SIGCONT)
	send(2, firstAt) // received by the first, recorded by the second
	second.end(syscall.SIGKILL)
	send(3, firstAt)
	if status := first.end(syscall.SIGTERM); status != 0 {
		_, stderr, _ := first.printed()
		t.Errorf("the first ends with status %d: %s", status, stderr)
	}
	out, _ := spoil(t, 0, dir, append([]string{"rebuild"}, own...)...)
	if want := fmt.Sprintf("%d events in ", len(distinct)); !strings.HasPrefix(out, want) || recorded != uint64(len(distinct)) {
		t.Errorf("%d recorded, want %s; rebuild: %s", recorded, want, out)
	}
}

// again repeats what may fail while servers find each other.
func again(t *testing.T, try func() error) {
	t.Helper()
	late := time.NewTimer(patience)
	defer late.Stop()
	pause := time.NewTicker(100 * time.Millisecond)
	defer pause.Stop()
	for {
		err := try()
		if err == nil {
			return
		}
		select {
		case <-pause.C:
		case <-late.C:
			t.Fatal(err)
		}
	}
}

func emitted(t *testing.T, dir, file, address string) error {
	status, out, stderr := runToEnd(t, dir, environment(t), "spoilbook", "emit", file, "--server", address)
	if status != 0 {
		return fmt.Errorf("emit %s: exit status %d: %s%s", file, status, out, stderr)
	}
	return nil
}

// allRecorded reports whether everything that was received is recorded, as the
// fate of one more message shows, which the ledger has already.
func allRecorded(t *testing.T, address string) error {
	t.Helper()
	c, err := client.New(address)
	if err != nil {
		return err
	}
	first, err := c.Events(t.Context(), ledger.EventQuery{Limit: 1})
	if err != nil {
		return err
	}
	ticket, err := c.Submit(t.Context(), []ledger.Message{ledger.MessageOf(first[0].Body)})
	if err != nil {
		return err
	}
	f, err := c.Await(t.Context(), ticket)
	if err == nil && f.Duplicates != 1 {
		err = errors.New("an event was counted twice")
	}
	return err
}
