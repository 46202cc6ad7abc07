package api_test

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"spoilbook/services/api"
	"spoilbook/services/ledger"
)

func TestRoutes(t *testing.T) {
	r := newRig(t)
	for _, path := range []string{"/", "/v1", "/v1/event", "/v1/events/", "/V1/EVENTS", "/docs", "/openapi.yaml", "/openapi-3.0.json", "/schemas/Problem", "/v1/events/1/2", "/..%2f..%2fetc"} {
		r.refused("GET", path, "", "", 404, ledger.NotFound)
	}
	for path, allowed := range map[string]string{"/v1/events": "GET, POST", "/v1/events/1": "GET", "/v1/quarantine/1/release": "POST", "/metrics": "GET"} {
		a := r.call("DELETE", path, "", "", 405)
		if r.problem(a, ledger.BadRequest); a.Header.Get("Allow") != allowed {
			t.Errorf("%s allows %q, want %q", path, a.Header.Get("Allow"), allowed)
		}
	}
}

func TestRequestIDs(t *testing.T) {
	r := newRig(t)
	for id, kept := range map[string]bool{"": false, "desk-7_a.B": true, strings.Repeat("a", 65): false, "a b": false, "a\"b": false, "ä": false} {
		req, err := http.NewRequest("GET", r.server.URL+"/v1/events/1", nil)
		r.must(err)
		req.Header.Set("X-Request-Id", id)
		a := r.send(req, 404)
		if r.problem(a, ledger.NotFound); (a.Header.Get("X-Request-Id") == id) != kept {
			t.Errorf("id %q becomes %q", id, a.Header.Get("X-Request-Id"))
		}
	}
}

func TestPagesOfOtherSitesAreRefused(t *testing.T) {
	r := newRig(t)
	post := func(name, value string) *http.Request {
		t.Helper()
		req, err := http.NewRequest("POST", r.server.URL+"/v1/events?wait=0s", strings.NewReader(truckRevision(t, 1, "TM-01")))
		r.must(err)
		req.Header.Set("Content-Type", one)
		req.Header.Set(name, value)
		return req
	}
	for _, h := range [][2]string{{"Sec-Fetch-Site", "cross-site"}, {"Sec-Fetch-Site", "same-site"}, {"Origin", "http://other.example"}, {"Origin", "null"}} {
		r.problem(r.send(post(h[0], h[1]), 403), ledger.BadRequest)
	}
	for _, h := range [][2]string{{"Sec-Fetch-Site", "same-origin"}, {"Sec-Fetch-Site", "none"}, {"Origin", r.server.URL}} {
		r.send(post(h[0], h[1]), 202)
	}
	get := func(host string) *http.Request {
		t.Helper()
		req, err := http.NewRequest("GET", r.server.URL+"/v1/head", nil)
		r.must(err)
		req.Host = host
		return req
	}
	for _, host := range []string{"ledger.example", "localhost.example", "127.0.0.1.example:80", "ledger.example:8080"} {
		r.problem(r.send(get(host), 421), ledger.BadRequest)
	}
	for _, host := range []string{"localhost", "LOCALHOST.:8080", "127.0.0.1", "[::1]:80", "192.0.2.7:8080"} {
		r.send(get(host), 200)
	}
	r.config.Hosts, r.config.Registry = []string{"ledger.example"}, nil
	r.serve()
	r.send(get("Ledger.Example:443"), 200)
	r.problem(r.send(get("other.example"), 421), ledger.BadRequest)
}

func TestSizes(t *testing.T) {
	r := newRig(t)
	r.refused("GET", "/v1/events?id="+strings.Repeat("a", api.MaxHeaderBytes), "", "", 431, ledger.TooLarge)
	req, err := http.NewRequest("GET", r.server.URL+"/v1/head", nil)
	r.must(err)
	req.Header.Set("X-Long", strings.Repeat("a", api.MaxHeaderBytes))
	r.problem(r.send(req, 431), ledger.TooLarge)

	// A body that says how long it is, and one that does not.
	long := &repeated{n: api.MaxBodyBytes + 1}
	req, err = http.NewRequest("POST", r.server.URL+"/v1/events", long)
	r.must(err)
	req.ContentLength, req.Header = api.MaxBodyBytes+1, http.Header{"Content-Type": {lines}, "Expect": {"100-continue"}}
	client := &http.Client{Transport: &http.Transport{ExpectContinueTimeout: time.Minute}}
	res, err := client.Do(req)
	r.must(err)
	defer res.Body.Close()
	if res.StatusCode != 413 || res.Header.Get("Content-Type") != "application/problem+json" || long.n != api.MaxBodyBytes+1 {
		t.Errorf("a body announced as too long: %s %v, %d bytes left", res.Status, res.Header, long.n)
	}
	req, err = http.NewRequest("POST", r.server.URL+"/v1/events", &repeated{n: api.MaxBodyBytes + 1})
	r.must(err)
	req.Header.Set("Content-Type", lines)
	r.problem(r.send(req, 413), ledger.TooLarge)
}

// repeated reads as n line breaks.
type repeated struct{ n int }

