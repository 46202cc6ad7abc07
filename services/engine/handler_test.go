package engine_test

import (
	"compress/gzip"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"spoilbook/services/engine"
)

// serve opens a port on the loopback address and returns its base URL.
func serve(t testing.TB, e *engine.Engine, options engine.HandlerOptions) string {
	t.Helper()
	server := httptest.NewServer(e.Handler(options))
	t.Cleanup(server.Close)
	return server.URL
}

// ask sends a request and returns the status and the body. header holds pairs.
func ask(t testing.TB, method, address, body string, header ...string) (int, string, http.Header) {
	t.Helper()
	r, err := http.NewRequest(method, address, strings.NewReader(body))
	if err != nil {
		t.Fatal(err)
	}
	for i := 0; i < len(header); i += 2 {
		if header[i] == "Host" {
			r.Host = header[i+1]
		}
		r.Header.Set(header[i], header[i+1])
	}
	response, err := (&http.Transport{DisableCompression: true}).RoundTrip(r)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatalf("%s %s: %v after %q", method, address, err, text)
	}
	return response.StatusCode, string(text), response.Header
}

// ledger makes a small database for readers.
func ledger(t testing.TB, options engine.Options) *engine.Engine {
	t.Helper()
	e := open(t, options)
	c := connect(t, e)
	exec1(t, c, "CREATE DATABASE ledger")
	exec1(t, c, "CREATE TABLE ledger.tip (truck String, solids_g Int64) ENGINE = MergeTree ORDER BY truck")
	exec1(t, c, "INSERT INTO ledger.tip VALUES ('truck-01', 1250000), ('truck-01', 2500000), ('truck-02', 900000)")
	return e
}

func TestPortAnswers(t *testing.T) {
	base := serve(t, ledger(t, engine.Options{}), engine.HandlerOptions{})
	for _, test := range []struct{ name, method, path, body, want string }{
		{"ping", "GET", "/ping", "", "Ok.\n"},
		{"GET", "GET", "/?query=" + url.QueryEscape("SELECT 1"), "", "1\n"},
		{"POST", "POST", "/", "SELECT 2", "2\n"},
		{"database", "POST", "/?database=ledger", "SELECT count() FROM tip", "3\n"},
		{"default format", "POST", "/?default_format=JSONEachRow", "SELECT 1 AS a", "{\"a\":1}\n"},
		{"format clause", "POST", "/?default_format=JSONEachRow", "SELECT 1 AS a FORMAT CSV", "1\n"},
		{"parameter", "GET", "/?param_t=truck-01&query=" + url.QueryEscape("SELECT sum(solids_g) FROM ledger.tip WHERE truck = {t:String}"), "", "3750000\n"},
		{"insert", "POST", "/?query=" + url.QueryEscape("INSERT INTO ledger.tip FORMAT CSV"), "truck-03,1\n", ""},
		{"setting", "POST", "/?max_threads=3", "SELECT getSetting('max_threads')", "3\n"},
	} {
		t.Run(test.name, func(t *testing.T) {
			if status, text, _ := ask(t, test.method, base+test.path, test.body); status != 200 || text != test.want {
				t.Errorf("%d %q; want %q", status, text, test.want)
			}
		})
	}
	status, text, header := ask(t, "POST", base+"/?query_id=q1", "SELECT nosuch", "X-ClickHouse-Format", "JSON")
	if status != 500 || !strings.HasPrefix(text, "Code: 47. DB::Exception: ") || header.Get("X-ClickHouse-Exception-Code") != "47" || header.Get("X-ClickHouse-Query-Id") != "q1" {
		t.Errorf("an error answers %d %q %v", status, text, header)
	}
	if status, _, header := ask(t, "POST", base+"/", "SELECT 1", "X-ClickHouse-Format", "JSONCompact"); status != 200 ||
		header.Get("X-ClickHouse-Format") != "JSONCompact" || !strings.HasPrefix(header.Get("Content-Type"), "application/json") || header.Get("X-ClickHouse-Query-Id") == "" {
		t.Errorf("headers %d %v", status, header)
	}
	if status, _, _ := ask(t, "GET", base+"/nosuch", ""); status != 404 {
		t.Errorf("an unknown path answers %d", status)
	}
	if status, text, _ := ask(t, "GET", base+"/?query="+url.QueryEscape("DROP TABLE ledger.tip"), ""); status != 500 || !strings.Contains(text, "Code: 164") {
		t.Errorf("a GET that writes answers %d %q", status, text)
	}
	for _, unsupported := range []string{"/?session_id=x"} {
		if status, text, _ := ask(t, "POST", base+unsupported, "SELECT 1"); status != 500 || !strings.Contains(text, "Code: 48") {
			t.Errorf("%s answers %d %q", unsupported, status, text)
		}
	}
}

