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
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/ledger"
)

// Client speaks to one server. It is safe for use by several goroutines.
type Client struct {
	base    *url.URL
	http    *http.Client
	token   string       // sent along, when there is one
	session *http.Cookie // likewise
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
	if c.token != "" {
		req.Header.Set("Authorization", "Bearer "+c.token)
	}
	if c.session != nil {
		req.AddCookie(&http.Cookie{Name: c.session.Name, Value: c.session.Value})
	}
	res, err := c.http.Do(req)
	switch {
	case err != nil && ctx.Err() != nil:
		return nil, ledger.Wrap(ledger.TimedOut, errors.Join(ctx.Err(), err), "the server at %s has not answered", c.base.Redacted())
	case err != nil:
		return nil, ledger.Wrap(ledger.ServerDown, err, "the server at %s does not answer", c.base.Redacted())
	case res.StatusCode >= 300:
		return nil, errors.Join(problem(res), res.Body.Close())
	}
	return res, nil
}

// maxProblem bounds the answer that says what went wrong.
const maxProblem = 1 << 20

// problem turns an RFC 9457 answer into the error it was made from. What is no
// problem of ours comes from something between us and the server.
func problem(res *http.Response) error {
	var p struct {
		Type   string `json:"type"`
		Detail string `json:"detail"`
	}
	body, err := io.ReadAll(io.LimitReader(res.Body, maxProblem))
	if err == nil {
		err = json.Unmarshal(body, &p)
	}
	for _, code := range ledger.Codes() {
		if err == nil && p.Type == "urn:spoilbook:problem:"+string(code) {
			return ledger.Fail(code, "%s", p.Detail)
		}
	}
	return ledger.Fail(ledger.ServerDown, "what answers at that address is no spoilbook: it says %s", res.Status)
}

// call sends a request and decodes the JSON answer into v, unless v is nil.
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

// maxRequest bounds the body of one submission; the server takes a little more.
const maxRequest = 32 << 20

// Submit hands messages over in their order and returns once the broker has them.
// On failure the ticket covers those that were handed over before.
func (c *Client) Submit(ctx context.Context, msgs []ledger.Message) (ledger.Ticket, error) {
	var t ledger.Ticket
	if err := ledger.Acceptable(msgs); err != nil {
		return t, err
	}
	for len(msgs) > 0 {
		media, body, n := request(msgs)
		var v submitted
		if err := c.post(ctx, media, body, &v); err != nil {
			return t, err
		}
		if t.Count == 0 {
			t.First = v.First
		}
		t.Stream, t.Last, t.Count = v.Stream, v.Last, t.Count+v.Count
		msgs = msgs[n:]
	}
	return t, nil
}

const (
	busyTries = 60 // of one submission, at most
	busyPause = time.Second
)

// post hands one request over. While the server has enough of this source on its
// way, it comes again.
func (c *Client) post(ctx context.Context, media string, body []byte, v *submitted) error {
	for try := 1; ; try++ {
		err := c.call(ctx, http.MethodPost, "/v1/events", url.Values{"wait": {"0s"}}, media, body, v)
		if ledger.CodeOf(err) != ledger.Busy || try == busyTries {
			return err
		}
		select {
		case <-ctx.Done():
			return ledger.Wrap(ledger.TimedOut, errors.Join(ctx.Err(), err), "submit")
		case <-time.After(busyPause):
		}
	}
}

// request makes the body of one submission from the first n messages: lines, or
// one message that has line breaks of its own, which must be kept.
func request(msgs []ledger.Message) (media string, body []byte, n int) {
	if bytes.ContainsAny(msgs[0].Body, "\r\n") {
		return "application/cloudevents+json", msgs[0].Body, 1
	}
	for n < len(msgs) && !bytes.ContainsAny(msgs[n].Body, "\r\n") && (n == 0 || len(body)+len(msgs[n].Body) < maxRequest) {
		body = append(append(body, msgs[n].Body...), '\n')
		n++
	}
	return "application/x-ndjson", body, n
}

