package main

import (
	"bytes"
	"io"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// twoCopies makes a folder with a few files, an older copy with one more, and what each holds.
func twoCopies(t *testing.T) (folder, older string, content []byte) {
	t.Helper()
	folder, older = filepath.Join(t.TempDir(), "now"), filepath.Join(t.TempDir(), "older")
	content = bytes.Repeat([]byte("spoil "), 20)
	for _, name := range []string{"1.blk", "2.blk", "obs/meta.inf"} {
		for _, dir := range []string{folder, older} {
			path := filepath.Join(dir, name)
			if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(path, content, 0o600); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := os.WriteFile(filepath.Join(older, "3.blk"), content, 0o600); err != nil {
		t.Fatal(err)
	}
	return folder, older, content
}

// Every harm does what its row says, whatever the seed, and says where.
func TestHarms(t *testing.T) {
	for seed := range uint64(20) {
		for name, h := range map[string]harm{"flip": flipByte, "cut": cutShort, "delete": deleteFile, "folder": deleteFolder, "older": putBack} {
			folder, older, whole := twoCopies(t)
			what, err := h(dice(seed, name), folder, older)
			if err != nil {
				t.Fatal(err)
			}
			file, _, told := strings.Cut(what, ": ")
			if !told {
				t.Fatalf("%s: it says %q", name, what)
			}
			content, err := os.ReadFile(filepath.Join(folder, file))
			differ := 0
			for i := range min(len(content), len(whole)) {
				if content[i] != whole[i] {
					differ++
				}
			}
			_, third := os.Stat(filepath.Join(folder, "3.blk"))
			ok := map[string]bool{
				"flip": err == nil && len(content) == len(whole) && differ == 1, "cut": err == nil && len(content) < len(whole) && differ == 0,
				"delete": os.IsNotExist(err), "folder": os.IsNotExist(err), "older": third == nil,
			}
			if !ok[name] {
				t.Errorf("%s with seed %d: %s: %d bytes, %d differ, %v", name, seed, what, len(content), differ, err)
			}
		}
	}
}

func TestKindsOfFiles(t *testing.T) {
	for name, want := range map[string]string{
		"jetstream/$G/streams/SPOILBOOK_EVENTS/msgs/12.blk":                                  "jetstream/$G/streams/SPOILBOOK_EVENTS/msgs/N.blk",
		"store/71d/71dbece5-5401-4862-81eb-92e9e4b0533e/all_1_26_5/data.bin":                 "store/ID/PART/data.bin",
		"store/71d/71dbece5-5401-4862-81eb-92e9e4b0533e/all_1_1_0":                           "store/ID/PART",
		"store/71d/71dbece5-5401-4862-81eb-92e9e4b0533e/3f0c_7_7_0/checksums.txt":            "store/ID/PART/checksums.txt",
		"store/088/0885348a-026d-4f18-ab20-11ab900a37ba/blocks.sql":                          "store/ID/blocks.sql",
		"store/71d/71dbece5-5401-4862-81eb-92e9e4b0533e/deduplication_logs/dedup_log_17.txt": "store/ID/deduplication_logs/dedup_log_N.txt",
	} {
		if got := kindOf(name); got != want {
			t.Errorf("%s is of kind %s, want %s", name, got, want)
		}
	}
}

// A link passes bytes both ways until it is cut, and again when it is mended.
func TestLink(t *testing.T) {
	far, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer far.Close()
	go func() {
		for {
			c, err := far.Accept()
			if err != nil {
				return
			}
			go func() {
				_, _ = io.Copy(c, c) // until either side goes
				c.Close()
			}()
		}
	}()
	l, err := newLink(far.Addr().String())
	if err != nil {
		t.Fatal(err)
	}
	defer l.close()
	talk := func(c net.Conn) error {
		if _, err := c.Write([]byte("hello")); err != nil {
			return err
		}
		_, err := io.ReadFull(c, make([]byte, 5))
		return err
	}
	dial := func() net.Conn {
		c, err := net.Dial("tcp", l.address)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { c.Close() })
		return c
	}
	open := dial()
	if err := talk(open); err != nil {
		t.Fatal(err)
	}
	l.cut()
	if err := talk(open); err == nil {
		t.Error("a link that is cut passes bytes on an open connection")
	}
	if err := talk(dial()); err == nil {
		t.Error("a link that is cut takes a new connection")
	}
	l.mend()
	if err := talk(dial()); err != nil {
		t.Errorf("a link that was mended: %v", err)
	}
}
