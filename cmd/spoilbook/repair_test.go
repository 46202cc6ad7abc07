package main

import (
	"io"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
)

var rootLine = regexp.MustCompile(`root ([0-9a-f]{64})`)

// rootOf returns the root that a check of a sound ledger prints.
func rootOf(t *testing.T, dir, data string) string {
	t.Helper()
	out, _ := spoil(t, 0, dir, "check", "--data", data)
	found := rootLine.FindStringSubmatch(out)
	if found == nil || !strings.Contains(out, "ok     stream") || strings.Contains(out, "WRONG") {
		t.Fatalf("check says:\n%s", out)
	}
	return found[1]
}

func copyFolder(t *testing.T, from, to string) {
	t.Helper()
	if err := os.CopyFS(to, os.DirFS(from)); err != nil {
		t.Fatal(err)
	}
}

func remove(t *testing.T, path string) {
	t.Helper()
	if err := os.RemoveAll(path); err != nil {
		t.Fatal(err)
	}
}

func rewrite(t *testing.T, path string, change func([]byte) []byte) {
	t.Helper()
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, change(content), 0o600); err != nil {
		t.Fatal(err)
	}
}

// Whichever store is lost, exchanged for an older copy or harmed, the next command
// that writes refuses, says which, and changes nothing; the command that it names
// ends with the ledger as it was.
func TestRepairs(t *testing.T) {
	dir := t.TempDir()
	at := func(names ...string) string { return filepath.Join(append([]string{dir}, names...)...) }
	spoil(t, 0, dir, "register", "load", exampleFolder(t, "register"), "--data", "whole")
	copyFolder(t, at("whole"), at("older"))
	spoil(t, 0, dir, "emit", exampleFolder(t, "day.ndjson"), "--data", "whole")
	root := rootOf(t, dir, "whole")
	signed := []string{"--author", "Yard office", "--note", "a disk was replaced", "--data", "d"}
	for _, c := range []struct {
		name   string
		harm   func()
		says   string
		repair []string
		then   string // that repair says
	}{
		{"broker lost", func() { remove(t, at("d/broker")) },
			"is new, and the ledger stands at position 24", []string{"broker"}, "2 sources were sent what is recorded"},
		{"broker is an older copy", func() { remove(t, at("d/broker")); copyFolder(t, at("older/broker"), at("d/broker")) },
			"ends at message 11, but message 24 is recorded", []string{"broker"}, "moved"},
		{"broker's messages cut short", func() { rewrite(t, largest(t, at("d/broker"), ".blk"), half) },
			"", []string{"broker"}, "the ledger goes on with the stream"},
		{"broker's messages changed", func() { rewrite(t, largest(t, at("d/broker/jetstream/$G/streams/SPOILBOOK_EVENTS"), ".blk"), turnBit) },
			"a record that does not hold its checksum", []string{"broker"}, "can not be read"},
		{"stream's description changed", func() { rewrite(t, at("d/broker/jetstream/$G/streams/SPOILBOOK_EVENTS/meta.inf"), turnBit) },
			"the server could not read", []string{"broker"}, "moved"},
		{"engine lost", func() { remove(t, at("d/engine")) },
			"the store is empty, but the broker counts messages up to 24", []string{"store"}, "the first 24 events have the root they had"},
		{"engine is an older copy", func() { remove(t, at("d/engine")); copyFolder(t, at("older/engine"), at("d/engine")) },
			"has handled message 11", []string{"store"}, "the first 24 events have the root they had"},
		{"engine's events cut short", func() { rewrite(t, largest(t, at("d/engine/store"), "/data.bin"), half) },
			"run spoilbook repair store --anew", []string{"store", "--anew"}, "the first 24 events have the root they had"},
	} {
		remove(t, at("d"))
		copyFolder(t, at("whole"), at("d"))
		c.harm()
		if _, stderr := spoil(t, 6, dir, "emit", exampleFolder(t, "day.ndjson"), "--data", "d"); !strings.Contains(stderr, c.says) {
			t.Errorf("%s: a start says %s\nwant %q", c.name, stderr, c.says)
		}
		if out, _ := spoil(t, 0, dir, append(append([]string{"repair"}, c.repair...), signed...)...); !strings.Contains(out, c.then) {
			t.Errorf("%s: repair says %s\nwant %q", c.name, out, c.then)
		}
		out, _ := spoil(t, 0, dir, "emit", exampleFolder(t, "day.ndjson"), "--data", "d")
		if !strings.Contains(out, "0 recorded, 13 duplicate, 0 quarantined; the ledger stands at position 24") {
			t.Errorf("%s: after the repair: %s", c.name, out)
		}
		if got := rootOf(t, dir, "d"); got != root {
			t.Errorf("%s: the root is %s after the repair, was %s", c.name, got, root)
		}
	}
}

