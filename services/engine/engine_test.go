package engine_test

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"spoilbook/services/engine"
)

// TestMain runs this binary again as the process that a test asks for, because
// some promises are about whole processes.
func TestMain(m *testing.M) {
	switch os.Getenv("ENGINE_TEST_CHILD") {
	case "":
		os.Exit(m.Run())
	case "idle":
		os.Exit(childIdle())
	case "input":
		os.Exit(childInput())
	case "panic":
		os.Exit(childPanic())
	case "hold":
		os.Exit(childHold())
	case "signal":
		os.Exit(childSignal())
	case "crash":
		os.Exit(childCrash())
	}
	os.Exit(97)
}

// child prepares this binary to run as the named process.
func child(t *testing.T, name, dir string) *exec.Cmd {
	t.Helper()
	executable, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	command := exec.Command(executable)
	command.Env = append(os.Environ(), "ENGINE_TEST_CHILD="+name, "ENGINE_TEST_DIR="+dir, "ENGINE_TEST_LIBRARY="+library(t))
	return command
}

func childOpen() *engine.Engine {
	e, err := engine.Open(context.Background(), engine.Options{Dir: os.Getenv("ENGINE_TEST_DIR"), Library: os.Getenv("ENGINE_TEST_LIBRARY")})
	if err != nil {
		fmt.Println(err)
		os.Exit(98)
	}
	return e
}

// library fetches the pinned library, or finds it where an earlier run put it.
func library(t testing.TB) string {
	t.Helper()
	path, err := engine.Fetch(context.Background(), engine.FetchOptions{CacheDir: os.Getenv("SPOILBOOK_ENGINE_CACHE")})
	if err != nil {
		t.Fatal(err)
	}
	return path
}

// open opens an engine that is closed at the end of the test.
func open(t testing.TB, options engine.Options) *engine.Engine {
	t.Helper()
	if options.Dir == "" {
		options.Dir = t.TempDir()
	}
	options.Library = library(t)
	e, err := engine.Open(context.Background(), options)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := e.Close(); err != nil {
			t.Error(err)
		}
	})
	return e
}

// connect makes a client of the engine without a socket.
func connect(t testing.TB, e *engine.Engine, change ...func(*clickhouse.Options)) clickhouse.Conn {
	t.Helper()
	options := &clickhouse.Options{
		Protocol:      clickhouse.HTTP,
		Addr:          []string{"engine.local:8123"},
		TransportFunc: func(*http.Transport) (http.RoundTripper, error) { return e.Transport(), nil },
	}
	for _, f := range change {
		f(options)
	}
	c, err := clickhouse.Open(options)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { c.Close() })
	return c
}

func exec1(t testing.TB, c clickhouse.Conn, sql string, args ...any) {
	t.Helper()
	if err := c.Exec(context.Background(), sql, args...); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
}

// count runs a query for one number.
func count(t testing.TB, c clickhouse.Conn, sql string, args ...any) uint64 {
	t.Helper()
	var n uint64
	if err := c.QueryRow(context.Background(), sql, args...).Scan(&n); err != nil {
		t.Fatalf("%s: %v", sql, err)
	}
	return n
}

func wantCode(t testing.TB, err error, code int32) {
	t.Helper()
	var e *clickhouse.Exception
	if !errors.As(err, &e) || e.Code != code {
		t.Fatalf("error is %v; want code %d", err, code)
	}
}

func TestOpenTwiceIsRefusedAndReopenKeepsData(t *testing.T) {
	dir, other := t.TempDir(), t.TempDir()
	first := open(t, engine.Options{Dir: dir})
	for _, d := range []string{dir, other} {
		_, err := engine.Open(context.Background(), engine.Options{Dir: d, Library: library(t)})
		if err == nil || !strings.Contains(err.Error(), "already open in "+dir) {
			t.Fatalf("second open of %s: %v", d, err)
		}
	}
	c := connect(t, first)
	exec1(t, c, "CREATE TABLE tip (truck String, seq UInt64) ENGINE = MergeTree ORDER BY (truck, seq)")
	exec1(t, c, "INSERT INTO tip VALUES ('t1', 1), ('t1', 2)")
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	if err := c.Ping(context.Background()); err == nil || !strings.Contains(err.Error(), "closed") {
		t.Fatalf("ping after close: %v", err)
	}

	elsewhere := open(t, engine.Options{Dir: other})
	if n := count(t, connect(t, elsewhere), "SELECT count() FROM system.tables WHERE name = 'tip'"); n != 0 {
		t.Fatalf("another directory shows %d tables of the first", n)
	}
	if err := elsewhere.Close(); err != nil {
		t.Fatal(err)
	}

	again := open(t, engine.Options{Dir: dir})
	if n := count(t, connect(t, again), "SELECT sum(seq) FROM tip"); n != 3 {
		t.Fatalf("sum after reopening is %d; want 3", n)
	}
	if !strings.HasPrefix(again.Version(), "26.7.") {
		t.Fatalf("version is %q", again.Version())
	}
}

