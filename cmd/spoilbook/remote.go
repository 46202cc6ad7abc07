package main

import (
	"context"
	"fmt"
	"io"
	"net/url"

	"spoilbook/services/client"
)

// remote is a ledger reached at a server.
type remote struct{ *client.Client }

// Export has the server compute a report and streams it to w.
func (r remote) Export(ctx context.Context, w io.Writer, a reportArgs) error {
	q := url.Values{}
	for _, p := range [][2]string{{"from", a.from}, {"to", a.to}, {"tz", a.zone}, {"truck", a.truck}, {"job", a.job}, {"client", a.client},
		{"profile", a.profile}, {"format", a.format}, {"table", a.table}, {"by", a.by}, {"at-position", fmt.Sprint(a.upTo)}} {
		if p[1] != "" {
			q.Set(p[0], p[1])
		}
	}
	return r.Client.Export(ctx, w, a.name, q)
}

func withServer(ctx context.Context, o siteOptions, f func(context.Context, book) error) error {
	c, err := client.New(o.server)
	if err != nil {
		return err
	}
	return f(ctx, remote{c})
}
