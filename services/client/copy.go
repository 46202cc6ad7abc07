package client

import (
	"context"
	"fmt"
	"net/http"
	"net/url"

	"spoilbook/services/ledger"
)

// copyPage asks for rows of the ledger as they were recorded.
func (c *Client) copyPage(ctx context.Context, part, stream string, after, upTo uint64) (ledger.CopyPage, error) {
	var p ledger.CopyPage
	err := c.call(ctx, http.MethodGet, "/v1/copy", url.Values{"part": {part}, "stream": {stream}, "after": {fmt.Sprint(after)}, "up-to": {fmt.Sprint(upTo)}}, "", nil, &p)
	return p, err
}

// StreamEnds returns the last whole block of every stream.
func (c *Client) StreamEnds(ctx context.Context) ([]ledger.StreamEnd, error) {
	p, err := c.copyPage(ctx, "streams", "", 0, 0)
	out := make([]ledger.StreamEnd, len(p.Streams))
	for i, v := range p.Streams {
		out[i] = ledger.StreamEnd{Stream: v.Stream, LastSeq: v.Last, Position: v.Position}
	}
	return out, err
}

// BlockLines returns a page of a stream's block lines.
func (c *Client) BlockLines(ctx context.Context, stream string, after, upTo uint64) ([]ledger.BlockLine, error) {
	p, err := c.copyPage(ctx, "blocks", stream, after, upTo)
	if err != nil {
		return nil, err
	}
	return rows(p.Blocks, ledger.BlockView.Line)
}

// Records returns a page of the records above a position.
func (c *Client) Records(ctx context.Context, after, upTo uint64) ([]ledger.Record, error) {
	p, err := c.copyPage(ctx, "records", "", after, upTo)
	if err != nil {
		return nil, err
	}
	return rows(p.Records, ledger.RecordView.Record)
}

// Entries returns a page of what is quarantined above an entry.
func (c *Client) Entries(ctx context.Context, after uint64) ([]ledger.Quarantined, error) {
	p, err := c.copyPage(ctx, "entries", "", after, 0)
	if err != nil {
		return nil, err
	}
	return rows(p.Entries, ledger.EntryView.Quarantined)
}

// Settlements returns a page of the decisions about entries above one.
func (c *Client) Settlements(ctx context.Context, after uint64) ([]ledger.SettledEntry, error) {
	p, err := c.copyPage(ctx, "settlements", "", after, 0)
	out := make([]ledger.SettledEntry, len(p.Settlements))
	for i, v := range p.Settlements {
		out[i] = ledger.SettledEntry{Entry: v.Entry, Settlement: ledger.Settlement{At: v.At, Action: v.Action, Author: v.Author, Note: v.Note}}
	}
	return out, err
}

// Adoptions returns which streams were adopted.
func (c *Client) Adoptions(ctx context.Context) (ledger.Adoptions, error) {
	p, err := c.copyPage(ctx, "adoptions", "", 0, 0)
	out := make(ledger.Adoptions, len(p.Adoptions))
	for i, v := range p.Adoptions {
		out[i] = ledger.Adoption(v)
	}
	return out, err
}

func rows[V, R any](views []V, row func(V) (R, error)) ([]R, error) {
	out := make([]R, len(views))
	for i := range views {
		var err error
		if out[i], err = row(views[i]); err != nil {
			return nil, err
		}
	}
	return out, nil
}
