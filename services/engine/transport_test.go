package engine_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"
	"pgregory.net/rapid"

	"spoilbook/services/engine"
)

// load is a row with most of the types that the ledger needs.
type load struct {
	Truck  string            `ch:"truck"`
	Seq    uint64            `ch:"seq"`
	At     time.Time         `ch:"at"`
	Tags   []string          `ch:"tags"`
	Basis  map[string]string `ch:"basis"`
	Solids *int64            `ch:"solids"`
	Body   string            `ch:"body"`
}

const loadTable = `CREATE TABLE load (truck LowCardinality(String), seq UInt64, at DateTime64(3, 'UTC'), tags Array(String),
basis Map(String, String), solids Nullable(Int64), body String) ENGINE = MergeTree ORDER BY (truck, seq)`

func TestRowsComeBackAsTheyWentIn(t *testing.T) {
	c := connect(t, open(t, engine.Options{}))
	ctx := context.Background()
	exec1(t, c, loadTable)
	rapid.Check(t, func(rt *rapid.T) {
		exec1(t, c, "TRUNCATE TABLE load")
		text := rapid.StringN(0, 40, -1)
		var want []load
		for i := range rapid.IntRange(1, 50).Draw(rt, "rows") {
			l := load{
				Truck: text.Draw(rt, "truck"),
				Seq:   uint64(i),
				At:    time.UnixMilli(rapid.Int64Range(0, 4e12).Draw(rt, "at")).UTC(),
				Tags:  rapid.SliceOfN(text, 0, 3).Draw(rt, "tags"),
				Basis: rapid.MapOfN(text, text, 0, 3).Draw(rt, "basis"),
				Body:  string(rapid.SliceOf(rapid.Byte()).Draw(rt, "body")),
			}
			if rapid.Bool().Draw(rt, "known") {
				solids := rapid.Int64().Draw(rt, "solids")
				l.Solids = &solids
			}
			want = append(want, l)
		}
		b, err := c.PrepareBatch(ctx, "INSERT INTO load")
		if err != nil {
			rt.Fatal(err)
		}
		for i := range want {
			if err := b.AppendStruct(&want[i]); err != nil {
				rt.Fatal(err)
			}
		}
		if err := b.Send(); err != nil {
			rt.Fatal(err)
		}
		var got []load
		if err := c.Select(ctx, &got, "SELECT * FROM load ORDER BY seq"); err != nil {
			rt.Fatal(err)
		}
		if fmt.Sprintf("%+v", dereference(got)) != fmt.Sprintf("%+v", dereference(want)) {
			rt.Fatalf("got  %+v\nwant %+v", got, want)
		}
	})
}

// dereference makes rows comparable as text.
func dereference(rows []load) []string {
	var out []string
	for _, r := range rows {
		solids := "unknown"
		if r.Solids != nil {
			solids = fmt.Sprint(*r.Solids)
		}
		r.Solids = nil
		out = append(out, fmt.Sprintf("%q %s", fmt.Sprintf("%+v", r), solids))
	}
	return out
}

func TestParameters(t *testing.T) {
	c := connect(t, open(t, engine.Options{}))
	for _, want := range []string{"", "plain", "a'b\"c`d", "tab\tline\nback\\slash", "{x:String}", "naïve — ünï", "'; DROP TABLE load; --"} {
		var got string
		if err := c.QueryRow(context.Background(), "SELECT {v:String}", clickhouse.Named("v", want)).Scan(&got); err != nil || got != want {
			t.Errorf("parameter %q came back as %q, %v", want, got, err)
		}
	}
	if n := count(t, c, "SELECT {a:UInt64} + {b:UInt64}", clickhouse.Named("a", 40), clickhouse.Named("b", 2)); n != 42 {
		t.Errorf("40 + 2 is %d", n)
	}
}