func TestPortCompression(t *testing.T) {
	base := serve(t, ledger(t, engine.Options{}), engine.HandlerOptions{})
	const sql = "SELECT number FROM numbers(100000)"
	_, plain, header := ask(t, "POST", base+"/", sql, "Accept-Encoding", "gzip")
	if header.Get("Content-Encoding") != "" {
		t.Error("compressed without enable_http_compression")
	}
	_, packed, header := ask(t, "POST", base+"/?enable_http_compression=1", sql, "Accept-Encoding", "br, gzip")
	z, err := gzip.NewReader(strings.NewReader(packed))
	if err != nil || header.Get("Content-Encoding") != "gzip" {
		t.Fatalf("%v; Content-Encoding %q", err, header.Get("Content-Encoding"))
	}
	if unpacked, err := io.ReadAll(z); err != nil || string(unpacked) != plain {
		t.Errorf("%d bytes, %v; want %d", len(unpacked), err, len(plain))
	}
	var body strings.Builder
	w := gzip.NewWriter(&body)
	if _, err := io.WriteString(w, "truck-04,7\n"); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	insert := base + "/?query=" + url.QueryEscape("INSERT INTO ledger.tip FORMAT CSV")
	if status, text, _ := ask(t, "POST", insert, body.String(), "Content-Encoding", "gzip"); status != 200 {
		t.Errorf("a gzip insert answers %d %q", status, text)
	}
	if status, text, _ := ask(t, "POST", insert, body.String()[:body.Len()-6], "Content-Encoding", "gzip"); status != 500 {
		t.Errorf("a cut gzip insert answers %d %q", status, text)
	}
	if status, text, _ := ask(t, "POST", insert, "x", "Content-Encoding", "snappy"); status != 500 || !strings.Contains(text, "snappy") {
		t.Errorf("an unknown encoding answers %d %q", status, text)
	}
	if _, text, _ := ask(t, "POST", base+"/", "SELECT count() FROM ledger.tip WHERE truck = 'truck-04'"); text != "1\n" {
		t.Errorf("%q rows of truck-04", text)
	}
}

// The same client reads a port as it reads the transport.
func TestClickhouseGoOverPort(t *testing.T) {
	base := serve(t, ledger(t, engine.Options{}), engine.HandlerOptions{})
	for _, method := range []clickhouse.CompressionMethod{clickhouse.CompressionNone, clickhouse.CompressionLZ4, clickhouse.CompressionZSTD, clickhouse.CompressionGZIP} {
		t.Run(method.String(), func(t *testing.T) {
			c, err := clickhouse.Open(&clickhouse.Options{
				Protocol: clickhouse.HTTP, Addr: []string{strings.TrimPrefix(base, "http://")},
				Auth: clickhouse.Auth{Database: "ledger"}, Compression: &clickhouse.Compression{Method: method},
			})
			if err != nil {
				t.Fatal(err)
			}
			defer c.Close()
			exec1(t, c, "CREATE OR REPLACE TABLE n (a UInt64, b String) ENGINE = MergeTree ORDER BY a")
			b, err := c.PrepareBatch(context.Background(), "INSERT INTO n")
			if err != nil {
				t.Fatal(err)
			}
			for i := range 20_000 {
				if err := b.Append(uint64(i), strings.Repeat("x", i%50)); err != nil {
					t.Fatal(err)
				}
			}
			if err := b.Send(); err != nil {
				t.Fatal(err)
			}
			if n := count(t, c, "SELECT sum(a) FROM n"); n != 19_999*20_000/2 {
				t.Errorf("the sum is %d", n)
			}
			var sum, n uint64
			rows, err := c.Query(context.Background(), "SELECT a FROM n")
			if err != nil {
				t.Fatal(err)
			}
			for rows.Next() {
				if err := rows.Scan(&n); err != nil {
					t.Fatal(err)
				}
				sum += n
			}
			if rows.Err() != nil || sum != 19_999*20_000/2 {
				t.Errorf("the rows sum up to %d, %v", sum, rows.Err())
			}
			wantCode(t, c.QueryRow(context.Background(), "SELECT nosuch").Scan(&n), 47)
			if err := drain(c.Query(context.Background(), "SELECT throwIf(number = 900000), number FROM numbers(1000000)")); err == nil {
				t.Error("an error in the middle of a result was lost")
			}
		})
	}
}

