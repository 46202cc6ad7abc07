// Package client is the ledger reached over HTTP: the same use cases as package
// ledger offers, answered by a spoilbook that is running elsewhere. For example
//
//	c, err := client.New("http://127.0.0.1:8080")
//	t, err := c.Submit(ctx, messages)  // received
//	fates, err := c.Await(ctx, t)      // 98 recorded, 1 duplicate, 1 quarantined
//
// A failure that the server reports comes back with the same ledger code, so that
// callers can not tell the difference.
package client

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/ledger"
)

// Client speaks to one server. It is safe for use by several goroutines.
type Client struct {
	base *url.URL
	http *http.Client
}

// maxAnswer bounds a JSON answer; exports are streamed and not bounded.
const maxAnswer = 256 << 20

// New returns a client of the server at an http or https URL.
func New(server string) (*Client, error) {
	u, err := url.Parse(strings.TrimSuffix(server, "/"))
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, ledger.Fail(ledger.BadRequest, "server: found %q; allowed: an address such as http://127.0.0.1:8080", server)
	}
	return &Client{base: u, http: &http.Client{Timeout: 5 * time.Minute}}, nil
}

// do sends a request and returns the answer of a success; the caller closes its
// body.
func (c *Client) do(ctx context.Context, method, path string, query url.Values, media string, body []byte) (*http.Response, error) {
	u := *c.base
	u.Path += path
	u.RawQuery = query.Encode()
	req, err := http.NewRequestWithContext(ctx, method, u.String(), bytes.NewReader(body))
	if err != nil {
		return nil, ledger.Wrap(ledger.BadRequest, err, "server")
	}
	if media != "" {
		req.Header.Set("Content-Type", media)
	}
	res, err := c.http.Do(req)
	if err != nil {
		return nil, ledger.Wrap(ledger.StoreDown, err, "the server at %s does not answer", c.base.Redacted())
	}
	if res.StatusCode >= 300 {
		return nil, errors.Join(problem(res), res.Body.Close())
	}
	return res, nil
}

// problem turns an RFC 9457 answer into the error it was made from.
func problem(res *http.Response) error {
	var p struct {
		Type   string `json:"type"`
		Title  string `json:"title"`
		Detail string `json:"detail"`
		Errors []struct {
			Message  string `json:"message"`
			Location string `json:"location"`
			Value    any    `json:"value"`
		} `json:"errors"`
	}
	body, err := io.ReadAll(io.LimitReader(res.Body, 1<<20))
	if err != nil || json.Unmarshal(body, &p) != nil || p.Title == "" {
		return ledger.Fail(ledger.Internal, "the server answered %s", res.Status)
	}
	code := ledger.Internal
	for _, known := range ledger.Codes() {
		if p.Type == "urn:spoilbook:problem:"+string(known) {
			code = known
		}
	}
	if code == ledger.Internal && res.StatusCode < 500 {
		code = ledger.BadRequest
	}
	detail := p.Detail
	for _, e := range p.Errors {
		detail += fmt.Sprintf("; %s: %s (found %v)", e.Location, e.Message, e.Value)
	}
	return ledger.Fail(code, "%s", detail)
}

// get decodes a JSON answer into v.
func (c *Client) call(ctx context.Context, method, path string, query url.Values, media string, body []byte, v any) error {
	res, err := c.do(ctx, method, path, query, media, body)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if v == nil {
		return nil
	}
	if err := json.NewDecoder(io.LimitReader(res.Body, maxAnswer)).Decode(v); err != nil {
		return ledger.Wrap(ledger.Internal, err, "the server's answer to %s %s", method, path)
	}
	return nil
}

// Head returns where the ledger stands.
func (c *Client) Head(ctx context.Context) (ledger.Head, error) {
	var v struct {
		Position     uint64    `json:"position"`
		RootPosition uint64    `json:"rootPosition"`
		Root         string    `json:"root"`
		At           time.Time `json:"at"`
	}
	err := c.call(ctx, http.MethodGet, "/v1/head", nil, "", nil, &v)
	h := ledger.Head{Position: v.Position, RootPosition: v.RootPosition, At: v.At}
	if err == nil {
		err = decodeHash(v.Root, &h.Root)
	}
	return h, err
}

func decodeHash(text string, h *[32]byte) error {
	b, err := hex.DecodeString(text)
	if err != nil || len(b) != len(h) {
		return ledger.Fail(ledger.Internal, "the server gave %q for a hash", text)
	}
	copy(h[:], b)
	return nil
}

