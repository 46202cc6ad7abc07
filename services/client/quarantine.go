package client

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	"spoilbook/services/ledger"
)

type entry struct {
	Entry     uint64    `json:"entry"`
	Received  time.Time `json:"received"`
	Stream    string    `json:"stream"`
	StreamSeq uint64    `json:"streamSeq"`
	Subject   string    `json:"subject"`
	State     string    `json:"state"`
	Code      string    `json:"code"`
	Reason    string    `json:"reason"`
	Body      []byte    `json:"body"`
	Settled   *struct {
		At     time.Time `json:"at"`
		Action string    `json:"action"`
		Author string    `json:"author"`
		Note   string    `json:"note"`
	} `json:"settled"`
}

func (e *entry) quarantined() ledger.Quarantined {
	q := ledger.Quarantined{Entry: e.Entry, Received: e.Received, Stream: e.Stream, StreamSeq: e.StreamSeq, Subject: e.Subject,
		State: e.State, Code: e.Code, Reason: e.Reason, Body: e.Body}
	if s := e.Settled; s != nil {
		q.Settled = &ledger.Settlement{At: s.At, Action: s.Action, Author: s.Author, Note: s.Note}
	}
	return q
}

// Quarantine lists what could not be recorded, in the order of entries.
func (c *Client) Quarantine(ctx context.Context, q ledger.QuarantineQuery) ([]ledger.Quarantined, error) {
	if q.Entry != 0 {
		return c.quarantined(ctx, q)
	}
	v := url.Values{"all": {strconv.FormatBool(q.All)}}
	return pages(q.Limit, q.After, func(limit int, after uint64) ([]ledger.Quarantined, uint64, error) {
		v.Set("after", fmt.Sprint(after))
		v.Set("limit", strconv.Itoa(limit))
		var page struct {
			Entries []entry `json:"entries"`
			Next    uint64  `json:"next"`
		}
		if err := c.call(ctx, http.MethodGet, "/v1/quarantine", v, "", nil, &page); err != nil {
			return nil, 0, err
		}
		out := make([]ledger.Quarantined, len(page.Entries))
		for i := range page.Entries {
			out[i] = page.Entries[i].quarantined()
		}
		return out, page.Next, nil
	})
}

// quarantined asks for one entry; none is an empty list and no error.
func (c *Client) quarantined(ctx context.Context, q ledger.QuarantineQuery) ([]ledger.Quarantined, error) {
	var e entry
	err := c.call(ctx, http.MethodGet, fmt.Sprintf("/v1/quarantine/%d", q.Entry), nil, "", nil, &e)
	if ledger.CodeOf(err) == ledger.NotFound || err == nil && (e.Entry <= q.After || !q.All && e.State != "held") {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return []ledger.Quarantined{e.quarantined()}, nil
}

// Release sends a quarantined message again, repaired when body is not empty, and
// returns its fate.
func (c *Client) Release(ctx context.Context, number uint64, body []byte, author, note string) (ledger.Fates, error) {
	in := map[string]any{"author": author, "note": note}
	if len(body) > 0 {
		if !json.Valid(body) {
			return ledger.Fates{}, ledger.Fail(ledger.BadRequest, "release entry %d: the repaired event is not JSON", number)
		}
		in["event"] = json.RawMessage(body)
	}
	text, err := json.Marshal(in)
	if err != nil {
		return ledger.Fates{}, ledger.Wrap(ledger.BadRequest, err, "release entry %d", number)
	}
	var f ledger.Fates
	err = c.call(ctx, http.MethodPost, fmt.Sprintf("/v1/quarantine/%d/release", number), nil, "application/json", text, &f)
	return f, err
}

// Dismiss notes that a quarantined message is not to be recorded.
func (c *Client) Dismiss(ctx context.Context, number uint64, author, note string) error {
	text, err := json.Marshal(map[string]any{"author": author, "note": note})
	if err != nil {
		return ledger.Wrap(ledger.BadRequest, err, "dismiss entry %d", number)
	}
	return c.call(ctx, http.MethodPost, fmt.Sprintf("/v1/quarantine/%d/dismiss", number), nil, "application/json", text, nil)
}