// Await returns what became of the messages of a ticket, once all are handled.
func (c *Client) Await(ctx context.Context, t ledger.Ticket) (ledger.Fates, error) {
	if t.Count == 0 {
		return ledger.Fates{}, nil
	}
	q := url.Values{"stream": {t.Stream}, "first": {fmt.Sprint(t.First)}, "last": {fmt.Sprint(t.Last)}, "wait": {"20s"}}
	for {
		var f ledger.Fates
		err := c.call(ctx, http.MethodGet, "/v1/fates", q, "", nil, &f)
		if err == nil || ledger.CodeOf(err) != ledger.TimedOut || ctx.Err() != nil {
			return f, err
		}
	}
}

// Events lists recorded events in the order of their positions.
func (c *Client) Events(ctx context.Context, q ledger.EventQuery) ([]ledger.Stored, error) {
	v := url.Values{"truck": {string(q.Truck)}, "job": {string(q.Job)}, "kind": {string(q.Kind)}, "source": {string(q.Source)}, "id": {q.ID}}
	return pages(q.Limit, q.After, func(limit int, after uint64) ([]ledger.Stored, uint64, error) {
		v.Set("after", fmt.Sprint(after))
		v.Set("limit", strconv.Itoa(limit))
		return c.eventPage(ctx, v)
	})
}

// pages asks for pages until limit items have come, 100 when it is 0, or there are
// no more.
func pages[T any](limit int, after uint64, page func(limit int, after uint64) (items []T, next uint64, err error)) ([]T, error) {
	if limit <= 0 {
		limit = 100
	}
	var out []T
	for {
		items, next, err := page(limit-len(out), after)
		if err != nil {
			return nil, err
		}
		out, after = append(out, items...), next
		if next == 0 || len(items) == 0 || len(out) >= limit {
			return out, nil
		}
	}
}

func (c *Client) eventPage(ctx context.Context, v url.Values) ([]ledger.Stored, uint64, error) {
	var page struct {
		Events []struct {
			Position uint64          `json:"position"`
			Recorded time.Time       `json:"recorded"`
			Hash     string          `json:"hash"`
			Event    json.RawMessage `json:"event"`
		} `json:"events"`
		Next uint64 `json:"next"`
	}
	if err := c.call(ctx, http.MethodGet, "/v1/events", v, "", nil, &page); err != nil {
		return nil, 0, err
	}
	out := make([]ledger.Stored, len(page.Events))
	for i, e := range page.Events {
		event, err := wire.Decode(e.Event)
		if err != nil {
			return nil, 0, ledger.Wrap(ledger.Internal, err, "event at position %d", e.Position)
		}
		out[i] = stored(event, e.Position, e.Recorded, e.Event)
		if err := decodeHash(e.Hash, &out[i].Hash); err != nil {
			return nil, 0, err
		}
		if chain.LeafHash(e.Event) != out[i].Hash {
			return nil, 0, ledger.Fail(ledger.Damaged, "the event at position %d is not what was recorded: its bytes do not match its hash", e.Position)
		}
	}
	return out, page.Next, nil
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
		return ledger.Wrap(ledger.ServerDown, err, "the download of postings broke off")
	}
	return nil
}

// Rows streams the events that q chooses, up to a position, as rows in a format to w; Limit, Bytes and ID of q are not looked at.
func (c *Client) Rows(ctx context.Context, w io.Writer, format string, q ledger.EventQuery, upTo uint64) error {
	v := url.Values{"truck": {string(q.Truck)}, "job": {string(q.Job)}, "kind": {string(q.Kind)}, "source": {string(q.Source)},
		"after": {fmt.Sprint(q.After)}, "at-position": {fmt.Sprint(upTo)}}
	res, err := c.do(ctx, http.MethodGet, "/v1/events."+url.PathEscape(format), v, "", nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if _, err := io.Copy(w, res.Body); err != nil {
		return ledger.Wrap(ledger.ServerDown, err, "the download of events broke off")
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
		return ledger.Wrap(ledger.ServerDown, err, "the download of report %s broke off", name)
	}
	return nil
}
