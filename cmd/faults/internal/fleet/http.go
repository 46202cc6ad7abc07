package fleet

import (
	"bytes"
	"context"
	"fmt"
	"net"

	"spoilbook/services/client"
	"spoilbook/services/ledger"
)

// overHTTP submits events and asks for their fates, as a desk does.
type overHTTP struct {
	address string // host:port
	client  *client.Client
}

// OverHTTP returns an uplink to the HTTP API at a host and port.
func OverHTTP(address string) (Uplink, error) {
	c, err := client.New("http://" + address)
	if err != nil {
		return nil, err
	}
	return &overHTTP{address, c}, nil
}

func (u *overHTTP) Deliver(ctx context.Context, batch []Event) error {
	msgs := make([]ledger.Message, len(batch))
	for i := range batch {
		msgs[i] = batch[i].Message
	}
	ticket, err := u.client.Submit(ctx, msgs)
	if err != nil {
		return err
	}
	fates, err := u.client.Await(ctx, ticket)
	switch {
	case err != nil:
		return err
	case fates.Quarantined > 0:
		return fmt.Errorf("%w: of messages %d to %d, %d are in quarantine", ErrRefused, ticket.First, ticket.Last, fates.Quarantined)
	case fates.Recorded+fates.Duplicates < uint64(len(batch)):
		return fmt.Errorf("%w: of %d messages, %d were recorded and %d known", ErrRefused, len(batch), fates.Recorded, fates.Duplicates)
	}
	return nil
}

// BreakOff promises a body and closes the connection within it.
func (u *overHTTP) BreakOff(ctx context.Context, batch []Event) error {
	var body bytes.Buffer
	for i := range batch {
		body.Write(batch[i].Message.Body)
		body.WriteByte('\n')
	}
	var d net.Dialer
	c, err := d.DialContext(ctx, "tcp", u.address)
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(c, "POST /v1/events HTTP/1.1\r\nHost: %s\r\nContent-Type: application/x-ndjson\r\nContent-Length: %d\r\n\r\n%s",
		u.address, body.Len(), body.Bytes()[:body.Len()/2])
	if closeErr := c.Close(); err == nil {
		err = closeErr
	}
	return err
}

func (u *overHTTP) Close() {}
