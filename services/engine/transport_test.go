package engine_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"spoilbook/services/engine"
)

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

// library fetches the pinned library, or finds it where an earlier run put it.
func library(t testing.TB) string {
	t.Helper()
	path, err := engine.Fetch(context.Background(), engine.FetchOptions{CacheDir: os.Getenv("SPOILBOOK_ENGINE_CACHE")})
	if err != nil {
		t.Fatal(err)
	}
	return path
}

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

func TestQuick(t *testing.T) {
	e := open(t, engine.Options{})
	c := connect(t, e)
	ctx := context.Background()
	if err := c.Exec(ctx, "CREATE TABLE t (a UInt64, b String, c DateTime64(3, 'UTC')) ENGINE=MergeTree ORDER BY a"); err != nil {
		t.Fatal(err)
	}
	b, err := c.PrepareBatch(ctx, "INSERT INTO t")
	if err != nil {
		t.Fatal(err)
	}
	for i := range 1000 {
		b.Append(uint64(i), fmt.Sprint(i), time.Unix(int64(i), 0))
	}
	if err := b.Send(); err != nil {
		t.Fatal(err)
	}
	var n uint64
	if err := c.QueryRow(ctx, "SELECT count() FROM t WHERE a >= {x:UInt64}", clickhouse.Named("x", 10)).Scan(&n); err != nil || n != 990 {
		t.Fatal(n, err)
	}
	err = c.QueryRow(ctx, "SELECT count() FROM nosuch").Scan(&n)
	var ex *clickhouse.Exception
	if !errors.As(err, &ex) || ex.Code != 60 {
		t.Fatal(err)
	}
	cctx, cancel := context.WithTimeout(ctx, 300*time.Millisecond)
	defer cancel()
	start := time.Now()
	rows, err := c.Query(cctx, "SELECT sleepEachRow(0.5), number FROM numbers(60) SETTINGS max_block_size=1")
	if err == nil {
		for rows.Next() {
		}
		err = rows.Err()
	}
	fmt.Println(err, time.Since(start))
	start = time.Now()
	cctx, cancel = context.WithTimeout(ctx, 300*time.Millisecond)
	defer cancel()
	err = c.Exec(cctx, "CREATE TABLE t2 ENGINE=MergeTree ORDER BY n AS SELECT sum(number) n FROM numbers(100000000000)")
	fmt.Println(err, time.Since(start))
}
