package broker

import (
	"fmt"
	"testing"
	"time"
)

func benchmarkBodies(n int) []Message {
	msgs := numbered(0, n)
	for i := range msgs {
		msgs[i].Body = fmt.Appendf(nil, "%-400d", i)
	}
	return msgs
}

// BenchmarkPublishAtomic publishes batches of 1000 messages of 400 bytes, each batch synced once.
func BenchmarkPublishAtomic(b *testing.B) {
	for _, n := range []int{1, 10, 100, 1000} {
		b.Run(fmt.Sprintf("batch=%d", n), func(b *testing.B) {
			broker := mustOpen(b, Options{Dir: b.TempDir(), MaxStoreBytes: 1 << 36})
			msgs := benchmarkBodies(n)
			for b.Loop() {
				if _, err := broker.Publish(b.Context(), msgs); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(n)*float64(b.N)/b.Elapsed().Seconds(), "msgs/s")
		})
	}
}

// BenchmarkFetch reads and acknowledges 1000 messages of 400 bytes at a time.
func BenchmarkFetch(b *testing.B) {
	broker := mustOpen(b, Options{Dir: b.TempDir(), MaxStoreBytes: 1 << 36})
	const stored, n = 50_000, 1000
	publish(b, broker, benchmarkBodies(stored))
	c := consume(b, broker, ConsumeOptions{})
	read := 0
	for b.Loop() {
		if read == stored {
			c, read = consume(b, broker, ConsumeOptions{From: 1}), 0
		}
		got, err := c.Fetch(b.Context(), n, 5*time.Second)
		if err != nil || len(got) != n {
			b.Fatalf("fetched %d, %v", len(got), err)
		}
		read += n
		if err := c.Ack(b.Context(), got[n-1].StreamSeq); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(n*float64(b.N)/b.Elapsed().Seconds(), "msgs/s")
}

// BenchmarkOpen starts a broker on storage that holds 10,000 messages, and shuts it down.
func BenchmarkOpen(b *testing.B) {
	dir := b.TempDir()
	first := mustOpen(b, Options{Dir: dir})
	publish(b, first, benchmarkBodies(10_000))
	must(b, first.Close(b.Context()))
	var opening time.Duration
	for b.Loop() {
		begun := time.Now()
		broker, err := Open(b.Context(), Options{Dir: dir})
		opening += time.Since(begun)
		must(b, err)
		must(b, broker.Close(b.Context()))
	}
	b.ReportMetric(float64(opening.Milliseconds())/float64(b.N), "ms/open")
}

// Scanning is what a start does before the server may touch the message files.
func BenchmarkScan(b *testing.B) {
	dir := b.TempDir()
	s, err := Open(b.Context(), Options{Dir: dir, MaxStoreBytes: 1 << 30})
	must(b, err)
	for range 40 {
		msgs := numbered(0, 1000)
		for i := range msgs {
			msgs[i].Body = append(make([]byte, 400), msgs[i].Body...)
		}
		publish(b, s, msgs)
	}
	must(b, s.Close(b.Context()))
	b.ResetTimer()
	for b.Loop() {
		got, err := Scan(b.Context(), dir, 0)
		must(b, err)
		b.SetBytes(got.Bytes)
	}
}
