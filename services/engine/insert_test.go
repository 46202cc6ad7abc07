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
	"testing"
	"time"

	"github.com/ClickHouse/ch-go/proto"
	"github.com/ClickHouse/clickhouse-go/v2"

	"spoilbook/services/engine"
)

// insertBody posts an insert and returns the status, the text of the answer
// and its summary.
func insertBody(t testing.TB, ctx context.Context, e *engine.Engine, query, sql string, body io.Reader, length int64) (status int, text, summary string, err error) {
	t.Helper()
	r, err := http.NewRequestWithContext(ctx, "POST", "http://engine.local/?"+query+"&query="+url.QueryEscape(sql), body)
	if err != nil {
		t.Fatal(err)
	}
	r.ContentLength = length
	response, err := e.Transport().RoundTrip(r)
	if err != nil {
		return 0, "", "", err
	}
	defer response.Body.Close()
	b, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response.StatusCode, string(b), response.Header.Get("X-ClickHouse-Summary"), nil
}

// nativeBlock encodes a block of one column of numbers.
func nativeBlock(t testing.TB, name string, first, rows uint64) []byte {
	t.Helper()
	var column proto.ColUInt64
	for i := range rows {
		column.Append(first + i)
	}
	var b proto.Buffer
	block := proto.Block{Columns: 1, Rows: int(rows)}
	if err := block.EncodeRawBlock(&b, 0, proto.Input{{Name: name, Data: &column}}); err != nil {
		t.Fatal(err)
	}
	return b.Buf
}

func newTable(t testing.TB, options engine.Options) (*engine.Engine, clickhouse.Conn) {
	t.Helper()
	e := open(t, options)
	c := connect(t, e)
	exec1(t, c, "CREATE TABLE t (a UInt64) ENGINE = MergeTree ORDER BY a")
	return e, c
}

func TestSummaryCountsRows(t *testing.T) {
	e, c := newTable(t, engine.Options{})
	body := append(nativeBlock(t, "a", 0, 70_000), nativeBlock(t, "a", 70_000, 30_000)...)
	status, text, summary, err := insertBody(t, context.Background(), e, "", "INSERT INTO t (a) FORMAT Native", bytes.NewReader(body), int64(len(body)))
	if err != nil || status != 200 || !strings.Contains(summary, `"written_rows":"100000"`) {
		t.Fatalf("%d %s %s %v", status, text, summary, err)
	}
	if n := count(t, c, "SELECT count() FROM system.parts WHERE table = 't'"); n != 1 {
		t.Errorf("two blocks of one insert made %d parts; want 1", n)
	}
	if n := count(t, c, "SELECT sum(a) FROM t"); n != 99_999*100_000/2 {
		t.Errorf("the sum is %d", n)
	}
}

// A body that fails at any point stores nothing.
func TestBrokenBodyStoresNothing(t *testing.T) {
	e, c := newTable(t, engine.Options{MaxInsert: 4 << 20})
	block := nativeBlock(t, "a", 0, 100_000)
	broken := errors.New("the link is down")
	for _, test := range []struct {
		name, sql string
		body      io.Reader
		length    int64
		want      string
	}{
		{"failing after two blocks", "INSERT INTO t FORMAT Native", io.MultiReader(bytes.NewReader(block), bytes.NewReader(block), failing{broken}), -1, "the link is down"},
		{"failing at once", "INSERT INTO t FORMAT Native", failing{broken}, -1, "the link is down"},
		{"failing inside a block", "INSERT INTO t FORMAT Native", io.MultiReader(bytes.NewReader(block[:5000]), failing{broken}), -1, "the link is down"},
		{"cut inside a block", "INSERT INTO t FORMAT Native", bytes.NewReader(block[:5000]), -1, "Code: "},
		{"cut inside the second block", "INSERT INTO t FORMAT Native", io.MultiReader(bytes.NewReader(block), bytes.NewReader(block[:5000])), -1, "Code: "},
		{"shorter than announced", "INSERT INTO t FORMAT Native", bytes.NewReader(block), int64(len(block)) + 1, "ended after"},
		{"longer than announced", "INSERT INTO t FORMAT Native", bytes.NewReader(block), int64(len(block)) - 1, "ended after"},
		{"empty", "INSERT INTO t FORMAT Native", strings.NewReader(""), 0, "no data"},
		{"too long", "INSERT INTO t FORMAT Native", bytes.NewReader(bytes.Repeat(block, 6)), -1, "split it"},
		{"another column", "INSERT INTO t FORMAT Native", bytes.NewReader(nativeBlock(t, "b", 0, 10)), -1, "Code: "},
		{"a word for a number", "INSERT INTO t FORMAT CSV", strings.NewReader("1\n2\nthree\n"), -1, "Code: 117"},
		{"a word among values", "INSERT INTO t VALUES", strings.NewReader("(1), (nosuch)"), -1, "Code: "},
		{"no such table", "INSERT INTO u FORMAT CSV", strings.NewReader("1\n"), -1, "Code: 60"},
		{"no such column", "INSERT INTO t (b) FORMAT CSV", strings.NewReader("1\n"), -1, "Code: 16"},
		{"no such format", "INSERT INTO t FORMAT Nosuch", strings.NewReader("1\n"), -1, "Code: 73"},
	} {
		t.Run(test.name, func(t *testing.T) {
			status, text, _, err := insertBody(t, context.Background(), e, "", test.sql, test.body, test.length)
			if err != nil || status != 500 || !strings.Contains(text, test.want) {
				t.Errorf("the answer is %d %q, %v; want an error with %q", status, text, err, test.want)
			}
			if n := count(t, c, "SELECT count() FROM t"); n != 0 {
				t.Fatalf("%d rows were stored", n)
			}
		})
	}
	exec1(t, c, "INSERT INTO t VALUES (1)") // the engine is none the worse
	if n := count(t, c, "SELECT count() FROM t"); n != 1 {
		t.Fatalf("%d rows; want 1", n)
	}
}

