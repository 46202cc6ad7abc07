package main

import (
	"bytes"
	"testing"

	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// monthLines is the invented month as a file of lines, with the messages that can
// not become events at its end.
func monthLines(t testing.TB) []byte {
	t.Helper()
	month, err := demo.Build()
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	for _, batch := range month.Batches {
		msgs, err := ledger.MessagesOf(batch.Events)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range msgs {
			b.Write(m.Body)
			b.WriteByte('\n')
		}
	}
	for _, m := range demo.Raw() {
		b.Write(bytes.ReplaceAll(m.Body, []byte("\n"), []byte(" ")))
		b.WriteByte('\n')
	}
	return b.Bytes()
}
