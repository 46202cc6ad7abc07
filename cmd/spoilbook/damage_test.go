package main

import (
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// largest returns the largest file below a folder whose name has an ending.
func largest(t *testing.T, dir, ending string) string {
	t.Helper()
	path, size := "", int64(0)
	err := filepath.WalkDir(dir, func(name string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() || !strings.HasSuffix(name, ending) {
			return err
		}
		info, err := e.Info()
		if err == nil && info.Size() > size {
			path, size = name, info.Size()
		}
		return err
	})
	if err != nil || path == "" {
		t.Fatalf("no file %s with anything in it below %s, %v", ending, dir, err)
	}
	return path
}

// Stored bytes that are not what was stored are called damage, by every command
// that meets them, with the exit status for it. Messages of the broker that are
// recorded are read no more; that they are there is checked.
func TestDamageIsCalledDamage(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	spoil(t, 0, dir, "register", "load", exampleFolder(t, "register"), "--data", "d")
	spoil(t, 0, dir, "emit", exampleFolder(t, "day.ndjson"), "--data", "d")
	reading := [][]string{{"events"}, {"rebuild"}, {"report", "water", "--from", "2026-11-03", "--to", "2026-11-03", "--tz", "Europe/Dublin"}}
	writing := [][]string{{"emit", exampleFolder(t, "day.ndjson")}}
	for _, d := range []struct {
		name, folder, ending string
		harm                 func([]byte) []byte
		noticed              [][]string
	}{
		{"a bit of the events is turned", "engine/store", "/data.bin", turnBit, append(reading, writing...)},
		{"the events are cut short", "engine/store", "/data.bin", half, append(reading, writing...)},
		{"the counts of a part are gone", "engine/store", "/checksums.txt", half, append(reading, writing...)},
		{"a table's definition is cut short", "engine/store", "/events.sql", half, append(reading, writing...)},
		{"the broker's messages are cut short", "broker", ".blk", half, writing},
	} {
		data := filepath.Join(dir, "harmed")
		if err := os.CopyFS(data, os.DirFS(filepath.Join(dir, "d"))); err != nil {
			t.Fatal(err)
		}
		path := largest(t, filepath.Join(data, d.folder), d.ending)
		content, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, d.harm(content), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, command := range d.noticed {
			status, out, stderr := runToEnd(t, dir, environment(t), "spoilbook", append(command, "--data", data)...)
			if status != 6 || !strings.Contains(stderr, "to do: keep a copy of the data folder as it is") {
				t.Errorf("%s (%s): spoilbook %s: exit status %d, want 6:\n%s%s", d.name, filepath.Base(path), command[0], status, lastLines(out, 5), lastLines(stderr, 5))
			}
		}
		if err := os.RemoveAll(data); err != nil {
			t.Fatal(err)
		}
	}
}

func turnBit(b []byte) []byte {
	b[len(b)/2] ^= 4
	return b
}

func half(b []byte) []byte { return b[:len(b)/2] }