// A server that finds the broker damaged answers on: reports from what is recorded,
// damaged to everything that would write, and not ready.
func TestServeStandsStillOnDamage(t *testing.T) {
	dir := t.TempDir()
	spoil(t, 0, dir, "register", "load", exampleFolder(t, "register"), "--data", "d")
	spoil(t, 0, dir, "emit", exampleFolder(t, "day.ndjson"), "--data", "d")
	bad := filepath.Join(dir, "bad.ndjson")
	if err := os.WriteFile(bad, []byte("{}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	spoil(t, 7, dir, "emit", bad, "--data", "d")
	remove(t, filepath.Join(dir, "d", "broker"))
	p, address := serveFor(t, dir, "--data", "d")
	get := func(path string) (int, string) {
		t.Helper()
		answer, err := http.Get(address + path)
		if err != nil {
			t.Fatal(err)
		}
		defer answer.Body.Close()
		text, err := io.ReadAll(answer.Body)
		if err != nil {
			t.Fatal(err)
		}
		return answer.StatusCode, string(text)
	}
	if status, text := get("/health/ready"); status != 500 || !strings.Contains(text, "damaged") || !strings.Contains(text, "spoilbook repair broker") {
		t.Errorf("ready: %d %s", status, text)
	}
	if status, _ := get("/health/live"); status != 200 {
		t.Errorf("live: %d", status)
	}
	if _, text := get("/metrics"); !strings.Contains(text, "\nspoilbook_damaged 1\n") {
		t.Error("the metrics do not say that damage was found")
	}
	out, _ := spoil(t, 0, dir, "report", "water", "--from", "2026-11-03", "--to", "2026-11-03", "--tz", "Europe/Dublin", "--server", address, "-o", "water.xlsx")
	if _, err := os.Stat(filepath.Join(dir, "water.xlsx")); err != nil {
		t.Errorf("no report is served: %v %s", err, out)
	}
	for _, refused := range [][]string{
		{"emit", exampleFolder(t, "day.ndjson")},
		{"quarantine", "dismiss", "1", "--author", "Yard office", "--note", "a test"},
	} {
		if _, stderr := spoil(t, 6, dir, append(refused, "--server", address)...); !strings.Contains(stderr, "repair broker") {
			t.Errorf("%s: %s", refused[0], stderr)
		}
	}
	if status := p.end(syscall.SIGTERM); status != 0 {
		t.Errorf("told to stop it ended with status %d", status)
	}
	spoil(t, 0, dir, "repair", "broker", "--author", "Yard office", "--note", "folder deleted by mistake", "--data", "d")
	p, address = serveFor(t, dir, "--data", "d")
	if status, text := get("/health/ready"); status != 200 {
		t.Errorf("after the repair: %d %s", status, text)
	}
	spoil(t, 0, dir, "emit", exampleFolder(t, "day.ndjson"), "--server", address)
	if status := p.end(syscall.SIGTERM); status != 0 {
		t.Errorf("told to stop it ended with status %d", status)
	}
}
