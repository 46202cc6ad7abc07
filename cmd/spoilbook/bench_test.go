package main

import (
	"context"
	"fmt"
	"io"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
)

// benchSite opens embedded parts in a folder of the benchmark's, with the register
// of the demo recorded.
func benchSite(b *testing.B) *site {
	b.Helper()
	s, err := openSite(b.Context(), siteOptions{data: b.TempDir()}, true, io.Discard)
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := s.close(); err != nil {
			b.Error(err)
		}
	})
	if err := s.startIntake(b.Context()); err != nil {
		b.Fatal(err)
	}
	month, err := demo.Build()
	if err != nil {
		b.Fatal(err)
	}
	msgs, err := ledger.MessagesOf(month.Batches[0].Events)
	if err != nil {
		b.Fatal(err)
	}
	await(b, s, msgs)
	return s
}

func await(b *testing.B, s *site, msgs []ledger.Message) {
	b.Helper()
	t, err := s.ledger.Submit(b.Context(), msgs)
	if err != nil {
		b.Fatal(err)
	}
	f, err := s.ledger.Await(b.Context(), t)
	if err != nil || f.Quarantined != 0 {
		b.Fatalf("%+v, %v", f, err)
	}
}

// loads makes n load events of one truck, numbered from first.
func loads(b *testing.B, truck events.TruckID, first, n uint64) []ledger.Message {
	b.Helper()
	start := events.MustTime("2026-10-05T06:00:00.000+01:00")
	list := make([]events.Event, n)
	for i := range list {
		seq := first + uint64(i)
		at := events.Time{UnixMS: start.UnixMS + int64(seq)*1000, OffsetMinutes: 60}
		list[i] = events.Event{ID: fmt.Sprintf("B-%s-%08d", truck, seq), Source: events.TruckSource(truck), Seq: 1_000_000 + seq,
			Occurred: at, Truck: truck, Job: "J-101", Origin: events.FromController, Body: events.WaterUsed{Start: at, End: at,
				Purpose: events.ForWashing, Volume: events.Volume{VolumeML: 1000, Basis: events.Measured}}}
	}
	msgs, err := ledger.MessagesOf(list)
	if err != nil {
		b.Fatal(err)
	}
	return msgs
}

// BenchmarkIntake compares, in one run, the whole way of an event into the ledger
// (published, judged, stored, acknowledged) with publishing it alone.
func BenchmarkIntake(b *testing.B) {
	const n = 10_000
	s := benchSite(b)
	var published, recorded time.Duration
	first := uint64(1)
	for b.Loop() {
		msgs := loads(b, "TM-01", first, n)
		first += n
		start := time.Now()
		t, err := s.ledger.Submit(b.Context(), msgs)
		if err != nil {
			b.Fatal(err)
		}
		published += time.Since(start)
		f, err := s.ledger.Await(b.Context(), t)
		if err != nil || f.Recorded != n {
			b.Fatalf("%+v, %v", f, err)
		}
		recorded += time.Since(start)
	}
	total := float64(first - 1)
	b.ReportMetric(total/published.Seconds(), "published/s")
	b.ReportMetric(total/recorded.Seconds(), "recorded/s")
	b.ReportMetric(recorded.Seconds()/published.Seconds(), "recorded:published")
}

// fill appends n events of twenty trucks to the store, as the intake would.
func fill(b *testing.B, s *site, n uint64) {
	b.Helper()
	head, err := s.store.Head(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	const block = 50_000
	for done := uint64(0); done < n; done += block {
		at := time.UnixMilli(1_795_000_000_000)
		blk := &ledger.Block{Stream: "bench", FirstSeq: done + 1, LastSeq: done + block, At: at}
		for i := range uint64(block) {
			truck := events.TruckID(fmt.Sprintf("TM-%02d", 10+(done+i)%20))
			body := loads(b, truck, (done+i)/20+1, 1)[0].Body
			e, err := wire.Decode(body)
			if err != nil {
				b.Fatal(err)
			}
			blk.Records = append(blk.Records, ledger.Record{Position: head.Position + done + i + 1, Source: e.Source, ID: e.ID, Seq: e.Seq,
				Kind: e.Kind(), Truck: e.Truck, Job: e.Job, Occurred: e.Occurred, Recorded: at, Stream: "bench", StreamSeq: done + i + 1,
				Body: body, Hash: chain.LeafHash(body)})
		}
		blk.Position = blk.Records[block-1].Position
		if err := s.store.Append(b.Context(), blk); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkReport compares, in one run, a report over a million events with the
// bare select of the same events.
func BenchmarkReport(b *testing.B) {
	const n = 1_000_000
	s := benchSite(b)
	fill(b, s, n)
	head, err := s.ledger.Head(b.Context())
	if err != nil {
		b.Fatal(err)
	}
	period, err := s.ledger.PeriodOf("2026-10-05", "2026-10-05", "Europe/Dublin")
	if err != nil {
		b.Fatal(err)
	}
	var selected, decoded, reported time.Duration
	for b.Loop() {
		start := time.Now()
		rows := 0
		if err := s.store.Read(b.Context(), ledger.Selection{UpTo: head.Position}, func(*ledger.Record) error { rows++; return nil }); err != nil || rows < n {
			b.Fatalf("%d rows, %v", rows, err)
		}
		selected += time.Since(start)
		start = time.Now()
		if _, err := s.ledger.Journal(context.Background(), "", head.Position); err != nil {
			b.Fatal(err)
		}
		decoded += time.Since(start)
		start = time.Now()
		if _, err := s.ledger.Report(b.Context(), ledger.ReportQuery{Name: "water", Period: period}); err != nil {
			b.Fatal(err)
		}
		reported += time.Since(start)
	}
	events := float64(head.Position) * float64(b.N)
	b.ReportMetric(events/selected.Seconds(), "selected/s")
	b.ReportMetric(events/decoded.Seconds(), "journalled/s")
	b.ReportMetric(events/reported.Seconds(), "reported/s")
	b.ReportMetric(reported.Seconds()/selected.Seconds(), "report:select")
}

// BenchmarkDecode is the part of a report that reading events back costs.
func BenchmarkDecode(b *testing.B) {
	msg := loads(b, "TM-01", 1, 1)[0]
	for b.Loop() {
		if _, err := wire.Decode(msg.Body); err != nil {
			b.Fatal(err)
		}
	}
}