func TestErrorsCarryTheirCode(t *testing.T) {
	c := connect(t, open(t, engine.Options{}))
	ctx := context.Background()
	var n uint64
	for sql, code := range map[string]int32{
		"SELECT count() FROM nosuch": 60,
		"SELEC 1":                    62,
		"SELECT 1; SELECT 2":         62,
		"SELECT throwIf(number = 3) FROM numbers(10)": 395,
		"SELECT nosuch": 47,
	} {
		t.Run(sql, func(t *testing.T) {
			wantCode(t, c.QueryRow(ctx, sql).Scan(&n), code)
		})
	}
	exec1(t, c, "CREATE TABLE once (a UInt64) ENGINE = MergeTree ORDER BY a")
	wantCode(t, c.Exec(ctx, "CREATE TABLE once (a UInt64) ENGINE = MergeTree ORDER BY a"), 57)
	wantCode(t, c.Exec(ctx, "CREATE TABLE a (a UInt64) ENGINE = MergeTree ORDER BY a; DROP TABLE once"), 62)
	wantCode(t, c.Exec(ctx, "ALTER TABLE nosuch DELETE WHERE 1"), 60)
	if n := count(t, c, "SELECT count() FROM system.tables WHERE database = 'default'"); n != 1 {
		t.Errorf("there are %d tables; want the first alone", n)
	}
}

// An error after the first bytes must not look like a short result.
func TestErrorInTheMiddleOfAResult(t *testing.T) {
	c := connect(t, open(t, engine.Options{}))
	rows, err := c.Query(context.Background(), "SELECT throwIf(number = 900000) AS x, number FROM numbers(1000000) SETTINGS max_threads = 1")
	if err != nil {
		t.Fatal(err)
	}
	read := 0
	for rows.Next() {
		read++
	}
	wantCode(t, rows.Err(), 395)
	if read == 0 {
		t.Fatal("the error came before the first row, so the test shows nothing")
	}
}

func TestMillionRowsStream(t *testing.T) {
	c := connect(t, open(t, engine.Options{}))
	rows, err := c.Query(context.Background(), "SELECT number, toString(number) FROM numbers(1000000)")
	if err != nil {
		t.Fatal(err)
	}
	var read, sum uint64
	for rows.Next() {
		var n uint64
		var s string
		if err := rows.Scan(&n, &s); err != nil {
			t.Fatal(err)
		}
		read, sum = read+1, sum+n
	}
	if err := rows.Err(); err != nil || read != 1_000_000 || sum != 999_999*1_000_000/2 {
		t.Fatalf("read %d rows with sum %d, %v", read, sum, err)
	}
}

func TestNoRows(t *testing.T) {
	c := connect(t, open(t, engine.Options{}))
	rows, err := c.Query(context.Background(), "SELECT number FROM numbers(0)")
	if err != nil {
		t.Fatal(err)
	}
	if rows.Next() || rows.Err() != nil {
		t.Fatal("there is a row, or an error: ", rows.Err())
	}
	var n uint64
	if err := c.QueryRow(context.Background(), "SELECT number FROM numbers(0)").Scan(&n); err == nil {
		t.Fatal("a row was scanned from nothing")
	}
}

// A result that is dropped early must stop the engine's work and give its
// session back: here more results than sessions are dropped.
func TestEarlyClose(t *testing.T) {
	e := open(t, engine.Options{Connections: 2})
	for range 20 {
		body := post(t, context.Background(), e, "default_format=Native", "SELECT number FROM numbers(100000000000)")
		if _, err := io.ReadFull(body, make([]byte, 1<<20)); err != nil {
			t.Fatal(err)
		}
		if err := body.Close(); err != nil {
			t.Fatal(err)
		}
		if _, err := body.Read(make([]byte, 1)); err == nil || err == io.EOF {
			t.Fatalf("reading after closing: %v", err)
		}
	}
	waitForQuiet(t, connect(t, e))
}

// waitForQuiet returns when no other statement runs. The engine forgets a
// cancelled one a moment after its session is closed.
func waitForQuiet(t *testing.T, c clickhouse.Conn) {
	t.Helper()
	for deadline := time.Now().Add(10 * time.Second); ; {
		n := count(t, c, "SELECT count() FROM system.processes")
		if n == 1 {
			return
		}
		if time.Now().After(deadline) {
			t.Fatalf("%d statements run; want this one alone", n)
		}
	}
}

