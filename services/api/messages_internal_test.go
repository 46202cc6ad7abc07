package api

import (
	"bytes"
	"testing"
)

// A body is split into what it is made of: of lines none is lost, joined or changed but for the white space around it.
func FuzzMessages(f *testing.F) {
	for _, text := range []string{"", "\n", "{}\n{}", "{}\r\n\n {} ", "[{},{}]", "[", "[[]]", "null", "\xff\xfe", "{\"a\":\"\n\"}"} {
		for media := range uint8(4) {
			f.Add(media, []byte(text))
		}
	}
	f.Fuzz(func(t *testing.T, which uint8, body []byte) {
		media := []string{oneEvent, eventBatch, eventLines, "application/json; charset=utf-8"}[which%4]
		msgs, err := messages(media, bytes.Clone(body))
		if err != nil {
			if len(msgs) != 0 {
				t.Fatalf("%d messages and %v", len(msgs), err)
			}
			return
		}
		if len(msgs) == 0 {
			t.Fatal("nothing was found, and nothing was said")
		}
		if media != eventLines {
			return
		}
		n := 0
		for line := range bytes.SplitSeq(body, []byte("\n")) {
			if line = bytes.TrimSpace(line); len(line) == 0 {
				continue
			}
			if n >= len(msgs) || !bytes.Equal(msgs[n].Body, line) {
				t.Fatalf("line %d is not message %d of %d", n, n, len(msgs))
			}
			n++
		}
		if n != len(msgs) {
			t.Fatalf("%d lines, %d messages", n, len(msgs))
		}
	})
}
