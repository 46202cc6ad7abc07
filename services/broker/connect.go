package broker

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
)

const (
	reconnectWait   = 500 * time.Millisecond
	reconnectJitter = 500 * time.Millisecond
	pingInterval    = 10 * time.Second
	maxPingsOut     = 2
)

// connect makes the one connection of the broker. Once made it is restored for ever; while it is down, calls fail at once instead of
// queueing, so that their callers know.
func (b *Broker) connect(ctx context.Context) (*nats.Conn, error) {
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	opts := []nats.Option{
		nats.Name("spoilbook"),
		nats.MaxReconnects(-1),
		nats.ReconnectWait(reconnectWait),
		nats.ReconnectJitter(reconnectJitter, reconnectJitter),
		nats.ReconnectBufSize(-1),
		nats.IgnoreAuthErrorAbort(),
		nats.PingInterval(pingInterval),
		nats.MaxPingsOutstanding(maxPingsOut),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err != nil && !b.closed.Load() {
				b.log.Warn("broker connection lost", "broker", b.place(), "error", err)
			}
		}),
		nats.ReconnectHandler(func(*nats.Conn) { b.log.Info("broker connection restored", "broker", b.place()) }),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			b.log.Warn("broker connection", "broker", b.place(), "error", err)
		}),
	}
	if deadline, ok := ctx.Deadline(); ok {
		servers := strings.Count(b.opts.URL, ",") + 1
		opts = append(opts, nats.Timeout(time.Until(deadline)/time.Duration(servers)))
	}
	if b.server != nil {
		if b.server.port {
			opts = append(opts, nats.UserInfo(hubUser, b.server.secret))
		}
		return nats.Connect("", append(opts, nats.InProcessServer(b.server.srv))...)
	}
	security, err := b.opts.security()
	if err != nil {
		return nil, err
	}
	nc, err := nats.Connect(b.opts.URL, append(opts, security...)...)
	if err != nil {
		return nil, explainConnect(err)
	}
	return nc, nil
}

func (o Options) security() ([]nats.Option, error) {
	var opts []nats.Option
	switch {
	case o.Credentials != "":
		opts = append(opts, nats.UserCredentials(o.Credentials))
	case o.NKey != "":
		key, err := nats.NkeyOptionFromSeed(o.NKey)
		if err != nil {
			return nil, fmt.Errorf("%w: key seed file %s: %w", ErrSettings, o.NKey, err)
		}
		opts = append(opts, key)
	case o.Token != "":
		opts = append(opts, nats.Token(o.Token))
	case o.User != "":
		opts = append(opts, nats.UserInfo(o.User, o.Password))
	}
	if o.CAFile != "" {
		opts = append(opts, nats.RootCAs(o.CAFile))
	}
	if o.CertFile != "" {
		opts = append(opts, nats.ClientCert(o.CertFile, o.KeyFile))
	}
	return opts, nil
}

// explainConnect says what to do about a connection that could not be made.
func explainConnect(err error) error {
	switch {
	case errors.Is(err, nats.ErrAuthorization), errors.Is(err, nats.ErrAuthExpired):
		return fmt.Errorf("%w: the server refused the credentials; check them: %w", ErrSettings, err)
	case errors.Is(err, nats.ErrSecureConnRequired):
		return fmt.Errorf("%w: the server wants TLS; use a tls:// URL, and a CA file if its certificate is your own: %w", ErrSettings, err)
	case errors.Is(err, nats.ErrSecureConnWanted):
		return fmt.Errorf("%w: the server offers no TLS; turn it on there, or use a nats:// URL without TLS files: %w", ErrSettings, err)
	}
	return fmt.Errorf("%w: check that the server runs and that the address, port and certificates are right: %w", ErrUnavailable, err)
}
