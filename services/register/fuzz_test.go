package register_test

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"

	"spoilbook/services/register"
)

// Whatever the text, reading answers; what it accepts can be written out, and
// reading that gives the same payloads.
func FuzzRead(f *testing.F) {
	for _, text := range whole() {
		f.Add(text)
	}
	for _, text := range []string{"", "a: &a [*a]", "? k\n: v", "entries:\n- - -", "%YAML 1.2\n---\n", "a: |\n\tb", "{a: {b: {c: [", "\"\\ud800\": 1", "key: !!binary x", "1: 2", "<<: 1"} {
		f.Add(text)
	}
	loader := register.Loader{Known: bookOf(f, carriers, taxes)}
	f.Fuzz(func(t *testing.T, text string) {
		revs, err := loader.Read(folder(map[string]string{"a.yaml": text}))
		if err != nil {
			var problems *register.Problems
			if !errors.As(err, &problems) || len(problems.List) == 0 {
				t.Fatalf("error %v", err)
			}
			for _, p := range problems.List {
				if p.File != "a.yaml" || p.Line < 1 || p.Field == "" || p.Allowed == "" {
					t.Fatalf("problem %+v", p)
				}
			}
			return
		}
		files, err := register.Write(revs)
		if err != nil {
			t.Fatal(err)
		}
		for name, b := range files {
			back, err := loader.Read(folder(map[string]string{name: string(b)}))
			if err != nil || !bytes.Equal(payloads(t, back), payloads(t, revs)) {
				t.Fatalf("error %v\n%s\nread from\n%s", err, payloads(t, back), b)
			}
		}
	})
}

// The example of the package comment is a file that can be read.
func TestPackageCommentExample(t *testing.T) {
	text, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	var example strings.Builder
	for line := range strings.Lines(string(text)) {
		if yaml, ok := strings.CutPrefix(line, "//\t"); ok {
			example.WriteString(yaml)
		}
	}
	revs, err := register.Loader{Known: bookOf(t, carriers)}.Read(folder(map[string]string{"truck.yaml": example.String()}))
	if err != nil || len(revs) != 2 || revs[1].Note != "second fresh tank fitted" {
		t.Errorf("%d entries, error %v", len(revs), err)
	}
}
