package highwater

import (
	"errors"
	"os"
	"path/filepath"
	"testing"
	"time"

	"spoilbook/services/ledger"
)

func example() ledger.HighWater {
	return ledger.HighWater{Stream: "S@1", Received: 12, Handled: 10, Position: 9, Root: [32]byte{1, 2, 3}, At: time.UnixMilli(1_790_000_000_000).UTC()}
}

// What was written is read; where nothing was, nothing is.
func TestWriteAndRead(t *testing.T) {
	dir := t.TempDir()
	if m, err := Read(dir); err != nil || m != (ledger.HighWater{}) {
		t.Fatalf("an empty folder has %+v, %v", m, err)
	}
	for _, position := range []uint64{9, 20} {
		want := example()
		want.Position = position
		if err := Write(dir, want); err != nil {
			t.Fatal(err)
		}
		if got, err := Read(dir); err != nil || got != want {
			t.Fatalf("read %+v, %v; wrote %+v", got, err, want)
		}
	}
	for range 2 {
		if err := Remove(dir); err != nil {
			t.Fatal(err)
		}
	}
	if m, err := Read(dir); err != nil || m != (ledger.HighWater{}) {
		t.Fatalf("after it was removed it is %+v, %v", m, err)
	}
}

// Whichever bit is turned, and wherever the file is cut, it is no witness any more.
func TestHarmedFileIsNoWitness(t *testing.T) {
	dir := t.TempDir()
	if err := Write(dir, example()); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, Name)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	try := func(b []byte) {
		t.Helper()
		if err := os.WriteFile(path, b, 0o600); err != nil {
			t.Fatal(err)
		}
		if m, err := Read(dir); !errors.Is(err, ErrUnreadable) {
			t.Fatalf("%q is read as %+v, %v", b, m, err)
		}
	}
	for i := range whole {
		for bit := range 8 {
			b := append([]byte(nil), whole...)
			b[i] ^= 1 << bit
			try(b)
		}
		try(whole[:i])
	}
}
