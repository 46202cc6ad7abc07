package web_test

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"regexp"
	"runtime"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/access"
	"spoilbook/services/demo"
	"spoilbook/services/ledger"
	"spoilbook/services/rigtest"
	"spoilbook/services/store"
	"spoilbook/services/web"
)

// Fifty-one trucks, and twelve months of 28 days before the demo's last: the month of the demo over and over.
const (
	fleets    = 17
	yearMonth = 12
)

var instantInBody = regexp.MustCompile(`\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}(?:Z|[+-]\d\d:\d\d)`)

// year stores a year of 51 trucks.
func year(b *testing.B, s *store.Store) (position uint64) {
	month, err := demo.Build()
	if err != nil {
		b.Fatal(err)
	}
	add := func(bodies [][]byte) {
		blk := &ledger.Block{Stream: "YEAR@1", FirstSeq: position + 1, LastSeq: position + uint64(len(bodies)), At: time.Now(), Frontier: []byte{1}}
		for _, body := range bodies {
			e, err := wire.Decode(body)
			if err != nil {
				b.Fatal(err)
			}
			position++
			blk.Records = append(blk.Records, ledger.Record{Position: position, Stream: blk.Stream, StreamSeq: position, Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(),
				Truck: e.Truck, Job: e.Job, Operator: e.Operator, Occurred: e.Occurred, Recorded: time.UnixMilli(e.Occurred.UnixMS), Body: body, Hash: chain.LeafHash(body)})
		}
		blk.Position = position
		if err := s.Append(b.Context(), blk); err != nil {
			b.Fatal(err)
		}
	}
	var once, often [][]byte
	for _, batch := range month.Batches {
		for i := range batch.Events {
			e := &batch.Events[i]
			encoded, err := wire.Encode(e)
			if err != nil {
				b.Fatal(err)
			}
			switch body := e.Body.(type) {
			case events.EntryCorrected, events.EntryVoided, events.FindingAnswered, events.ReportIssued:
				continue // they refer to others by name
			case events.RegisterRevised:
				if !strings.HasPrefix(body.Key, "TM-") {
					once = append(once, encoded)
					continue
				}
			}
			often = append(often, encoded)
		}
	}
	add(once)
	for m := range yearMonth {
		back := time.Duration(yearMonth-1-m) * 28 * 24 * time.Hour
		for f := range fleets {
			some := make([][]byte, len(often))
			for i, body := range often {
				moved := instantInBody.ReplaceAllFunc(body, func(text []byte) []byte {
					t, err := time.Parse("2006-01-02T15:04:05.000Z07:00", string(text))
					if err != nil {
						b.Fatal(err)
					}
					return []byte(t.Add(-back).Format("2006-01-02T15:04:05.000Z07:00"))
				})
				e, err := wire.Decode(bytes.ReplaceAll(moved, []byte("TM-0"), fmt.Appendf(nil, "T%c-0", 'A'+f)))
				if err != nil {
					b.Fatal(err)
				}
				e.Seq += uint64(m) * 1_000_000
				e.ID = fmt.Sprintf("%s-%d-%d", e.ID, f, m)
				if some[i], err = wire.Encode(&e); err != nil {
					b.Fatal(err)
				}
			}
			add(some)
		}
	}
	return position
}

// BenchmarkPages is how long the first view of each page takes on loopback, with a year of 51 trucks recorded and read ahead as serve does, and how
// many bytes it has. In the same run it says what reading ahead takes.
func BenchmarkPages(b *testing.B) {
	s, err := store.Open(b.Context(), store.Options{Transport: rigtest.Engine(b).Transport()})
	if err != nil {
		b.Fatal(err)
	}
	defer s.Close()
	position := year(b, s)
	l := ledger.New(ledger.Config{Store: s, Keep: 1 << 20})
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	begun := time.Now()
	if _, err := l.Journal(b.Context(), "", position); err != nil {
		b.Fatal(err)
	}
	took := time.Since(begun)
	runtime.GC()
	runtime.ReadMemStats(&after)
	b.Logf("%d events read ahead in %s, in %d MB", position, took, (after.HeapAlloc-before.HeapAlloc)>>20)
	pages, err := web.New(web.Config{Ledger: l, Zone: demo.ZoneName, Now: func() time.Time { return time.Date(2026, 10, 30, 11, 0, 0, 0, time.UTC) }})
	if err != nil {
		b.Fatal(err)
	}
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		pages.ServeHTTP(w, r.WithContext(access.With(r.Context(), access.Everyone())))
	}))
	defer server.Close()
	for _, path := range []string{"/yard", "/yard/day?day=2026-10-14", "/reports/manifest" + october, "/reports/water" + october, "/reports/timesplit" + october,
		"/audit/consignments?from=2026-10-01&to=2026-10-31", "/register"} {
		b.Run(strings.ReplaceAll(strings.SplitN(path[1:], "?", 2)[0], "/", "-"), func(b *testing.B) {
			size := 0
			for b.Loop() {
				res, err := http.Get(server.URL + path)
				if err != nil {
					b.Fatal(err)
				}
				body, err := io.ReadAll(res.Body)
				if err != nil || res.StatusCode != http.StatusOK {
					b.Fatalf("%s: %s, %v", path, res.Status, err)
				}
				size = len(body)
				_ = res.Body.Close()
			}
			b.ReportMetric(float64(size), "bytes")
		})
	}
}
