package main

import (
	"context"
	"io"

	"spoilbook/services/client"
)

// remote is a ledger reached at a server.
type remote struct{ *client.Client }

// Export has the server compute a report and streams it to w.
func (r remote) Export(ctx context.Context, w io.Writer, a reportArgs) error {
	return r.Client.Export(ctx, w, a.name, a.values())
}

func withServer(ctx context.Context, o siteOptions, f func(context.Context, book) error) error {
	c, err := client.New(o.server)
	if err != nil {
		return err
	}
	return f(ctx, remote{c})
}
