package main

import (
	"context"
	"io"
	"os"

	"spoilbook/services/client"
)

// remote is a ledger reached at a server.
type remote struct{ *client.Client }

// Export has the server compute a report and streams it to w.
func (r remote) Export(ctx context.Context, w io.Writer, a reportArgs) error {
	return r.Client.Export(ctx, w, a.name, a.values())
}

// client returns a client of the server that is named, with the token of the environment.
func (o siteOptions) client() (*client.Client, error) {
	c, err := client.New(o.server)
	if err != nil {
		return nil, err
	}
	return c.WithToken(os.Getenv("SPOILBOOK_TOKEN")), nil
}

func withServer(ctx context.Context, o siteOptions, f func(context.Context, book) error) error {
	c, err := o.client()
	if err != nil {
		return err
	}
	return f(ctx, remote{c})
}
