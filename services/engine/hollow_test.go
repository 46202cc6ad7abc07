package engine_test

import (
	"context"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"spoilbook/services/engine"
)

// hollowOut empties every file of the parts of a table with some name, as a merge leaves them that met a full disk.
func hollowOut(t *testing.T, dir, part string) (folder string) {
	t.Helper()
	found, err := filepath.Glob(filepath.Join(dir, "store", "*", "*", part))
	if err != nil || len(found) != 1 {
		t.Fatalf("parts %s: %v, %v", part, found, err)
	}
	files, err := os.ReadDir(found[0])
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	for _, f := range files {
		if err := os.Truncate(filepath.Join(found[0], f.Name()), 0); err != nil {
			t.Fatal(err)
		}
	}
	return found[0]
}

// threeMerged makes a table of three inserts, merged into one part.
func threeMerged(t *testing.T, c clickhouse.Conn) {
	t.Helper()
	exec1(t, c, "CREATE TABLE t (n UInt64) ENGINE = MergeTree ORDER BY n")
	exec1(t, c, "SYSTEM STOP MERGES t")
	for _, n := range []string{"1", "2", "3"} {
		exec1(t, c, "INSERT INTO t SELECT "+n)
	}
	exec1(t, c, "SYSTEM START MERGES t")
	exec1(t, c, "OPTIMIZE TABLE t FINAL")
	if count(t, c, "SELECT count() FROM system.parts WHERE table = 't' AND active AND name = 'all_1_3_1'") != 1 {
		t.Fatal("the table is not one merged part")
	}
	exec1(t, c, "SYSTEM DROP MARK CACHE")
}

// sum asks until there is an answer; that it may be asked again must be what every refusal says.
func sum(t *testing.T, c clickhouse.Conn) (n uint64) {
	t.Helper()
	for until := time.Now().Add(time.Minute); ; {
		err := c.QueryRow(context.Background(), "SELECT sum(n) FROM t").Scan(&n)
		if err == nil {
			return n
		}
		if !strings.Contains(err.Error(), "send the statement again") || time.Now().After(until) {
			t.Fatal(err)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// A merge that met a full disk is taken back while the engine runs, and again at its start.
func TestAHollowMergeIsTakenBack(t *testing.T) {
	dir := t.TempDir()
	e, err := engine.Open(t.Context(), engine.Options{Dir: dir, Library: library(t)})
	if err != nil {
		t.Fatal(err)
	}
	c := connect(t, e)
	threeMerged(t, c)
	hollowOut(t, dir, "all_1_3_1")
	if n := sum(t, c); n != 6 {
		t.Errorf("while it runs: the sum is %d, want 6", n)
	}
	exec1(t, c, "INSERT INTO t SELECT 4")
	exec1(t, c, "OPTIMIZE TABLE t FINAL")
	if n := sum(t, c); n != 10 {
		t.Errorf("after another insert and merge: the sum is %d, want 10", n)
	}
	var merged string
	if err := c.QueryRow(t.Context(), "SELECT name FROM system.parts WHERE table = 't' AND active").Scan(&merged); err != nil {
		t.Fatal(err)
	}
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	hollowOut(t, dir, merged)
	if n := sum(t, connect(t, open(t, engine.Options{Dir: dir}))); n != 10 {
		t.Errorf("after a start: the sum is %d, want 10", n)
	}
	aside, err := filepath.Glob(filepath.Join(dir, "hollow-parts", "*", "all_*"))
	if err != nil || len(aside) != 2 {
		t.Errorf("put aside: %v, %v", aside, err)
	}
}

// A hollow part of an insert is taken out: it holds nothing. Nothing else that is damaged is.
func TestOnlyHollowPartsAreTakenOut(t *testing.T) {
	dir := t.TempDir()
	c := connect(t, open(t, engine.Options{Dir: dir}))
	exec1(t, c, "CREATE TABLE t (n UInt64) ENGINE = MergeTree ORDER BY n")
	exec1(t, c, "SYSTEM STOP MERGES t")
	for _, n := range []string{"1", "2", "3"} {
		exec1(t, c, "INSERT INTO t SELECT "+n)
	}
	exec1(t, c, "SYSTEM DROP MARK CACHE")
	hollowOut(t, dir, "all_2_2_0")
	if n := sum(t, c); n != 4 {
		t.Errorf("the sum is %d, want 4", n)
	}
	exec1(t, c, "SYSTEM DROP MARK CACHE")
	found, err := filepath.Glob(filepath.Join(dir, "store", "*", "*", "all_3_3_0", "data.bin"))
	if err != nil || len(found) != 1 {
		t.Fatal(found, err)
	}
	if err := os.Truncate(found[0], 0); err != nil {
		t.Fatal(err)
	}
	var n uint64
	err = c.QueryRow(t.Context(), "SELECT sum(n) FROM t").Scan(&n)
	if err == nil || strings.Contains(err.Error(), "send the statement again") {
		t.Errorf("a part that lacks its data gives %d, %v", n, err)
	}
}

// A hollow merge whose sources are gone stays where it is, and is damage.
func TestAHollowMergeWithoutSourcesIsDamage(t *testing.T) {
	dir := t.TempDir()
	c := connect(t, open(t, engine.Options{Dir: dir}))
	threeMerged(t, c)
	part := hollowOut(t, dir, "all_1_3_1")
	for _, source := range []string{"all_1_1_0", "all_2_2_0", "all_3_3_0"} {
		if err := os.RemoveAll(filepath.Join(filepath.Dir(part), source)); err != nil {
			t.Fatal(err)
		}
	}
	var n uint64
	err := c.QueryRow(t.Context(), "SELECT sum(n) FROM t").Scan(&n)
	if err == nil || strings.Contains(err.Error(), "send the statement again") {
		t.Errorf("it gives %d, %v", n, err)
	}
	if _, err := os.Stat(part); err != nil {
		t.Error(err)
	}
}
