package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"syscall"
	"testing"
)

// A backup is made while a server takes in a month; then the server is killed, and
// the ledger restored. At the backup's position it gives every report byte for byte
// as the one that was killed does, under the root that the backup printed.
func TestBackupUnderLoadRestoresEveryReport(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	month := filepath.Join(dir, "month.ndjson")
	if err := os.WriteFile(month, monthLines(t), 0o600); err != nil {
		t.Fatal(err)
	}
	served, err := start(dir, environment(t), "spoilbook", "serve", "--open", "--data", "d", "--listen", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer served.end(syscall.SIGKILL)
	address, err := served.waitFor(`^spoilbook serves at (\S+)`)
	if err != nil {
		t.Fatal(err)
	}
	load, err := start(dir, environment(t), "spoilbook", "emit", month, "--server", address)
	if err != nil {
		t.Fatal(err)
	}
	defer load.end(syscall.SIGKILL)
	var out string
	for running := true; running; { // one after the other while the load lasts, each adding to the last
		select {
		case <-load.ended:
			running = false
		default:
		}
		var status int
		var stderr string
		status, out, stderr = runToEnd(t, dir, environment(t), "spoilbook", "backup", "--to", "b", "--server", address)
		if status != 0 {
			t.Fatalf("backup ends with status %d: %s", status, stderr)
		}
	}
	said := regexp.MustCompile(`^position (\d+), root ([0-9a-f]{64})`).FindStringSubmatch(out)
	if said == nil || said[1] == "0" {
		t.Fatalf("the backup says %q", out)
	}
	served.end(syscall.SIGKILL)
	spoil(t, 0, dir, "restore", "b", "--data", "r")
	_, rebuilt, _ := runToEnd(t, dir, environment(t), "spoilbook", "rebuild", "--data", "r")
	if !strings.HasPrefix(rebuilt, said[1]+" events") || !strings.Contains(rebuilt, "root "+said[2]) {
		t.Errorf("restored: %q, the backup said %q", rebuilt, out)
	}
	for _, report := range []string{"manifest", "water", "timesplit", "billable"} {
		var texts [2]string
		for i, data := range []string{"d", "r"} {
			status, text, stderr := runToEnd(t, dir, environment(t), "spoilbook", "report", report, "--from", "2026-10-01", "--to", "2026-10-31",
				"--tz", "Europe/Dublin", "--format", "json", "--at-position", said[1], "--data", data)
			if status != 0 || !strings.Contains(text, said[2]) && data == "r" {
				t.Fatalf("report %s of %s ends with status %d: %s", report, data, status, stderr)
			}
			texts[i] = text
		}
		if !bytes.Equal([]byte(texts[0]), []byte(texts[1])) {
			t.Errorf("report %s is not the same, byte for byte", report)
		}
	}
}
