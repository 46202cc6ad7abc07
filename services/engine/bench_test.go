package engine_test

import (
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/ClickHouse/clickhouse-go/v2"

	"spoilbook/services/engine"
)

const benchmarkTable = `CREATE TABLE load (truck LowCardinality(String), seq UInt64, at DateTime64(3, 'UTC'), kind LowCardinality(String), body String)
ENGINE = MergeTree ORDER BY (truck, seq)`

// fillLoads inserts count rows in batches.
func fillLoads(tb testing.TB, c clickhouse.Conn, count, batch int) {
	tb.Helper()
	ctx := context.Background()
	day := time.Date(2031, 3, 4, 6, 0, 0, 0, time.UTC)
	for first := 0; first < count; first += batch {
		b, err := c.PrepareBatch(ctx, "INSERT INTO load")
		if err != nil {
			tb.Fatal(err)
		}
		for i := first; i < min(count, first+batch); i++ {
			if err := b.Append(fmt.Sprintf("truck-%02d", i%20), uint64(i), day.Add(time.Duration(i)*time.Second), "load collected", `{"solidsG":1250000}`); err != nil {
				tb.Fatal(err)
			}
		}
		if err := b.Send(); err != nil {
			tb.Fatal(err)
		}
	}
}

func BenchmarkInsert(b *testing.B) {
	for _, batch := range []int{1, 1000, 100_000} {
		b.Run(fmt.Sprint(batch), func(b *testing.B) {
			c := connect(b, open(b, engine.Options{}))
			if err := c.Exec(context.Background(), benchmarkTable); err != nil {
				b.Fatal(err)
			}
			b.ResetTimer()
			fillLoads(b, c, b.N*batch, batch)
			b.ReportMetric(float64(b.N*batch)/b.Elapsed().Seconds(), "rows/s")
		})
	}
}

func BenchmarkSelect(b *testing.B) {
	c := connect(b, open(b, engine.Options{}))
	ctx := context.Background()
	if err := c.Exec(ctx, benchmarkTable); err != nil {
		b.Fatal(err)
	}
	const count = 1_000_000
	fillLoads(b, c, count, 100_000)
	b.Run("scan", func(b *testing.B) {
		for range b.N {
			rows, err := c.Query(ctx, "SELECT * FROM load")
			if err != nil {
				b.Fatal(err)
			}
			read := 0
			for ; rows.Next(); read++ {
				var truck, kind, body string
				var seq uint64
				var at time.Time
				if err := rows.Scan(&truck, &seq, &at, &kind, &body); err != nil {
					b.Fatal(err)
				}
			}
			if err := rows.Err(); err != nil || read != count {
				b.Fatalf("read %d rows, %v", read, err)
			}
		}
		b.ReportMetric(float64(b.N*count)/b.Elapsed().Seconds(), "rows/s")
	})
	b.Run("point", func(b *testing.B) {
		for i := range b.N {
			var seq uint64
			if err := c.QueryRow(ctx, "SELECT seq FROM load WHERE truck = {t:String} AND seq = {s:UInt64}",
				clickhouse.Named("t", fmt.Sprintf("truck-%02d", i%20)), clickhouse.Named("s", i%count)).Scan(&seq); err != nil {
				b.Fatal(err)
			}
		}
	})
}
