package api_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"

	"github.com/pb33f/libopenapi"
	validator "github.com/pb33f/libopenapi-validator"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/api"
	"spoilbook/services/broker"
	"spoilbook/services/engine"
	"spoilbook/services/intake"
	"spoilbook/services/ledger"
	"spoilbook/services/rigtest"
	"spoilbook/services/rows"
	"spoilbook/services/sheets"
	"spoilbook/services/store"
	"spoilbook/services/streams"
)

// rig is the API on a loopback port, over a real broker, engine and intake.
type rig struct {
	t      testing.TB
	engine *engine.Engine
	broker *broker.Broker
	store  *store.Store
	ledger *ledger.Ledger
	config api.Config
	server *httptest.Server
	valid  validator.Validator
}

func newRig(t testing.TB) *rig {
	t.Helper()
	r := &rig{t: t}
	r.engine = rigtest.Engine(t)
	var err error
	r.broker, err = broker.Open(t.Context(), broker.Options{Dir: t.TempDir(), MaxStoreBytes: 1 << 30})
	r.must(err)
	t.Cleanup(func() { r.check(r.broker.Close(context.Background())) })
	r.store, err = store.Open(t.Context(), store.Options{Transport: r.engine.Transport()})
	r.must(err)
	t.Cleanup(func() { r.check(r.store.Close()) })
	r.ledger = ledger.New(ledger.Config{Publisher: rigtest.Publisher{Broker: r.broker}, Store: r.store})
	r.config = api.Config{Ledger: r.ledger, Copy: r.store, Write: write, Formats: []string{"xlsx", "csv", "zip", "json", "text"}, Version: "test", Rows: rowFormats()}
	r.config.Streams, err = streams.Document(streams.Options{Version: "test", Events: broker.EventsPrefix, Receipts: broker.ReceiptsPrefix})
	r.must(err)
	r.serve()
	return r
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

// serve starts the API as it is configured now, and reads its description.
func (r *rig) serve() {
	r.t.Helper()
	r.server = httptest.NewServer(api.New(r.config))
	r.t.Cleanup(r.server.Close)
	res, err := http.Get(r.server.URL + "/openapi.json")
	r.must(err)
	text, err := io.ReadAll(res.Body)
	r.must(errors.Join(err, res.Body.Close()))
	document, err := libopenapi.NewDocument(text)
	r.must(err)
	v, errs := validator.NewValidator(document)
	r.must(errors.Join(errs...))
	r.valid = v
}

// record runs the intake until stop is called or the test ends.
func (r *rig) record() (stop func()) {
	r.t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	stream, err := rigtest.Publisher{Broker: r.broker}.Stream(ctx)
	r.must(err)
	in, err := intake.New(ctx, intake.Config{Store: r.store, Receipts: r.broker, Stream: stream})
	r.must(err)
	c, err := r.broker.Consume(ctx, broker.ConsumeOptions{From: in.Handled() + 1})
	r.must(err)
	ended := make(chan error, 1)
	go func() { ended <- in.Run(ctx, rigtest.Feed{Consumer: c}) }()
	stop = sync.OnceFunc(func() {
		cancel()
		r.check(<-ended)
	})
	r.t.Cleanup(stop)
	return stop
}

// answer is what came back, with its body read.
type answer struct {
	*http.Response
	body []byte
}

// into decodes the answer's body.
func (a answer) into(t testing.TB, v any) {
	t.Helper()
	if err := json.Unmarshal(a.body, v); err != nil {
		t.Fatalf("%s: %v in %q", a.Request.URL, err, a.body)
	}
}

// call sends a request, wants a status, and holds the answer against the
// description.
func (r *rig) call(method, path, media, body string, want int) answer {
	r.t.Helper()
	req, err := http.NewRequest(method, r.server.URL+path, strings.NewReader(body))
	r.must(err)
	if media != "" {
		req.Header.Set("Content-Type", media)
	}
	return r.send(req, want)
}

func (r *rig) send(req *http.Request, want int) answer {
	r.t.Helper()
	res, err := http.DefaultClient.Do(req)
	r.must(err)
	body, err := io.ReadAll(res.Body)
	r.must(errors.Join(err, res.Body.Close()))
	res.Body = io.NopCloser(bytes.NewReader(body))
	what := req.Method + " " + req.URL.RequestURI()
	if res.StatusCode != want {
		r.t.Fatalf("%s answers %s, want %d: %s", what, res.Status, want, body)
	}
	if ok, errs := r.valid.ValidateHttpResponse(req, res); !ok {
		for _, e := range errs {
			// What is not described can only be refused.
			if want != http.StatusNotFound && want != http.StatusMethodNotAllowed {
				r.t.Errorf("%s answers what the description does not say: %s: %s %v", what, e.Message, e.Reason, e.SchemaValidationErrors)
			}
		}
	}
	for name, value := range map[string]string{"X-Content-Type-Options": "nosniff", "Cache-Control": "no-store", "Referrer-Policy": "no-referrer"} {
		if res.Header.Get(name) != value {
			r.t.Errorf("%s: header %s is %q, want %q", what, name, res.Header.Get(name), value)
		}
	}
	if res.Header.Get("X-Request-Id") == "" || !strings.Contains(res.Header.Get("Content-Security-Policy"), "default-src 'none'") {
		r.t.Errorf("%s: header %v", what, res.Header)
	}
	return answer{res, body}
}

// problem is an RFC 9457 problem as a client reads it.
type problem struct {
	Type, Title, Detail, Do, Instance string
	Status                            int
	Fields                            []events.FieldError
}

// refused sends a request that must fail with a status and a code.
func (r *rig) refused(method, path, media, body string, status int, code ledger.Code) problem {
	r.t.Helper()
	return r.problem(r.call(method, path, media, body, status), code)
}

func (r *rig) problem(a answer, code ledger.Code) problem {
	r.t.Helper()
	var p problem
	a.into(r.t, &p)
	if media := a.Header.Get("Content-Type"); media != "application/problem+json" {
		r.t.Errorf("%s: content type %q", a.Request.URL, media)
	}
	if p.Type != "urn:spoilbook:problem:"+string(code) || p.Status != a.StatusCode || p.Title != http.StatusText(p.Status) || p.Detail == "" ||
		p.Do != ledger.OutcomeOf(code).Do || p.Instance != "urn:spoilbook:request:"+a.Header.Get("X-Request-Id") {
		r.t.Errorf("%s: problem %+v, want code %s", a.Request.URL, p, code)
	}
	return p
}

// write exports a report as the program does.
func write(ctx context.Context, w io.Writer, r *ledger.Report, f api.Form) error {
	p := sheets.Provenance{Period: r.Query.Period, ZoneName: r.Query.Period.Zone.String(), Position: r.Position, LedgerHash: r.Root,
		Filter: r.Query.Filter, By: f.By, At: r.AsOf.Std().UTC(), Program: "test", Count: r.Journal.Count}
	switch f.Format {
	case "xlsx":
		return sheets.Workbook(ctx, w, r.Document, p, sheets.Behind{Cited: r.Cited(), Workings: r.Explainer()})
	case "csv":
		if f.Table == "" {
			f.Table = r.Document.Tables[0].Name
		}
		return ledger.Wrap(ledger.NotFound, sheets.CSV(w, r.Document, f.Table, p), "table")
	case "zip":
		return sheets.CSVZip(w, r.Document, p)
	case "json":
		if f.Workings {
			return sheets.JSONWithWorkings(w, r.Document, p, r.Explainer())
		}
		return sheets.JSON(w, r.Document, p)
	}
	return sheets.Text(w, r.Document, p, sheets.TextOptions{})
}

func encode(t testing.TB, e events.Event) string {
	t.Helper()
	b, err := wire.Encode(&e)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func truckRevision(t testing.TB, seq uint64, key string) string {
	return encode(t, events.Event{ID: fmt.Sprintf("r-%d", seq), Source: "/office/register", Seq: seq,
		Occurred: events.MustTime("2026-10-01T08:00:00.000+01:00"), Origin: events.FromOffice,
		Body: events.RegisterRevised{Key: key, EffectiveFrom: events.MustTime("2026-09-01T00:00:00.000+01:00"), Author: "Yard office",
			Document: events.Truck{Name: "Heron", Registration: "261-TR-101", Carrier: "TARNMOOR", DebrisCapacityL: 8000, FreshCapacityL: 2000, TareKg: 14000, PermittedGrossKg: 26000}}})
}

func siteArrival(t testing.TB, truck events.TruckID, seq uint64, job events.JobID) string {
	return encode(t, events.Event{ID: fmt.Sprintf("%s-%d", truck, seq), Source: events.TruckSource(truck), Seq: seq, Truck: truck, Job: job,
		Occurred: events.Time{UnixMS: 1_791_000_000_000 + int64(seq)*1000, OffsetMinutes: 60}, Origin: events.FromController, Body: events.SiteArrived{}})
}

// rowFormats are the formats of rows, as the program has them.
func rowFormats() (out []api.RowFormat) {
	for _, format := range rows.Formats() {
		out = append(out, api.RowFormat{Name: format, MediaType: rows.MediaType(format), Columns: rows.Described(),
			New: func(w io.Writer) (api.RowWriter, error) { return rows.New(w, format) }})
	}
	return out
}
