package broker

import (
	"strings"
	"testing"
)

// A source that is taken is one kind and one name and nothing that a subject could mean otherwise.
func FuzzSource(f *testing.F) {
	for _, text := range []string{"truck.TM-01", "office.desk_2", "truck.*", "truck.>", "truck", "truck.a.b", ".", "", "truck.TM 01", "truck.\x00", "$JS.API", strings.Repeat("a", 65) + ".b"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		if CheckSource(text) != nil {
			return
		}
		kind, name, _ := strings.Cut(text, ".")
		joined, err := Source(kind, name)
		if err != nil || joined != text {
			t.Fatalf("%q is taken, and joined again it is %q, %v", text, joined, err)
		}
		if strings.Count(text, ".") != 1 || strings.ContainsAny(text, "*> \t\r\n\x00$") || kind == "" || name == "" {
			t.Fatalf("%q is taken", text)
		}
	})
}
