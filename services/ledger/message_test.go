package ledger_test

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"spoilbook/services/ledger"
)

// Whatever bytes come, they are addressed as they are to one source that the broker takes.
func FuzzMessageOf(f *testing.F) {
	files, err := filepath.Glob("../../testdata/wire/*.json")
	if err != nil || len(files) == 0 {
		f.Fatalf("samples: %v, %v", files, err)
	}
	for _, file := range files {
		sample, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(sample)
	}
	f.Add([]byte(`{"source":"/truck/*"}`))
	f.Fuzz(func(t *testing.T, body []byte) {
		m := ledger.MessageOf(body)
		class, name, ok := strings.Cut(m.Subject, ".")
		if !ok || class != "truck" && class != "office" || name == "" || strings.ContainsAny(name, ".*> \t\r\n\x00") {
			t.Fatalf("addressed to %q", m.Subject)
		}
		if !bytes.Equal(m.Body, body) {
			t.Fatal("the bytes were changed")
		}
	})
}
