package client

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/url"

	"spoilbook/reports"
	"spoilbook/services/ledger"
)

// Issue has the server compute a report and record that it was given out. query
// names the report and its days as the address of a report does.
func (c *Client) Issue(ctx context.Context, name string, query url.Values, number, author string) (ledger.Issued, error) {
	in := map[string]any{"report": name, "number": number, "author": author}
	for _, m := range [][2]string{{"from", "from"}, {"to", "to"}, {"tz", "tz"}, {"truck", "truck"}, {"job", "job"}, {"client", "client"},
		{"profile", "profile"}, {"rest", "rest"}, {"allocation", "allocation"}, {"axle-rule", "axleRule"}} {
		if v := query.Get(m[0]); v != "" {
			in[m[1]] = v
		}
	}
	if v := query.Get("altitude-m"); v != "" {
		in["altitudeM"] = json.Number(v)
	}
	text, err := json.Marshal(in)
	if err != nil {
		return ledger.Issued{}, ledger.Wrap(ledger.BadRequest, err, "issue %s", number)
	}
	var v ledger.IssuedView
	if err := c.call(ctx, http.MethodPost, "/v1/issued", nil, "application/json", text, &v); err != nil {
		return ledger.Issued{}, err
	}
	out, err := v.Issued()
	return out, ledger.Wrap(ledger.Internal, err, "the server's answer")
}

// IssuedReports lists the reports that were given out.
func (c *Client) IssuedReports(ctx context.Context) ([]ledger.Issued, error) {
	var v struct {
		Issued []ledger.IssuedView `json:"issued"`
	}
	if err := c.call(ctx, http.MethodGet, "/v1/issued", nil, "", nil, &v); err != nil {
		return nil, err
	}
	list := make([]ledger.Issued, len(v.Issued))
	for i := range v.Issued {
		var err error
		if list[i], err = v.Issued[i].Issued(); err != nil {
			return nil, ledger.Wrap(ledger.Internal, err, "the server's answer")
		}
	}
	return list, nil
}

// ExportAdjustment streams what became of an issued report to w, in the format that
// the query asks for.
func (c *Client) ExportAdjustment(ctx context.Context, w io.Writer, number string, query url.Values) error {
	res, err := c.do(ctx, http.MethodGet, "/v1/issued/"+number+"/adjustment", query, "", nil)
	if err != nil {
		return err
	}
	defer res.Body.Close()
	if _, err := io.Copy(w, res.Body); err != nil {
		return ledger.Wrap(ledger.ServerDown, err, "the download of the adjustment of %s broke off", number)
	}
	return nil
}

// Explain says how one line of a report came about.
func (c *Client) Explain(ctx context.Context, name string, query url.Values) (reports.Explanation, error) {
	var v ledger.ExplanationView
	if err := c.call(ctx, http.MethodGet, fmt.Sprintf("/v1/reports/%s/explain", name), query, "", nil, &v); err != nil {
		return reports.Explanation{}, err
	}
	e, err := v.Explanation()
	return e, ledger.Wrap(ledger.Internal, err, "the server's answer")
}

// Lines lists the lines of a report that can be explained.
func (c *Client) Lines(ctx context.Context, name string, query url.Values) ([]ledger.LineKey, error) {
	var v struct {
		Lines []ledger.LineKey `json:"lines"`
	}
	return v.Lines, c.call(ctx, http.MethodGet, fmt.Sprintf("/v1/reports/%s/lines", name), query, "", nil, &v)
}
