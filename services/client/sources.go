package client

import (
	"context"
	"fmt"
	"net/http"
	"net/url"

	"spoilbook/services/ledger"
)

// Sources says of each source what has come, what has not, and what came late.
func (c *Client) Sources(ctx context.Context, q ledger.SourceQuery) ([]ledger.SourceView, error) {
	var v struct {
		Sources []ledger.SourceView `json:"sources"`
	}
	query := url.Values{"source": {string(q.Source)}, "at-position": {fmt.Sprint(q.UpTo)}}
	err := c.call(ctx, http.MethodGet, "/v1/sources", query, "", nil, &v)
	return v.Sources, err
}