func TestManyOpensLeakNoThreads(t *testing.T) {
	var threads []int
	for range 8 {
		e := open(t, engine.Options{})
		if n := count(t, connect(t, e), "SELECT toUInt64(7)"); n != 7 {
			t.Fatal(n)
		}
		if err := e.Close(); err != nil {
			t.Fatal(err)
		}
		threads = append(threads, status(t, os.Getpid(), "Threads"))
	}
	if last, third := threads[7], threads[2]; last > third+5 {
		t.Fatalf("threads after each close: %v", threads)
	}
}

func TestOpenExplainsWhatIsWrong(t *testing.T) {
	for _, test := range []struct {
		name, want string
		change     func(*engine.Options)
	}{
		{"misspelt setting", `no such setting`, func(o *engine.Options) { o.Settings = map[string]string{"max_thread": "2"} }},
		{"misspelt table setting", `Unknown setting 'fsync'`, func(o *engine.Options) { o.Settings = map[string]string{"merge_tree.fsync": "1"} }},
		{"bad value", `max_threads`, func(o *engine.Options) { o.Settings = map[string]string{"max_threads": "many"} }},
		{"no directory", `needed`, func(o *engine.Options) { o.Dir = "" }},
		{"no library", `missing.so`, func(o *engine.Options) { o.Library = filepath.Join(o.Dir, "missing.so") }},
	} {
		t.Run(test.name, func(t *testing.T) {
			o := engine.Options{Dir: t.TempDir(), Library: library(t)}
			test.change(&o)
			e, err := engine.Open(context.Background(), o)
			if err == nil {
				e.Close()
				t.Fatal("opened")
			}
			if !strings.Contains(err.Error(), test.want) {
				t.Fatalf("error %q does not say %q", err, test.want)
			}
		})
	}
}

func TestLedgerSettings(t *testing.T) {
	c := connect(t, open(t, engine.Options{Settings: map[string]string{"merge_tree.old_parts_lifetime": "77", "max_threads": "3"}}))
	for setting, want := range map[string]string{
		"fsync_after_insert": "1", "fsync_part_directory": "1", "max_suspicious_broken_parts": "0",
		"max_suspicious_broken_parts_bytes": "0", "old_parts_lifetime": "77",
	} {
		var got string
		if err := c.QueryRow(context.Background(), "SELECT value FROM system.merge_tree_settings WHERE name = {n:String}", clickhouse.Named("n", setting)).Scan(&got); err != nil || got != want {
			t.Errorf("table setting %s is %q, %v; want %q", setting, got, err, want)
		}
	}
	for setting, want := range map[string]string{"async_insert": "0", "session_timezone": "UTC", "max_threads": "3"} {
		var got string
		if err := c.QueryRow(context.Background(), "SELECT value FROM system.settings WHERE name = {n:String}", clickhouse.Named("n", setting)).Scan(&got); err != nil || got != want {
			t.Errorf("setting %s is %q, %v; want %q", setting, got, err, want)
		}
	}
	if n := count(t, c, "SELECT toUInt64(value) FROM system.server_settings WHERE name = 'max_server_memory_usage'"); n != engine.DefaultMemory {
		t.Errorf("memory is limited to %d bytes", n)
	}
}

// A part cut short must not be set aside in silence, as the engine's defaults
// would have it.
func TestDamagedPartStopsTheStart(t *testing.T) {
	dir := t.TempDir()
	e := open(t, engine.Options{Dir: dir})
	c := connect(t, e)
	exec1(t, c, "CREATE TABLE tip (seq UInt64) ENGINE = MergeTree ORDER BY seq")
	exec1(t, c, "INSERT INTO tip SELECT number FROM numbers(1000)")
	if err := e.Close(); err != nil {
		t.Fatal(err)
	}
	parts, err := filepath.Glob(filepath.Join(dir, "store", "*", "*", "all_*", "data.bin"))
	if err != nil || len(parts) != 1 {
		t.Fatalf("parts: %v, %v", parts, err)
	}
	if err := os.Truncate(parts[0], 10); err != nil {
		t.Fatal(err)
	}
	if e, err = engine.Open(context.Background(), engine.Options{Dir: dir, Library: library(t)}); err == nil {
		e.Close()
		t.Fatal("a damaged part was accepted")
	}
	if !strings.Contains(err.Error(), "broken parts") || !strings.Contains(err.Error(), "default.tip") {
		t.Fatalf("the error does not speak of a broken part: %v", err)
	}
}