// post sends a statement over the transport and returns the body of the answer.
func post(t testing.TB, ctx context.Context, e *engine.Engine, query, sql string) io.ReadCloser {
	t.Helper()
	r, err := http.NewRequestWithContext(ctx, "POST", "http://engine.local/?"+query, strings.NewReader(sql))
	if err != nil {
		t.Fatal(err)
	}
	response, err := e.Transport().RoundTrip(r)
	if err != nil {
		t.Fatal(err)
	}
	if response.StatusCode != http.StatusOK {
		text, _ := io.ReadAll(response.Body)
		t.Fatalf("%s: %s", response.Status, text)
	}
	return response.Body
}

func TestCancelledContext(t *testing.T) {
	e := open(t, engine.Options{})
	c := connect(t, e)
	exec1(t, c, "CREATE TABLE t (n UInt64) ENGINE = MergeTree ORDER BY n")
	for name, run := range map[string]func(context.Context) error{
		"sleeping select": func(ctx context.Context) error {
			return drain(c.Query(ctx, "SELECT sleepEachRow(0.2) FROM numbers(600) SETTINGS max_block_size = 1"))
		},
		"counting select": func(ctx context.Context) error {
			return drain(c.Query(ctx, "SELECT sum(cityHash64(number)) FROM numbers(1000000000000)"))
		},
		"long result": func(ctx context.Context) error {
			return drain(c.Query(ctx, "SELECT number FROM numbers(1000000000000)"))
		},
		"insert select": func(ctx context.Context) error {
			return c.Exec(ctx, "INSERT INTO t SELECT sum(cityHash64(number)) FROM numbers(1000000000000)")
		},
		"scalar subquery": func(ctx context.Context) error {
			return drain(c.Query(ctx, "SELECT (SELECT sum(cityHash64(number)) FROM numbers(1000000000000))"))
		},
	} {
		t.Run(name, func(t *testing.T) {
			ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
			defer cancel()
			begin := time.Now()
			err := run(ctx)
			if !errors.Is(err, context.DeadlineExceeded) {
				t.Fatalf("error is %v", err)
			}
			if took := time.Since(begin); took > 5*time.Second {
				t.Fatalf("cancelling took %v", took)
			}
		})
	}
	waitForQuiet(t, c)
	if n := count(t, c, "SELECT count() FROM t"); n != 0 {
		t.Fatalf("a cancelled insert left %d rows", n)
	}
}

type rowReader interface {
	Next() bool
	Err() error
}

func drain[R rowReader](rows R, err error) error {
	if err != nil {
		return err
	}
	for rows.Next() {
	}
	return rows.Err()
}

// Waiting for a session must end with the context, and not run the statement.
func TestQueueHonoursContext(t *testing.T) {
	e := open(t, engine.Options{Connections: 1})
	holder := post(t, context.Background(), e, "default_format=Native", "SELECT number FROM numbers(100000000000)")
	defer holder.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 100*time.Millisecond)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, "POST", "http://engine.local/", strings.NewReader("SELECT 1"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := e.Transport().RoundTrip(r); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("error is %v", err)
	}
}