type failing struct{ err error }

func (f failing) Read([]byte) (int, error) { return 0, f.err }

// clickhouse-go reports success when it could not encode a batch and sent an
// empty body.
func TestUnevenBatchIsNotLostInSilence(t *testing.T) {
	c := connect(t, open(t, engine.Options{}))
	exec1(t, c, "CREATE TABLE t (a UInt64, b String) ENGINE = MergeTree ORDER BY a")
	b, err := c.PrepareBatch(context.Background(), "INSERT INTO t")
	if err != nil {
		t.Fatal(err)
	}
	if err := b.Column(0).Append([]uint64{1, 2, 3}); err != nil {
		t.Fatal(err)
	}
	if err := b.Column(1).Append([]string{"one", "two"}); err != nil {
		t.Fatal(err)
	}
	wantCode(t, b.Send(), 108)
	if n := count(t, c, "SELECT count() FROM t"); n != 0 {
		t.Fatalf("%d rows were stored", n)
	}
}

func TestCancelledInsertStoresNothing(t *testing.T) {
	e, c := newTable(t, engine.Options{})
	ctx, cancel := context.WithCancel(context.Background())
	reader, writer := io.Pipe()
	go func() {
		writer.Write(nativeBlock(t, "a", 0, 200_000))
		cancel() // the body never ends
	}()
	if _, _, _, err := insertBody(t, ctx, e, "", "INSERT INTO t FORMAT Native", reader, -1); !errors.Is(err, context.Canceled) {
		t.Fatalf("error is %v", err)
	}
	waitForQuiet(t, c)
	if n := count(t, c, "SELECT count() FROM t"); n != 0 {
		t.Fatalf("%d rows were stored", n)
	}
}

func TestDeduplicationToken(t *testing.T) {
	e := open(t, engine.Options{})
	c := connect(t, e)
	exec1(t, c, "CREATE TABLE t (a UInt64) ENGINE = MergeTree ORDER BY a SETTINGS non_replicated_deduplication_window = 100")
	send := func(token string, value uint64) {
		t.Helper()
		ctx := clickhouse.Context(context.Background(), clickhouse.WithSettings(clickhouse.Settings{"insert_deduplication_token": token}))
		b, err := c.PrepareBatch(ctx, "INSERT INTO t")
		if err != nil {
			t.Fatal(err)
		}
		if err := b.Append(value); err != nil {
			t.Fatal(err)
		}
		if err := b.Send(); err != nil {
			t.Fatal(err)
		}
	}
	send("positions 1-1", 1)
	send("positions 1-1", 1)
	send("positions 2-2", 1)
	if n := count(t, c, "SELECT count() FROM t"); n != 2 {
		t.Fatalf("%d rows; want 2: one for each token", n)
	}
}

func TestInsertStatements(t *testing.T) {
	e := open(t, engine.Options{})
	c := connect(t, e)
	exec1(t, c, "CREATE TABLE `format` (a UInt64, `values` String DEFAULT 'none') ENGINE = MergeTree ORDER BY a")
	for i, sql := range []string{
		"INSERT INTO format FORMAT CSV\n%d,CSV\n",
		"INSERT INTO format VALUES (%d, 'VALUES')",
		"insert into `format` (a, `values`) values (%d, concat('va', 'lues'));",
		"INSERT INTO TABLE format (a) -- FORMAT TSV\nSETTINGS max_threads = 1 FORMAT JSONEachRow {\"a\": %d}",
		"/* VALUES */ INSERT INTO default.format (* EXCEPT `values`) VALUES (%d)",
		"INSERT INTO format SELECT %d, 'SELECT'",
		"INSERT INTO format (a) FORMAT TabSeparated \t\n%d\n",
		"INSERT INTO FUNCTION null('a UInt64') VALUES (%[1]d); ",
		"INSERT INTO format (a, `values`) WITH 'x' AS x SELECT %d, x",
	} {
		if err := c.Exec(context.Background(), fmt.Sprintf(sql, i)); err != nil {
			t.Errorf("%s: %v", sql, err)
		}
	}
	if n := count(t, c, "SELECT count() FROM `format`"); n != 8 {
		t.Errorf("%d rows; want 8", n)
	}
	// Rows in VALUES may be many more than fit a statement.
	var long strings.Builder
	long.WriteString("INSERT INTO format (a) VALUES ")
	for i := range 300_000 {
		fmt.Fprintf(&long, "(%d),", 1000+i)
	}
	exec1(t, c, strings.TrimSuffix(long.String(), ","))
	if n := count(t, c, "SELECT count() FROM `format` WHERE a >= 1000"); n != 300_000 {
		t.Errorf("%d rows of the long insert", n)
	}
}

func TestAcknowledgedRowsAreThere(t *testing.T) {
	_, c := newTable(t, engine.Options{})
	var want uint64
	for i := range uint64(30) {
		b, err := c.PrepareBatch(context.Background(), "INSERT INTO t")
		if err != nil {
			t.Fatal(err)
		}
		for j := range i + 1 {
			if err := b.Append(j); err != nil {
				t.Fatal(err)
			}
		}
		begin := time.Now()
		if err := b.Send(); err != nil {
			t.Fatal(err)
		}
		want += i + 1
		if n := count(t, c, "SELECT count() FROM t"); n != want {
			t.Fatalf("%d rows after an insert that took %v; want %d", n, time.Since(begin), want)
		}
	}
}
