package main

import (
	"crypto/tls"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"spoilbook/services/access"
	"spoilbook/services/ledger"
	"spoilbook/services/oidc"
	"spoilbook/services/web"
)

// door is how the service is reached over HTTP and who is let in.
type door struct {
	listen            string
	hosts             []string
	open              bool // nobody is asked who they are
	certFile, keyFile string
	zone              string
	access            *access.Book // nil lets everybody in
	public            string       // address at which something in front of the service speaks HTTPS for it
	issuer            oidc.Config
	secretFile        string
	signsIn           web.Issuer // nil where there is none
}

func (d *door) flags(c *cobra.Command) {
	f := c.Flags()
	f.StringVar(&d.listen, "listen", "127.0.0.1:8080", "`address` of the HTTP API")
	f.StringSliceVar(&d.hosts, "host", nil, "`name` under which clients reach the HTTP API, besides localhost and addresses")
	f.BoolVar(&d.open, "open", false, "nobody is asked who they are, and everybody who reaches the service may do everything; on loopback only")
	f.Bool("sign-in", true, "who asks has to sign in or send a token")
	_ = f.MarkDeprecated("sign-in", "signing in is asked for unless --open is given") // it exists, see above
	f.StringVar(&d.zone, "tz", envOr("SPOILBOOK_TZ", "UTC"), "time `zone` in which pages show times, such as Europe/Dublin")
	f.StringVar(&d.public, "url", "", "`address` at which browsers reach the service, where something in front of it on this machine speaks HTTPS, such as https://yard.example")
	f.StringVar(&d.issuer.Issuer, "oidc-issuer", "", "`address` of an OpenID Connect issuer at which people sign in as well")
	f.StringVar(&d.issuer.ClientID, "oidc-client-id", "", "`id` under which the issuer knows this service")
	f.StringVar(&d.secretFile, "oidc-client-secret-file", "", "`file` with the secret that the issuer gave this service; none for a public client")
	f.StringVar(&d.issuer.Called, "oidc-name", "", "`name` that people know the issuer by; its host when empty")
	f.StringVar(&d.certFile, "tls-cert", "", "certificate `file` for HTTPS")
	f.StringVar(&d.keyFile, "tls-key", "", "key `file` for HTTPS")
}

// check refuses what would let strangers in, or send passwords in the clear.
func (d *door) check() error {
	host, _, err := net.SplitHostPort(d.listen)
	if err != nil {
		return nil // the listener says what is wrong
	}
	if err := d.checkPublic(); err != nil {
		return err
	}
	ip := net.ParseIP(host)
	loopback := host == "localhost" || ip != nil && ip.IsLoopback()
	switch {
	case (d.certFile == "") != (d.keyFile == ""):
		return ledger.Fail(ledger.BadRequest, "--tls-cert and --tls-key go together")
	case d.open && d.issuer.Issuer != "":
		return ledger.Fail(ledger.BadRequest, "--open asks nobody who they are, and --oidc-issuer lets people sign in: leave one of them out")
	case d.issuer.Issuer == "" && (d.issuer.ClientID != "" || d.secretFile != "" || d.issuer.Called != ""):
		return ledger.Fail(ledger.BadRequest, "--oidc-client-id, --oidc-client-secret-file and --oidc-name are of an issuer: add --oidc-issuer")
	case d.issuer.Issuer != "" && d.issuer.ClientID == "":
		return ledger.Fail(ledger.BadRequest, "--oidc-issuer needs --oidc-client-id, which the issuer gives")
	case d.issuer.Issuer != "" && !loopback && d.public == "":
		return ledger.Fail(ledger.BadRequest, "--oidc-issuer needs --url, the address to which the issuer sends browsers back")
	case !loopback && d.open:
		return ledger.Fail(ledger.BadRequest, "--listen %s is open to the network, where everybody could do everything: leave out --open, or listen on 127.0.0.1", d.listen)
	case !loopback && d.certFile == "":
		return ledger.Fail(ledger.BadRequest, "--listen %s is open to the network, where passwords and tokens could be read: add --tls-cert and --tls-key, or listen on 127.0.0.1 behind something that speaks HTTPS", d.listen)
	}
	return nil
}

// checkPublic takes the name of --url as one under which clients reach the service.
func (d *door) checkPublic() error {
	if d.public == "" {
		return nil
	}
	u, err := url.Parse(d.public)
	if err != nil || u.Scheme != "https" || u.Host == "" || u.User != nil || strings.Trim(u.Path, "/") != "" || u.RawQuery != "" {
		return ledger.Fail(ledger.BadRequest, "--url: found %q; allowed: an address such as https://yard.example", d.public)
	}
	d.public = "https://" + u.Host
	d.hosts = append(d.hosts, strings.ToLower(u.Hostname()))
	return nil
}

// elsewhere makes the issuer at which people sign in, nil where there is none. at is the address of the service.
func (d *door) elsewhere(at string, stdout io.Writer) (web.Issuer, error) {
	if d.issuer.Issuer == "" {
		return nil, nil
	}
	c := d.issuer
	if d.secretFile != "" {
		secret, err := os.ReadFile(d.secretFile)
		if err != nil {
			return nil, ledger.Wrap(ledger.BadRequest, err, "--oidc-client-secret-file")
		}
		c.Secret = strings.TrimSpace(string(secret))
	}
	if d.public != "" {
		at = d.public
	}
	c.Return = at + "/sign-in/return"
	p, err := oidc.New(c)
	if err != nil {
		return nil, err
	}
	_, err = fmt.Fprintf(stdout, "People sign in at %s as well; enter there that browsers come back to %s\n", c.Issuer, c.Return)
	return p, err
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