// Whatever a statement does to its session must not be seen by the next one.
func TestSessionsDoNotLeak(t *testing.T) {
	e := open(t, engine.Options{Connections: 1})
	c := connect(t, e, func(o *clickhouse.Options) { o.MaxOpenConns = 1 })
	ctx := context.Background()
	exec1(t, c, "SET max_threads = 7")
	exec1(t, c, "CREATE TEMPORARY TABLE scratch (a UInt8)")
	exec1(t, c, "CREATE DATABASE other")
	exec1(t, c, "USE other")
	with := clickhouse.Context(ctx, clickhouse.WithSettings(clickhouse.Settings{"max_threads": 5}))
	var threads uint64
	if err := c.QueryRow(with, "SELECT toUInt64(getSetting('max_threads'))").Scan(&threads); err != nil || threads != 5 {
		t.Fatalf("max_threads is %d, %v; the request set 5", threads, err)
	}
	if n := count(t, c, "SELECT toUInt64(getSetting('max_threads'))"); n == 5 || n == 7 {
		t.Errorf("max_threads is %d, which an earlier request set", n)
	}
	if n := count(t, c, "SELECT toUInt64(currentDatabase() = 'default')"); n != 1 {
		t.Error("the current database is not the default")
	}
	if n := count(t, c, "SELECT count() FROM system.tables WHERE name = 'scratch'"); n != 0 {
		t.Error("a temporary table of another request is there")
	}
	in := connect(t, e, func(o *clickhouse.Options) { o.Auth.Database = "other" })
	if n := count(t, in, "SELECT toUInt64(currentDatabase() = 'other')"); n != 1 {
		t.Error("the database of the connection was not used")
	}
	err := c.QueryRow(clickhouse.Context(ctx, clickhouse.WithSettings(clickhouse.Settings{"nosuch": 1})), "SELECT 1").Scan(&threads)
	wantCode(t, err, 115)
}

func TestManyAtOnce(t *testing.T) {
	e := open(t, engine.Options{Connections: 3})
	c := connect(t, e, func(o *clickhouse.Options) { o.MaxOpenConns = 16 })
	exec1(t, c, "CREATE TABLE t (worker UInt64, n UInt64) ENGINE = MergeTree ORDER BY (worker, n)")
	const workers, rounds, rows = 16, 8, 50
	var group sync.WaitGroup
	failures := make(chan error, workers)
	for w := range workers {
		group.Go(func() {
			if err := work(c, uint64(w), rounds, rows); err != nil {
				failures <- fmt.Errorf("worker %d: %w", w, err)
			}
		})
	}
	group.Wait()
	close(failures)
	for err := range failures {
		t.Error(err)
	}
	if n := count(t, c, "SELECT count() FROM t"); n != workers*rounds*rows {
		t.Fatalf("%d rows; want %d", n, workers*rounds*rows)
	}
}

// work inserts, reads back, fails and gives up, over and over.
func work(c clickhouse.Conn, worker uint64, rounds, rows int) error {
	ctx := context.Background()
	for round := range rounds {
		b, err := c.PrepareBatch(ctx, "INSERT INTO t")
		if err != nil {
			return err
		}
		for i := range rows {
			if err := b.Append(worker, uint64(round*rows+i)); err != nil {
				return err
			}
		}
		if err := b.Send(); err != nil {
			return err
		}
		var n uint64
		if err := c.QueryRow(ctx, "SELECT count() FROM t WHERE worker = {w:UInt64}", clickhouse.Named("w", worker)).Scan(&n); err != nil {
			return err
		}
		if n != uint64((round+1)*rows) {
			return fmt.Errorf("round %d reads %d rows", round, n)
		}
		if c.Exec(ctx, "SELECT nosuch") == nil {
			return errors.New("an error was lost")
		}
		short, cancel := context.WithTimeout(ctx, time.Duration(round)*time.Millisecond)
		err = drain(c.Query(short, "SELECT number FROM numbers(1000000000)"))
		cancel()
		if err == nil {
			return errors.New("a cancelled result ended well")
		}
	}
	return nil
}

