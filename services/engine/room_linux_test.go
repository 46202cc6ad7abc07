package engine_test

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"spoilbook/services/engine"
)

// While the disk gets full and has room again, over and over, inserts are refused or stored, and no merge loses a row. Without the room kept free
// nine parts of this table were hollow after a minute.
func TestMergesOnADiskThatGetsFull(t *testing.T) {
	small := smallDisk(t)
	c := connect(t, open(t, engine.Options{Dir: filepath.Join(small, "engine")}))
	exec1(t, c, `CREATE TABLE t (n UInt64, body String CODEC(ZSTD(1)), INDEX by_n n TYPE minmax GRANULARITY 1) ENGINE = MergeTree ORDER BY n`)
	ctx, stop := context.WithCancel(t.Context())
	var filling sync.WaitGroup
	filling.Go(func() { fillAgainAndAgain(ctx, t, filepath.Join(small, "ballast")) })
	var stored, refused, none int
	for try, begun := 0, time.Now(); time.Since(begun) < 15*time.Second; try++ {
		inserted := insertFifty(t.Context(), c, try*50)
		switch rows := read(t, c, "SELECT count() FROM t WHERE n >= ? AND notEmpty(body)", try*50); {
		case rows == 50:
			stored++
		case rows != 0:
			t.Fatalf("%d rows of an insert of 50 are stored", rows)
		case inserted == nil:
			none++
		default:
			refused++
		}
		if try%20 == 0 {
			if rows := read(t, c, "SELECT countIf(notEmpty(body)) FROM t"); rows != uint64(stored*50) {
				t.Fatalf("%d rows are read, %d were stored", rows, stored*50)
			}
		}
	}
	stop()
	filling.Wait()
	t.Logf("%d inserts stored, %d refused, %d acknowledged that stored nothing", stored, refused, none)
	if stored == 0 || refused == 0 {
		t.Fatalf("%d inserts stored and %d refused: the disk was never full, or always", stored, refused)
	}
	for _, query := range []string{"SELECT countIf(notEmpty(body)) FROM t", "SELECT uniqExact(n) FROM t"} {
		if got := read(t, c, query); got != uint64(stored*50) {
			t.Errorf("%s: %d, want %d", query, got, stored*50)
		}
	}
	if count(t, c, "SELECT count() FROM system.parts WHERE table = 't' AND level > 0") == 0 {
		t.Error("nothing was merged, so nothing was tried")
	}
}

// smallDisk mounts a file system in memory.
func smallDisk(t *testing.T) string {
	t.Helper()
	small := t.TempDir()
	if err := syscall.Mount("tmpfs", small, "tmpfs", 0, "size=160m"); err != nil {
		t.Fatalf("mount a small file system: %v; this test needs the right to mount: run it as root, or as unshare --map-root-user --mount go test", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(small, 0); err != nil {
			t.Error(err)
		}
	})
	return small
}

// fillAgainAndAgain leaves no room on a disk for a while, and gives it back for a while, until ctx ends.
func fillAgainAndAgain(ctx context.Context, t *testing.T, ballast string) {
	for ctx.Err() == nil {
		if err := fill(ballast); err != nil {
			t.Error(err)
			return
		}
		time.Sleep(200 * time.Millisecond)
		if err := os.Remove(ballast); err != nil {
			t.Error(err)
			return
		}
		time.Sleep(400 * time.Millisecond)
	}
}

// read asks for a number until there is an answer.
func read(t *testing.T, c clickhouse.Conn, query string, args ...any) (rows uint64) {
	t.Helper()
	for tries := 0; ; tries++ {
		err := c.QueryRow(t.Context(), query, args...).Scan(&rows)
		if err == nil {
			return rows
		}
		if tries > 500 {
			t.Fatalf("%s is not answered: %v", query, err)
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// insertFifty inserts 50 rows as one block.
func insertFifty(ctx context.Context, c clickhouse.Conn, first int) error {
	batch, err := c.PrepareBatch(ctx, "INSERT INTO t (n, body)")
	if err != nil {
		return err
	}
	for n := first; n < first+50; n++ {
		if err := batch.Append(uint64(n), strings.Repeat(strconv.Itoa(n*7919%100_003), 20)); err != nil {
			return errors.Join(err, batch.Abort())
		}
	}
	return batch.Send()
}

// fill writes a file until not a byte of room is left.
func fill(path string) error {
	f, err := os.Create(path)
	if err != nil {
		return err
	}
	block := make([]byte, 1<<20)
	for len(block) > 0 {
		if _, err = f.Write(block); err != nil {
			block = block[:len(block)/2]
		}
		time.Sleep(time.Millisecond) // a gigabyte a second
	}
	if !errors.Is(err, syscall.ENOSPC) {
		return errors.Join(err, f.Close())
	}
	return f.Close()
}
