package client_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http/httptest"
	"net/url"
	"sync"
	"testing"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/reports"
	"spoilbook/services/api"
	"spoilbook/services/broker"
	"spoilbook/services/client"
	"spoilbook/services/engine"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
	"spoilbook/services/rigtest"
	"spoilbook/services/rows"
	"spoilbook/services/sheets"
	"spoilbook/services/store"
)

// book is what the ledger and its client both offer.
type book interface {
	Head(ctx context.Context) (ledger.Head, error)
	Submit(ctx context.Context, msgs []ledger.Message) (ledger.Ticket, error)
	Await(ctx context.Context, t ledger.Ticket) (ledger.Fates, error)
	Events(ctx context.Context, q ledger.EventQuery) ([]ledger.Stored, error)
	Sources(ctx context.Context, q ledger.SourceQuery) ([]ledger.SourceView, error)
	Quarantine(ctx context.Context, q ledger.QuarantineQuery) ([]ledger.Quarantined, error)
	Release(ctx context.Context, entry uint64, body []byte, author, note string) (ledger.Fates, error)
	Dismiss(ctx context.Context, entry uint64, author, note string) error
	Postings(ctx context.Context, w io.Writer, truck events.TruckID, zone string, upTo uint64) error
	Rebuild(ctx context.Context, progress func(done, total uint64)) (ledger.Rebuilt, error)
	Export(ctx context.Context, w io.Writer, name string, query url.Values) error
	Rows(ctx context.Context, w io.Writer, format string, q ledger.EventQuery, upTo uint64) error
}

// direct is the ledger itself.
type direct struct{ *ledger.Ledger }

func (d direct) Export(ctx context.Context, w io.Writer, name string, q url.Values) error {
	period, err := d.PeriodOf(q.Get("from"), q.Get("to"), q.Get("tz"))
	if err != nil {
		return err
	}
	r, err := d.Report(ctx, ledger.ReportQuery{Name: name, Period: period, Filter: reports.Filter{Truck: events.TruckID(q.Get("truck"))}})
	if err != nil {
		return err
	}
	return write(ctx, w, r, api.Form{Format: "json"})
}

func (d direct) Rows(ctx context.Context, w io.Writer, format string, q ledger.EventQuery, upTo uint64) error {
	out, err := rows.New(w, format)
	if err == nil {
		_, err = d.Walk(ctx, q, upTo, out.Write)
	}
	if err != nil {
		return err
	}
	return out.Close()
}

// rowFormats are the formats of rows, as the program has them.
func rowFormats() (out []api.RowFormat) {
	for _, format := range rows.Formats() {
		out = append(out, api.RowFormat{Name: format, MediaType: rows.MediaType(format), New: func(w io.Writer) (api.RowWriter, error) { return rows.New(w, format) }})
	}
	return out
}

// rig is a ledger on a real broker, engine and intake, with a server before it.
type rig struct {
	t      testing.TB
	engine *engine.Engine
	broker *broker.Broker
	store  *store.Store
	ledger *ledger.Ledger
	server *httptest.Server
}

func newRig(t testing.TB) *rig {
	t.Helper()
	r := &rig{t: t}
	r.engine = rigtest.Engine(t)
	var err error
	r.broker, err = broker.Open(t.Context(), broker.Options{Dir: t.TempDir(), MaxStoreBytes: 1 << 30})
	r.must(err)
	t.Cleanup(func() { r.check(r.broker.Close(context.Background())) })
	s, err := store.Open(t.Context(), store.Options{Transport: r.engine.Transport()})
	r.must(err)
	t.Cleanup(func() { r.check(s.Close()) })
	r.store = s
	r.ledger = ledger.New(ledger.Config{Publisher: rigtest.Publisher{Broker: r.broker}, Store: s})
	r.server = httptest.NewServer(api.New(api.Config{Ledger: r.ledger, Copy: s, Write: write, Formats: []string{"json"}, Rows: rowFormats()}))
	t.Cleanup(r.server.Close)
	r.record(s)
	return r
}

// record runs the intake until the test ends.
func (r *rig) record(s *store.Store) {
	ctx, cancel := context.WithCancel(context.Background())
	stream, err := rigtest.Publisher{Broker: r.broker}.Stream(ctx)
	r.must(err)
	in, err := intake.New(ctx, intake.Config{Store: s, Stream: stream})
	r.must(err)
	c, err := r.broker.Consume(ctx, broker.ConsumeOptions{From: in.Handled() + 1})
	r.must(err)
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx, rigtest.Feed{Consumer: c}) }()
	r.t.Cleanup(sync.OnceFunc(func() {
		cancel()
		r.check(<-ended)
	}))
}

func (r *rig) client() *client.Client {
	r.t.Helper()
	c, err := client.New(r.server.URL)
	r.must(err)
	return c
}

func (r *rig) must(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Fatal(err)
	}
}

func (r *rig) check(err error) {
	r.t.Helper()
	if err != nil {
		r.t.Error(err)
	}
}

func write(_ context.Context, w io.Writer, r *ledger.Report, f api.Form) error {
	if f.Format != "json" {
		return errors.New("only JSON is written here")
	}
	return sheets.JSON(w, r.Document, sheets.Provenance{Period: r.Query.Period, ZoneName: r.Query.Period.Zone.String(), Position: r.Position,
		LedgerHash: r.Root, Filter: r.Query.Filter, By: f.By, At: r.AsOf.Std().UTC(), Program: "test", Count: r.Journal.Count})
}

func encode(t testing.TB, e events.Event) []byte {
	t.Helper()
	b, err := wire.Encode(&e)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func truckRevision(t testing.TB, seq uint64, key string) []byte {
	return encode(t, events.Event{ID: fmt.Sprintf("r-%d", seq), Source: "/office/register", Seq: seq,
		Occurred: events.MustTime("2026-10-01T08:00:00.000+01:00"), Origin: events.FromOffice,
		Body: events.RegisterRevised{Key: key, EffectiveFrom: events.MustTime("2026-09-01T00:00:00.000+01:00"), Author: "Yard office",
			Document: events.Truck{Name: "Heron", Registration: "261-TR-101", Carrier: "TARNMOOR", DebrisCapacityL: 8000, FreshCapacityL: 2000, TareKg: 14000, PermittedGrossKg: 26000}}})
}

func siteArrival(t testing.TB, truck events.TruckID, seq uint64, job events.JobID) []byte {
	return encode(t, events.Event{ID: fmt.Sprintf("%s-%d", truck, seq), Source: events.TruckSource(truck), Seq: seq, Truck: truck, Job: job,
		Occurred: events.Time{UnixMS: 1_791_000_000_000 + int64(seq)*1000, OffsetMinutes: 60}, Origin: events.FromController, Body: events.SiteArrived{}})
}

func messages(bodies ...[]byte) []ledger.Message {
	out := make([]ledger.Message, len(bodies))
	for i, b := range bodies {
		out[i] = ledger.MessageOf(b)
	}
	return out
}