// Formats whose chunks can not be put one after the other must still be one
// document.
func TestFormats(t *testing.T) {
	e := open(t, engine.Options{})
	for format, want := range map[string]int{
		"JSON": 1, "JSONCompact": 1, "CSVWithNames": 1, "TSVWithNamesAndTypes": 1, "RowBinaryWithNames": 1, "XML": 1,
	} {
		for _, how := range []struct{ query, sql string }{
			{"", "SELECT number AS seqno FROM numbers(200000) FORMAT " + format},
			{"default_format=" + format, "SELECT number AS seqno FROM numbers(200000)"},
			{"", "SELECT number AS seqno FROM numbers(200000) /* FORMAT CSV */ FORMAT " + strings.ToUpper(format[:1]) + format[1:] + " SETTINGS max_threads = 1"},
		} {
			body := post(t, context.Background(), e, how.query, how.sql)
			text, err := io.ReadAll(body)
			if err != nil {
				t.Fatal(err)
			}
			body.Close()
			head := []byte("seqno")
			if format == "JSON" {
				head = []byte(`"meta"`)
			}
			if format == "XML" {
				head = []byte("<?xml")
			}
			if format == "JSONCompact" {
				head = []byte(`"meta"`)
			}
			if n := bytes.Count(text, head); n != want {
				t.Errorf("%s holds %d heads: %.60s", how.sql, n, text)
			}
		}
	}
	lines, err := io.ReadAll(post(t, context.Background(), e, "", "SELECT number FROM numbers(200000) FORMAT TSV"))
	if err != nil || bytes.Count(lines, []byte("\n")) != 200_000 {
		t.Errorf("TSV holds %d lines, %v", bytes.Count(lines, []byte("\n")), err)
	}
	whole, err := io.ReadAll(post(t, context.Background(), e, "wait_end_of_query=1", "SELECT number FROM numbers(200000) FORMAT TSV"))
	if err != nil || !bytes.Equal(whole, lines) {
		t.Errorf("with wait_end_of_query the result is %d bytes, %v; want %d", len(whole), err, len(lines))
	}
}

func TestOtherStatementsAnswer(t *testing.T) {
	e := open(t, engine.Options{})
	c := connect(t, e)
	exec1(t, c, "CREATE TABLE t (a UInt64, b String) ENGINE = MergeTree ORDER BY a")
	for _, sql := range []string{"DESCRIBE TABLE t", "SHOW TABLES", "SHOW CREATE TABLE t", "EXPLAIN SELECT * FROM t", "EXISTS TABLE t"} {
		if err := drain(c.Query(context.Background(), sql)); err != nil {
			t.Errorf("%s: %v", sql, err)
		}
	}
	exec1(t, c, "INSERT INTO t (a, b) VALUES (?, ?)", 3, "it's")
	exec1(t, c, "OPTIMIZE TABLE t FINAL")
	exec1(t, c, "ALTER TABLE t DELETE WHERE a = 3 SETTINGS mutations_sync = 1")
	if n := count(t, c, "SELECT count() FROM t"); n != 0 {
		t.Errorf("%d rows are left", n)
	}
	answer := post(t, context.Background(), e, "query="+url.QueryEscape("SELECT 1 +"), "41")
	if text, err := io.ReadAll(answer); err != nil || string(text) != "42\n" {
		t.Errorf("a statement over URL and body answers %q, %v", text, err)
	}
}

// Close must not wait for a Read that waits for the engine.
func TestCloseDuringRead(t *testing.T) {
	e := open(t, engine.Options{})
	body := post(t, context.Background(), e, "default_format=TSV", "SELECT sleepEachRow(0.1) FROM numbers(600) SETTINGS max_block_size = 1, max_threads = 1")
	reading := make(chan error, 1)
	go func() {
		_, err := io.Copy(io.Discard, body)
		reading <- err
	}()
	begin := time.Now()
	if err := body.Close(); err != nil {
		t.Fatal(err)
	}
	if err := <-reading; err == nil {
		t.Error("a result that was closed early ended well")
	}
	if took := time.Since(begin); took > 10*time.Second {
		t.Errorf("closing took %v", took)
	}
	waitForQuiet(t, connect(t, e))
}

func TestAsynchronousInsertsAreRefused(t *testing.T) {
	c := connect(t, open(t, engine.Options{}))
	exec1(t, c, "CREATE TABLE t (a UInt64) ENGINE = MergeTree ORDER BY a")
	ctx := clickhouse.Context(context.Background(), clickhouse.WithAsync(false))
	wantCode(t, c.Exec(ctx, "INSERT INTO t VALUES (1)"), 452)
	if n := count(t, c, "SELECT count() FROM t"); n != 0 {
		t.Fatalf("%d rows were stored", n)
	}
}