func TestReadOnlyPortRefuses(t *testing.T) {
	secret := filepath.Join(t.TempDir(), "secret.txt")
	if err := os.WriteFile(secret, []byte("not for readers\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	written := filepath.Join(t.TempDir(), "written")
	e := ledger(t, engine.Options{BackupDir: t.TempDir()})
	base := serve(t, e, engine.HandlerOptions{ReadOnly: true})
	for _, sql := range readOnlyAttacks(secret, written) {
		for _, settings := range []string{"", "?readonly=0", "?wait_end_of_query=1&readonly=2", "?default_format=JSON"} {
			status, text, _ := ask(t, "POST", base+"/"+settings, sql)
			if status != 500 || strings.Contains(text, "not for readers") {
				t.Errorf("%q with %q answers %d %.200q", sql, settings, status, text)
			}
		}
	}
	if _, err := os.Stat(written); !os.IsNotExist(err) {
		t.Errorf("a reader wrote a file of the host: %v", err)
	}
	c := connect(t, e)
	if n := count(t, c, "SELECT toUInt64(sum(solids_g)) FROM ledger.tip"); n != 4_650_000 {
		t.Errorf("a reader changed the ledger: the sum is %d", n)
	}
	if n := count(t, c, "SELECT count() FROM system.tables WHERE database IN ('ledger', 'default')"); n != 1 {
		t.Errorf("a reader changed the tables: there are %d", n)
	}
}

// readOnlyAttacks are statements that write, or read the host's files, or reach
// for the network, or try to unlock the session first.
func readOnlyAttacks(secret, written string) []string {
	var list []string
	for _, sql := range []string{
		"INSERT INTO ledger.tip VALUES ('x', 1)", "INSERT INTO ledger.tip SELECT 'x', 1", "INSERT INTO ledger.tip FORMAT CSV\nx,1",
		"INSERT INTO FUNCTION file('WRITTEN', CSV, 'a Int8') VALUES (1)", "INSERT INTO FUNCTION file('WRITTEN', CSV, 'a Int8') SELECT 1",
		"CREATE TABLE default.t (a Int8) ENGINE = Memory", "CREATE TEMPORARY TABLE t (a Int8)", "CREATE VIEW default.v AS SELECT 1",
		"CREATE FUNCTION f AS x -> x", "CREATE USER u", "CREATE DATABASE d", "DROP TABLE ledger.tip", "TRUNCATE TABLE ledger.tip",
		"ALTER TABLE ledger.tip DELETE WHERE 1", "ALTER TABLE ledger.tip UPDATE solids_g = 0 WHERE 1", "DELETE FROM ledger.tip WHERE 1",
		"OPTIMIZE TABLE ledger.tip FINAL", "RENAME TABLE ledger.tip TO ledger.x", "DETACH TABLE ledger.tip", "SYSTEM STOP MERGES",
		"KILL QUERY WHERE 1", "BACKUP DATABASE ledger TO File('x.tar')", "GRANT ALL ON *.* TO default", "SET readonly = 0", "SET max_threads = 1",
		"SET ROLE writer", "SET ROLE ALL", "USE system", "EXECUTE AS default SELECT 1",
		"SELECT 1; DROP TABLE ledger.tip", "SELECT 1; SELECT 2", "SELECT 1; SET readonly = 0; DROP TABLE ledger.tip",
		"SELECT 1 INTO OUTFILE 'WRITTEN'", "SELECT 1 INTO OUTFILE 'WRITTEN' FORMAT CSV", "SELECT 1; SELECT 2 INTO OUTFILE 'WRITTEN'; unparsable(",
		"SELECT 1 SETTINGS readonly = 0", "SELECT * FROM file('SECRET', LineAsString) SETTINGS readonly = 0",
		"SELECT * FROM file('SECRET', LineAsString)", "SELECT file('SECRET')", "SELECT `file`('SECRET')", "SELECT \"fi\\x6ce\"('SECRET')",
		"SELECT 'SECRET' AS a, * APPLY file FROM (SELECT 'SECRET')", "SELECT arrayMap(x -> file(x), ['SECRET'])",
		"SELECT {f:Identifier}('SECRET')", "EXPLAIN actions = 1 SELECT file('SECRET')", "SHOW TABLES WHERE name = file('SECRET')",
		"SELECT * FROM `SECRET`", "SELECT * FROM default.`SECRET`", "DESCRIBE TABLE file('SECRET', LineAsString)", "DESCRIBE TABLE default.`SECRET`",
		"SELECT * FROM fileCluster('c', 'SECRET', LineAsString)", "SELECT * FROM filesystem('/etc')", "SELECT * FROM loop(file('SECRET', LineAsString))",
		"WITH x AS (SELECT * FROM file('SECRET', LineAsString)) SELECT * FROM x", "SELECT (SELECT * FROM file('SECRET', LineAsString))",
		"SELECT * FROM url('http://127.0.0.1:1/', LineAsString)", "SELECT * FROM s3('http://bucket.s3.amazonaws.com/k', LineAsString)",
		"SELECT * FROM remote('127.0.0.1:1', system.one)", "SELECT * FROM mysql('127.0.0.1:1', 'a', 'b', 'c', 'd')",
		"SELECT * FROM postgresql('127.0.0.1:1', 'a', 'b', 'c', 'd')", "SELECT * FROM sqlite('SECRET', 'a')",
		"SELECT * FROM executable('cat', TSV, 'a String')", "SELECT * FROM input('a String') FORMAT CSV", "DESCRIBE TABLE url('http://127.0.0.1:1/', LineAsString)",
		"SELECT 1 FORMAT Protobuf SETTINGS format_schema = 'SECRET:M'", "SELECT * FROM format(LineAsString, file('SECRET'))",
		"SELECT * FROM executable('cat SECRET', 'LineAsString', 'l String')", "", "nonsense",
	} {
		list = append(list, strings.NewReplacer("SECRET", secret, "WRITTEN", written).Replace(sql))
	}
	return list
}

func TestReadOnlyPortAllows(t *testing.T) {
	base := serve(t, ledger(t, engine.Options{}), engine.HandlerOptions{ReadOnly: true})
	for _, sql := range []string{
		"SELECT 1", "SELECT count() FROM ledger.tip", "SHOW TABLES FROM ledger", "SHOW DATABASES", "DESCRIBE TABLE ledger.tip",
		"SHOW CREATE TABLE ledger.tip", "EXISTS TABLE ledger.tip", "EXPLAIN SELECT * FROM ledger.tip", "SELECT name FROM system.tables",
		"WITH t AS (SELECT * FROM ledger.tip) SELECT truck, sum(solids_g) FROM t GROUP BY truck FORMAT JSON",
		"SELECT * FROM numbers(3)", "SELECT 1 -- a comment\n;", "SELECT * FROM (SELECT 1 AS file)", "CHECK TABLE ledger.tip",
	} {
		for _, settings := range []string{"", "?output_format_json_quote_64bit_integers=0&max_execution_time=60", "?readonly=1", "?database=ledger"} {
			if status, text, _ := ask(t, "POST", base+"/"+settings, sql); status != 200 {
				t.Errorf("%q with %q answers %d %q", sql, settings, status, text)
			}
		}
	}
	for _, setting := range []string{"format_schema=/etc/hostname:M", "output_format_schema=/tmp/x", "async_insert=1", "allow_introspection_functions=1", "max_memory_usage=0"} {
		if status, text, _ := ask(t, "POST", base+"/?"+setting, "SELECT 1"); status != 500 || !strings.Contains(text, "Code: 452") {
			t.Errorf("setting %s answers %d %q", setting, status, text)
		}
	}
}

func TestPortIgnoresWebPages(t *testing.T) {
	base := serve(t, ledger(t, engine.Options{}), engine.HandlerOptions{})
	for _, header := range [][]string{
		{"Origin", "http://elsewhere.invalid"}, {"Origin", "null"}, {"Sec-Fetch-Site", "cross-site"}, {"Host", "elsewhere.invalid"}, {"Host", "elsewhere.invalid:80"},
	} {
		if status, text, _ := ask(t, "POST", base+"/", "DROP TABLE ledger.tip", header...); status != 403 {
			t.Errorf("%v answers %d %q", header, status, text)
		}
	}
	for _, header := range [][]string{{"Origin", base}, {"Sec-Fetch-Site", "same-origin"}, {"Host", "localhost:1"}, {"Host", "[::1]:1"}} {
		if status, text, _ := ask(t, "POST", base+"/", "SELECT 1", header...); status != 200 {
			t.Errorf("%v answers %d %q", header, status, text)
		}
	}
}

func TestPortLimitsBodies(t *testing.T) {
	base := serve(t, ledger(t, engine.Options{MaxInsert: 1 << 20}), engine.HandlerOptions{})
	insert := base + "/?query=" + url.QueryEscape("INSERT INTO ledger.tip FORMAT CSV")
	if status, text, _ := ask(t, "POST", insert, strings.Repeat("truck-09,1\n", 200_000)); status != 500 || !strings.Contains(text, "split it") {
		t.Errorf("a long insert answers %d %.100q", status, text)
	}
	// What unpacks to more than the limit is refused like what is sent so.
	var bomb strings.Builder
	z := gzip.NewWriter(&bomb)
	for range 100 {
		if _, err := io.WriteString(z, strings.Repeat("truck-09,1\n", 10_000)); err != nil {
			t.Fatal(err)
		}
	}
	if err := z.Close(); err != nil {
		t.Fatal(err)
	}
	if status, text, _ := ask(t, "POST", insert, bomb.String(), "Content-Encoding", "gzip"); status != 500 || !strings.Contains(text, "split it") {
		t.Errorf("a compressed long insert answers %d %.100q", status, text)
	}
	if status, text, _ := ask(t, "POST", base+"/", "SELECT 1 /*"+strings.Repeat(" ", 17<<20)+"*/"); status != 500 {
		t.Errorf("a long statement answers %d %.100q", status, text)
	}
	if _, text, _ := ask(t, "POST", base+"/", "SELECT count() FROM ledger.tip"); text != "3\n" {
		t.Errorf("%q rows; want 3", text)
	}
}

// A client that goes away must take its statement with it.
func TestPortClientGone(t *testing.T) {
	e := ledger(t, engine.Options{})
	base := serve(t, e, engine.HandlerOptions{})
	ctx, cancel := context.WithTimeout(context.Background(), 200*time.Millisecond)
	defer cancel()
	r, err := http.NewRequestWithContext(ctx, "POST", base+"/", strings.NewReader("SELECT sum(cityHash64(number)) FROM numbers(1000000000000)"))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := http.DefaultClient.Do(r); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatalf("error is %v", err)
	}
	waitForQuiet(t, connect(t, e))
}

// An error after the status must reach the client as a broken answer that ends
// with ClickHouse's exception block.
func TestPortBreaksOff(t *testing.T) {
	base := serve(t, ledger(t, engine.Options{}), engine.HandlerOptions{ReadOnly: true})
	response, err := http.Post(base, "text/plain", strings.NewReader("SELECT number, throwIf(number = 900000) FROM numbers(1000000)"))
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	text, err := io.ReadAll(response.Body)
	if err == nil {
		t.Fatal("the answer ended as if it were whole")
	}
	tail := string(text[max(0, len(text)-2000):])
	if response.StatusCode != 200 || !strings.Contains(tail, "\r\n__exception__\r\n"+response.Header.Get("X-ClickHouse-Exception-Tag")+"\r\nCode: 395. ") {
		t.Errorf("status %d, and the answer ends with %q", response.StatusCode, tail)
	}
}

func TestNodeClient(t *testing.T) {
	dir := filepath.Join("testdata", "node")
	if _, err := os.Stat(filepath.Join(dir, "node_modules", "@clickhouse", "client")); err != nil {
		t.Fatalf("the client for Node.js is not installed: run 'npm ci' in services/engine/%s (%v)", filepath.ToSlash(dir), err)
	}
	base := serve(t, ledger(t, engine.Options{}), engine.HandlerOptions{ReadOnly: true})
	if host, _, err := net.SplitHostPort(strings.TrimPrefix(base, "http://")); err != nil || !net.ParseIP(host).IsLoopback() {
		t.Fatalf("the port is at %s, %v", base, err)
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	defer cancel()
	command := exec.CommandContext(ctx, "node", "check.mjs", base)
	command.Dir = dir
	output, err := command.CombinedOutput()
	if err != nil || !strings.Contains(string(output), "the client is content") {
		t.Fatalf("%v\n%s", err, output)
	}
}