func TestCloseCancelsWhatDoesNotEnd(t *testing.T) {
	e := open(t, engine.Options{})
	c := connect(t, e)
	rows, err := c.Query(context.Background(), "SELECT number FROM numbers(100000000)")
	if err != nil {
		t.Fatal(err)
	}
	defer rows.Close()
	// The reader stops after one row and never closes, so Close has to.
	if !rows.Next() {
		t.Fatal(rows.Err())
	}
	done := make(chan error, 1)
	go func() { done <- e.CloseWithin(100 * time.Millisecond) }()
	select {
	case err := <-done:
		if err != nil {
			t.Fatal(err)
		}
	case <-time.After(30 * time.Second):
		t.Fatal("Close did not return")
	}
	for rows.Next() {
	}
	if rows.Err() == nil {
		t.Fatal("the result that was cut off ended without an error")
	}
}

func TestIdleProcessIsSmallAndStartsFast(t *testing.T) {
	command := child(t, "idle", t.TempDir())
	output, err := command.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, output)
	}
	var started time.Duration
	var kilobytes int
	if _, err := fmt.Sscanf(string(output), "%d %d", &started, &kilobytes); err != nil {
		t.Fatalf("the process printed %q: %v", output, err)
	}
	if kilobytes > 400_000 {
		t.Errorf("an idle process holds %d kB", kilobytes)
	}
	if started > 5*time.Second { // 0.1 s on a quiet machine
		t.Errorf("opening an empty directory took %v", started)
	}
}

func childIdle() int {
	begin := time.Now()
	e := childOpen()
	fmt.Println(int64(time.Since(begin)), residentKB())
	if err := e.Close(); err != nil {
		return 1
	}
	return 0
}

func residentKB() int {
	n, err := readStatus(os.Getpid(), "VmRSS")
	if err != nil {
		return 1 << 30
	}
	return n
}

func status(t *testing.T, pid int, field string) int {
	t.Helper()
	n, err := readStatus(pid, field)
	if err != nil {
		t.Fatal(err)
	}
	return n
}

// readStatus reads a number from the kernel's account of a process.
func readStatus(pid int, field string) (int, error) {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		return 0, err
	}
	for line := range strings.Lines(string(text)) {
		if rest, found := strings.CutPrefix(line, field+":"); found {
			return strconv.Atoi(strings.Fields(rest)[0])
		}
	}
	return 0, fmt.Errorf("no field %s", field)
}

// The engine must not take what was piped into the process for insert data,
// and the program must still be able to read it.
func TestStandardInputStaysThePrograms(t *testing.T) {
	command := child(t, "input", t.TempDir())
	command.Stdin = strings.NewReader("1001\n1002\n")
	output, err := command.CombinedOutput()
	if err != nil {
		t.Fatalf("%v\n%s", err, output)
	}
	if got := string(output); got != "stored 1 rows; input 1001 1002\n" {
		t.Fatalf("the process printed %q", got)
	}
}

func childInput() int {
	e := childOpen()
	defer e.Close()
	ask := func(sql string) string {
		request, err := http.NewRequest("POST", "http://engine.local/", strings.NewReader(sql))
		if err != nil {
			return err.Error()
		}
		response, err := e.Transport().RoundTrip(request)
		if err != nil {
			return err.Error()
		}
		defer response.Body.Close()
		body, err := io.ReadAll(response.Body)
		if err != nil {
			return err.Error()
		}
		return strings.TrimSpace(string(body))
	}
	ask("CREATE TABLE t (a UInt64) ENGINE = MergeTree ORDER BY a")
	ask("INSERT INTO t VALUES (5)")
	ask("INSERT INTO t FORMAT CSV")
	ask("INSERT INTO t VALUES")
	stored := ask("SELECT count() FROM t")
	var words []string
	for s := bufio.NewScanner(engine.StandardInput()); s.Scan(); {
		words = append(words, s.Text())
	}
	fmt.Printf("stored %s rows; input %s\n", stored, strings.Join(words, " "))
	return 0
}