func (l *repeated) Read(b []byte) (int, error) {
	if l.n == 0 {
		return 0, io.EOF
	}
	n := min(len(b), l.n)
	for i := range b[:n] {
		b[i] = '\n'
	}
	l.n -= n
	return n, nil
}

// A request that takes longer than allowed is told so, whatever it waits for.
func TestRequestTimeout(t *testing.T) {
	r := newRig(t)
	r.config.Timeout = time.Nanosecond
	r.serve()
	r.refused("GET", "/v1/head", "", "", 504, ledger.TimedOut)
	r.refused("GET", "/v1/events", "", "", 504, ledger.TimedOut)
	r.refused("GET", "/v1/quarantine", "", "", 504, ledger.TimedOut)
	r.refused("GET", "/v1/reports/water?from=2026-10-01&to=2026-10-31&tz=Europe/Dublin", "", "", 504, ledger.TimedOut)
	r.refused("GET", "/v1/postings?tz=Europe/Dublin", "", "", 504, ledger.TimedOut)
	r.refused("POST", "/v1/rebuild", "", "", 504, ledger.TimedOut)
	r.refused("POST", "/v1/events", one, truckRevision(t, 1, "TM-01"), 504, ledger.TimedOut)
}

// A client that stops in the middle of its body is told so and let go.
func TestSlowClient(t *testing.T) {
	r := newRig(t)
	r.config.Timeout, r.config.Registry = 150*time.Millisecond, nil
	r.serve()
	for _, path := range []string{"/v1/events", "/v1/quarantine/1/dismiss"} {
		conn, err := net.Dial("tcp", strings.TrimPrefix(r.server.URL, "http://"))
		r.must(err)
		_, err = fmt.Fprintf(conn, "POST %s HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/json\r\nContent-Length: 100\r\n\r\n{", path)
		r.must(err)
		res, err := http.ReadResponse(bufio.NewReader(conn), nil)
		r.must(err)
		body, err := io.ReadAll(res.Body)
		r.must(err)
		r.problem(answer{res, body}, ledger.TimedOut)
		if res.StatusCode != http.StatusRequestTimeout {
			t.Errorf("%s answers %s", path, res.Status)
		}
		r.check(conn.Close())
	}
}

// A client that stops in the middle of its header is let go.
func TestSlowHeader(t *testing.T) {
	r := newRig(t)
	r.config.Registry = nil
	server := api.Server(r.config)
	if server.ReadHeaderTimeout <= 0 || server.ReadTimeout <= 0 || server.WriteTimeout <= 0 || server.IdleTimeout <= 0 || server.MaxHeaderBytes < api.MaxHeaderBytes {
		t.Errorf("a limit is missing: %+v", server)
	}
	server.ReadHeaderTimeout = 50 * time.Millisecond
	l, err := net.Listen("tcp", "127.0.0.1:0")
	r.must(err)
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(l) }()
	conn, err := net.Dial("tcp", l.Addr().String())
	r.must(err)
	_, err = io.WriteString(conn, "POST /v1/events HTTP/1.1\r\nHost: loc")
	r.must(err)
	_, err = io.Copy(io.Discard, conn) // ends when the server closes the connection
	r.check(err)
	r.check(conn.Close())
	r.check(server.Shutdown(context.Background()))
	if err := <-ended; err != http.ErrServerClosed {
		t.Error(err)
	}
}

func TestPanicsAreAnswered(t *testing.T) {
	r := newRig(t)
	r.config.Ready, r.config.Registry = func(context.Context) error { panic("a mistake of ours") }, nil
	r.serve()
	p := r.refused("GET", "/health/ready", "", "", 500, ledger.Internal)
	if strings.Contains(p.Detail, "mistake") {
		t.Errorf("detail: %s", p.Detail)
	}
}

// An export that fails in the middle is answered as a failure: nothing of it is
// sent, and nothing of it is left on the disk.
func TestFailingExport(t *testing.T) {
	r := newRig(t)
	t.Setenv("TMPDIR", t.TempDir())
	r.config.Registry = nil
	r.config.Write = func(_ context.Context, w io.Writer, _ *ledger.Report, _ api.Form) error {
		_, err := io.Copy(w, &repeated{n: 8 << 20})
		return errors.Join(err, io.ErrUnexpectedEOF)
	}
	r.serve()
	a := r.call("GET", "/v1/reports/water?from=2026-10-01&to=2026-10-31&tz=Europe/Dublin&format=json", "", "", 500)
	r.problem(a, ledger.Internal)
	if a.Header.Get("Content-Length") == "" || a.Header.Get("X-Ledger-Position") != "" {
		t.Errorf("header %v", a.Header)
	}
	if left, err := os.ReadDir(os.Getenv("TMPDIR")); err != nil || len(left) != 0 {
		t.Errorf("left behind: %v %v", left, err)
	}
}

func TestProblemsAreWholeJSON(t *testing.T) {
	r := newRig(t)
	a := r.call("GET", "/v1/events?limit="+strings.Repeat("%ff", 300), "", "", 422)
	if !json.Valid(a.body) || len(a.body) > 2000 {
		t.Errorf("a problem of %d bytes: %q", len(a.body), a.body)
	}
}
