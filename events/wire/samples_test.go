package wire_test

import (
	"encoding/hex"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
)

const sampleDir = "../../testdata/wire"

var update = flag.Bool("update", false, "rewrite the committed schema and the list of hashes")

// samples returns the frozen samples of every version by file name.
func samples(tb testing.TB) map[string][]byte {
	tb.Helper()
	names, err := filepath.Glob(filepath.Join(sampleDir, "*.json"))
	if err != nil || len(names) == 0 {
		tb.Fatalf("no samples in %s: %v", sampleDir, err)
	}
	all := map[string][]byte{}
	for _, name := range names {
		b, err := os.ReadFile(name)
		if err != nil {
			tb.Fatal(err)
		}
		all[filepath.Base(name)] = b
	}
	return all
}

func sortedNames(all map[string][]byte) []string {
	names := make([]string, 0, len(all))
	for name := range all {
		names = append(names, name)
	}
	slices.Sort(names)
	return names
}

func decode(tb testing.TB, name string, b []byte) events.Event {
	tb.Helper()
	e, err := wire.Decode(b)
	if err != nil {
		tb.Fatalf("%s: %v", name, err)
	}
	return e
}

func TestSamplesAreCanonical(t *testing.T) {
	kinds, registers := map[events.Kind]bool{}, map[events.Register]bool{}
	for name, b := range samples(t) {
		e := decode(t, name, b)
		again, err := wire.Encode(&e)
		if err != nil || string(again) != string(b) {
			t.Errorf("%s encodes as\n%s\nwant\n%s (error %v)", name, again, b, err)
		}
		if !strings.HasPrefix(name, string(e.Kind())+".") {
			t.Errorf("%s holds a %s event", name, e.Kind())
		}
		kinds[e.Kind()] = true
		if r, ok := e.Body.(events.RegisterRevised); ok {
			registers[r.Document.Register()] = true
		}
	}
	for _, k := range events.Kinds() {
		if !kinds[k] {
			t.Errorf("kind %s has no sample", k)
		}
	}
	for _, r := range events.Registers() {
		if !registers[r] {
			t.Errorf("register %s has no sample", r)
		}
	}
}

// Every field of the vocabulary is set in some sample, so that none can be
// renamed, retyped or forgotten without a sample failing.
func TestSamplesUseEveryField(t *testing.T) {
	used := map[string]bool{}
	var walk func(v reflect.Value)
	walk = func(v reflect.Value) {
		switch v.Kind() {
		case reflect.Interface, reflect.Pointer:
			if !v.IsNil() {
				walk(v.Elem())
			}
		case reflect.Slice:
			for i := range v.Len() {
				walk(v.Index(i))
			}
		case reflect.Struct:
			for i := range v.NumField() {
				name := v.Type().String() + "." + v.Type().Field(i).Name
				used[name] = used[name] || !v.Field(i).IsZero()
				walk(v.Field(i))
			}
		}
	}
	for name, b := range samples(t) {
		e := decode(t, name, b)
		walk(reflect.ValueOf(e))
	}
	for name, set := range used {
		if !set {
			t.Errorf("no sample sets %s", name)
		}
	}
	if len(used) < 200 {
		t.Errorf("only %d fields seen", len(used))
	}
}

// The leaf hashes are what checkpoints and proofs rest on: a byte that drifts
// would break every proof ever given.
func TestSampleHashes(t *testing.T) {
	all := samples(t)
	var b strings.Builder
	for _, name := range sortedNames(all) {
		sum := chain.LeafHash(all[name])
		fmt.Fprintf(&b, "%s  %s\n", hex.EncodeToString(sum[:]), name)
	}
	golden(t, filepath.Join(sampleDir, "hashes.txt"), b.String())
}

// golden compares got with a committed file, or rewrites the file with -update.
func golden(t *testing.T, name, got string) {
	t.Helper()
	if *update {
		if err := os.WriteFile(name, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if got == string(want) {
		return
	}
	have, wanted := strings.Split(got, "\n"), strings.Split(string(want), "\n")
	for i := 0; ; i++ {
		if i == len(have) || i == len(wanted) || have[i] != wanted[i] {
			t.Fatalf("%s differs from line %d of %d and %d; if that is meant, run go test with -update and look at the difference\n got %q\nwant %q",
				name, i+1, len(have), len(wanted), have[min(i, len(have)-1)], wanted[min(i, len(wanted)-1)])
		}
	}
}

// JavaScript's JSON.stringify is the reference of RFC 8785 for numbers and text;
// members are in order of UTF-16 units, which is how JavaScript sorts.
func TestCanonicalFormAgreesWithJavaScript(t *testing.T) {
	node, err := exec.LookPath("node")
	if err != nil {
		t.Fatal("node is missing; deploy/check.sh says what the tests need")
	}
	all := samples(t)
	args := []string{"../../testdata/node/canonical.mjs"}
	for _, name := range sortedNames(all) {
		args = append(args, filepath.Join(sampleDir, name))
	}
	out, err := exec.Command(node, args...).Output()
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(string(out), "\n"), "\n")
	if len(lines) != len(all) {
		t.Fatalf("%d lines for %d samples", len(lines), len(all))
	}
	for i, name := range sortedNames(all) {
		if lines[i] != string(all[name]) {
			t.Errorf("%s\n JavaScript %s\n sample     %s", name, lines[i], all[name])
		}
	}
}

// wrapped reports whether the payload of kind k holds another one.
func wrapped(k events.Kind) bool {
	return k == events.KindEntryCorrected || k == events.KindRegisterRevised
}