type submitted struct {
	Count  int    `json:"count"`
	Stream string `json:"stream"`
	First  uint64 `json:"first"`
	Last   uint64 `json:"last"`
}

func (s submitted) ticket() ledger.Ticket {
	return ledger.Ticket{Stream: s.Stream, First: s.First, Last: s.Last, Count: s.Count}
}

// Submit hands messages over, each as one line, and returns once the broker has
// them.
func (c *Client) Submit(ctx context.Context, msgs []ledger.Message) (ledger.Ticket, error) {
	var body bytes.Buffer
	for _, m := range msgs {
		body.Write(bytes.ReplaceAll(m.Body, []byte("\n"), []byte(" ")))
		body.WriteByte('\n')
	}
	var v submitted
	err := c.call(ctx, http.MethodPost, "/v1/events", url.Values{"wait": {"0s"}}, "application/x-ndjson", body.Bytes(), &v)
	return v.ticket(), err
}

// Await returns what became of the messages of a ticket, once all are handled.
func (c *Client) Await(ctx context.Context, t ledger.Ticket) (ledger.Fates, error) {
	q := url.Values{"stream": {t.Stream}, "first": {fmt.Sprint(t.First)}, "last": {fmt.Sprint(t.Last)}, "wait": {"20s"}}
	for {
		var f ledger.Fates
		err := c.call(ctx, http.MethodGet, "/v1/fates", q, "", nil, &f)
		if err == nil || ledger.CodeOf(err) != ledger.TimedOut || ctx.Err() != nil {
			return f, err
		}
	}
}

// Events lists recorded events.
func (c *Client) Events(ctx context.Context, q ledger.EventQuery) ([]ledger.Stored, error) {
	v := url.Values{"after": {fmt.Sprint(q.After)}, "limit": {strconv.Itoa(max(q.Limit, 1))}, "truck": {string(q.Truck)}, "job": {string(q.Job)},
		"kind": {string(q.Kind)}, "source": {string(q.Source)}, "id": {q.ID}}
	var page struct {
		Events []struct {
			Position uint64          `json:"position"`
			Recorded time.Time       `json:"recorded"`
			Hash     string          `json:"hash"`
			Event    json.RawMessage `json:"event"`
		} `json:"events"`
	}
	if err := c.call(ctx, http.MethodGet, "/v1/events", v, "", nil, &page); err != nil {
		return nil, err
	}
	out := make([]ledger.Stored, len(page.Events))
	for i, e := range page.Events {
		event, err := wire.Decode(e.Event)
		if err != nil {
			return nil, ledger.Wrap(ledger.Internal, err, "event at position %d", e.Position)
		}
		out[i] = stored(event, e.Position, e.Recorded, e.Event)
		if err := decodeHash(e.Hash, &out[i].Hash); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func stored(e events.Event, position uint64, recorded time.Time, body []byte) ledger.Stored {
	return ledger.Stored{Event: e, Record: ledger.Record{Position: position, Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(),
		Truck: e.Truck, Job: e.Job, Operator: e.Operator, Occurred: e.Occurred, Recorded: recorded, Body: body}}
}

// Postings streams the tanks' movements as a plain-text journal to w.
func (c *Client) Postings(ctx context.Context, w io.Writer, truck events.TruckID, zone string, upTo uint64) error {
	q := url.Values{"tz": {zone}, "truck": {string(truck)}, "at-position": {fmt.Sprint(upTo)}}
	res, err := c.do(ctx, http.MethodGet, "/v1/postings", q, "", nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if _, err := io.Copy(w, res.Body); err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "the download of postings broke off")
	}
	return nil
}

// Rebuild has the server read the whole ledger again.
func (c *Client) Rebuild(ctx context.Context, _ func(done, total uint64)) (ledger.Rebuilt, error) {
	var r ledger.Rebuilt
	return r, c.call(ctx, http.MethodPost, "/v1/rebuild", nil, "", nil, &r)
}

// Export streams a report in a format to w.
func (c *Client) Export(ctx context.Context, w io.Writer, name string, query url.Values) error {
	res, err := c.do(ctx, http.MethodGet, "/v1/reports/"+url.PathEscape(name), query, "", nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if _, err := io.Copy(w, res.Body); err != nil {
		return ledger.Wrap(ledger.StoreDown, err, "the download of report %s broke off", name)
	}
	return nil
}
