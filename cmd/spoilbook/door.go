package main

import (
	"crypto/tls"
	"errors"
	"net"
	"net/http"

	"github.com/spf13/cobra"

	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// door is how the service is reached over HTTP and who is let in.
type door struct {
	listen            string
	hosts             []string
	open              bool // nobody is asked who they are
	certFile, keyFile string
	zone              string
	access            *access.Book // nil lets everybody in
}

func (d *door) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&d.listen, "listen", "127.0.0.1:8080", "`address` of the HTTP API")
	f.StringSliceVar(&d.hosts, "host", nil, "`name` under which clients reach the HTTP API, besides localhost and addresses")
	f.BoolVar(&d.open, "open", false, "nobody is asked who they are, and everybody who reaches the service may do everything; on loopback only")
	f.Bool("sign-in", true, "who asks has to sign in or send a token")
	_ = f.MarkDeprecated("sign-in", "signing in is asked for unless --open is given") // it exists, see above
	f.StringVar(&d.zone, "tz", envOr("SPOILBOOK_TZ", "UTC"), "time `zone` in which pages show times, such as Europe/Dublin")
	f.StringVar(&d.certFile, "tls-cert", "", "certificate `file` for HTTPS")
	f.StringVar(&d.keyFile, "tls-key", "", "key `file` for HTTPS")
}

// check refuses what would let strangers in, or send passwords in the clear.
func (d *door) check() error {
	host, _, err := net.SplitHostPort(d.listen)
	if err != nil {
		return nil // the listener says what is wrong
	}
	ip := net.ParseIP(host)
	loopback := host == "localhost" || ip != nil && ip.IsLoopback()
	switch {
	case (d.certFile == "") != (d.keyFile == ""):
		return ledger.Fail(ledger.BadRequest, "--tls-cert and --tls-key go together")
	case !loopback && d.open:
		return ledger.Fail(ledger.BadRequest, "--listen %s is open to the network, where everybody could do everything: leave out --open, or listen on 127.0.0.1", d.listen)
	case !loopback && d.certFile == "":
		return ledger.Fail(ledger.BadRequest, "--listen %s is open to the network, where passwords and tokens could be read: add --tls-cert and --tls-key, or listen on 127.0.0.1 behind something that speaks HTTPS", d.listen)
	}
	return nil
}

func (d *door) url(l net.Listener) string {
	if d.certFile != "" {
		return "https://" + l.Addr().String()
	}
	return "http://" + l.Addr().String()
}

// serve answers until the server is shut down.
func (d *door) serve(server *http.Server, l net.Listener) error {
	if d.certFile == "" {
		return server.Serve(l)
	}
	server.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS12}
	err := server.ServeTLS(l, d.certFile, d.keyFile)
	if errors.Is(err, http.ErrServerClosed) {
		return err
	}
	return ledger.Wrap(ledger.BadRequest, err, "HTTPS with %s and %s", d.certFile, d.keyFile)
}
