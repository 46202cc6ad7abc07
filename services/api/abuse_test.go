package api_test

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/api"
	"spoilbook/services/ledger"
)

// hostileTexts are texts that mean something to a database, a shell, a spreadsheet,
// a path, a header or a decoder, and nothing to us.
func hostileTexts() []string {
	return []string{
		`'`, `"`, "`", `\`, `\'`, `' OR 1=1 --`, `'; DROP TABLE events; --`, `1) UNION SELECT * FROM events --`, `/*`, `--`, `#`, `%27`, `?`, `{n:String}`, `$1`, `@x`,
		"\x00", "a\x00b", "\xff\xfe", "\u202e", "🛠", "\r\nSet-Cookie: a=b", "../../etc/passwd", `..\..\x`, `=cmd|' /C calc'!A0`, "@SUM(A1)", "+1", "-1", "\t=1",
		"1e309", "18446744073709551616", "-9223372036854775808", "0x10", "NaN", "null", "[]", "{}", "true", strings.Repeat("9", 400), strings.Repeat("[", 5000), strings.Repeat("a", 5000),
	}
}

// answers sends a request and wants an answer that is not a failure of ours, and
// that nothing of the engine is told in.
func (r *rig) answers(req *http.Request) {
	r.t.Helper()
	res, err := http.DefaultClient.Do(req)
	r.must(err)
	body, err := io.ReadAll(res.Body)
	r.must(err)
	r.check(res.Body.Close())
	for _, word := range []string{"DB::", "Exception", "clickhouse", "sendQuery", "goroutine"} {
		if strings.Contains(string(body), word) {
			r.t.Errorf("%s %.200s tells %q: %.300s", req.Method, req.URL, word, body)
		}
	}
	if res.StatusCode >= 500 {
		r.t.Errorf("%s %.200s answers %s: %.300s", req.Method, req.URL, res.Status, body)
	}
}

// Whatever stands in any parameter of any operation, nothing fails, nothing of the
// engine is told, and the ledger stays as it is.
func TestHostileParameters(t *testing.T) {
	r := newRig(t)
	r.record()
	r.submit(lines, truckRevision(t, 1, "TM-01")+"\n"+siteArrival(t, "TM-01", 1, "J-1"))
	before := r.call("GET", "/v1/head", "", "", 200).body
	r.valid = nil
	d, asked, turn := r.description2(), 0, 0
	for _, path := range slices.Sorted(maps.Keys(d.Paths)) {
		for method, op := range d.Paths[path] {
			media, body := "", ""
			if method == "post" && len(op.RequestBody.Content) > 0 {
				// What would be recorded is no event and has no author.
				media, body = "application/json", `{"author":""}`
			}
			for _, p := range op.Parameters {
				if p.In != "query" && p.In != "path" || op.OperationID == "submit-events" || op.OperationID == "rebuild" {
					continue
				}
				for i, text := range hostileTexts() {
					if turn++; i > 12 && (i+turn)%4 != 0 {
						continue // each parameter gets what databases know, and its turn of the rest
					}
					target := exampleTarget(path, op, "1")
					if p.In == "path" {
						target = strings.Replace(path, "{"+p.Name+"}", url.PathEscape(text), 1)
					} else {
						u, err := url.Parse(target)
						r.must(err)
						q := u.Query()
						q.Set(p.Name, text)
						u.RawQuery = q.Encode()
						target = u.String()
					}
					req, err := http.NewRequest(strings.ToUpper(method), r.server.URL+target, strings.NewReader(body))
					if err != nil {
						continue // no client would send it
					}
					req.Header.Set("Content-Type", media)
					r.answers(req)
					asked++
				}
			}
		}
	}
	res, err := http.Get(r.server.URL + "/v1/head")
	r.must(err)
	after, err := io.ReadAll(res.Body)
	r.must(err)
	r.check(res.Body.Close())
	if string(after) != string(before) || asked < 500 {
		t.Errorf("%d requests turned the head from %s to %s", asked, before, after)
	}
}

// description2 reads the description without holding it against itself.
func (r *rig) description2() described {
	r.t.Helper()
	res, err := http.Get(r.server.URL + "/openapi.json")
	r.must(err)
	body, err := io.ReadAll(res.Body)
	r.must(err)
	r.check(res.Body.Close())
	var d described
	answer{res, body}.into(r.t, &d)
	return d
}

// Whatever stands in a body, it is refused or quarantined whole.
func TestHostileBodies(t *testing.T) {
	r := newRig(t)
	r.record()
	event := siteArrival(t, "TM-01", 1, "J-1")
	deep := strings.Repeat(`{"a":`, 20_000) + "1" + strings.Repeat("}", 20_000)
	var text strings.Builder
	n := 0
	for _, body := range append(hostileTexts(), deep, strings.Repeat("[", 100_000),
		strings.Replace(event, `"seq":1`, `"seq":1e400`, 1), strings.Replace(event, `"seq":1`, `"seq":1,"seq":1`, 1),
		strings.Replace(event, `"id":"`, `"id":"`+"\xff", 1), strings.Replace(event, `"seq":1`, `"seq":`+strings.Repeat("1", 1000), 1),
		`{"specversion":"`+strings.Repeat(`\u0000`, 30_000)+`"}`) {
		if body = strings.NewReplacer("\r", "", "\n", "").Replace(body); strings.TrimSpace(body) != "" {
			text.WriteString(body + "\n")
			n++
		}
	}
	v := r.submit(lines, text.String())
	if v.Quarantined != uint64(n) || v.Recorded != 0 {
		t.Errorf("%d hostile lines: %s", n, fates(v))
	}
	var page api.QuarantinePage
	r.call("GET", "/v1/quarantine?limit=1000", "", "", 200).into(t, &page)
	for _, e := range page.Entries {
		if len(e.Reason) > 5000 {
			t.Errorf("entry %d has a reason of %d bytes", e.Entry, len(e.Reason))
		}
	}
	for _, text := range hostileTexts() {
		for path, body := range map[string]string{
			"/v1/quarantine/1/dismiss": fmt.Sprintf(`{"author":%q,"note":""}`, text),
			"/v1/quarantine/1/release": fmt.Sprintf(`{"author":"Yard","event":%q}`, text),
			"/v1/issued":               fmt.Sprintf(`{"report":"billable","number":%q,"from":"2026-10-01","to":%q,"tz":%q,"author":"Yard"}`, text, text, text),
		} {
			req, err := http.NewRequest("POST", r.server.URL+path, strings.NewReader(body))
			r.must(err)
			req.Header.Set("Content-Type", "application/json")
			r.answers(req)
		}
	}
}

// Compressed bodies are refused, so that none can grow.
func TestCompressedBodiesAreRefused(t *testing.T) {
	r := newRig(t)
	for _, coding := range []string{"gzip", "deflate", "br", "zstd", "identity, gzip", "x"} {
		req, err := http.NewRequest("POST", r.server.URL+"/v1/events", strings.NewReader("\x1f\x8b\x08\x00"))
		r.must(err)
		req.Header = http.Header{"Content-Type": {lines}, "Content-Encoding": {coding}}
		r.problem(r.send(req, 415), ledger.BadRequest)
	}
	if st, err := r.broker.StreamState(t.Context()); err != nil || st.Msgs != 0 {
		t.Errorf("%d messages were stored, %v", st.Msgs, err)
	}
}

// Bodies share a bounded room, and what does not fit is told to come again.
func TestBodiesHaveBoundedRoom(t *testing.T) {
	r := newRig(t)
	r.config.Limits.BodyBytes, r.config.Registry = 300<<10, nil
	r.serve()
	r.call("POST", "/v1/events?wait=0s", one, siteArrival(t, "TM-01", 1, "J-1"), 202)
	a := r.call("POST", "/v1/events?wait=0s", lines, strings.Repeat("{}\n", 200_000), 503)
	if r.problem(a, ledger.Busy); a.Header.Get("Retry-After") == "" {
		t.Errorf("header %v", a.Header)
	}
	// What was refused has given its room back.
	for i := range uint64(20) {
		r.call("POST", "/v1/events?wait=0s", one, siteArrival(t, "TM-01", i+2, "J-1"), 202)
	}
}

// A source with its share on the way waits for the intake; the others do not.
func TestASourceHasItsShare(t *testing.T) {
	r := newRig(t)
	r.config.Limits.InFlight, r.config.Limits.Patience, r.config.Registry = 10, 50*time.Millisecond, nil
	r.serve()
	send := func(truck events.TruckID, first, n uint64, want int) answer {
		t.Helper()
		var text strings.Builder
		for i := range n {
			text.WriteString(siteArrival(t, truck, first+i, "J-1") + "\n")
		}
		return r.call("POST", "/v1/events?wait=0s", lines, text.String(), want)
	}
	r.call("POST", "/v1/events?wait=0s", lines, truckRevision(t, 1, "TM-01")+"\n"+truckRevision(t, 2, "TM-02"), 202)
	send("TM-01", 1, 8, 202)
	p := r.problem(send("TM-01", 9, 3, 503), ledger.Busy)
	if !strings.Contains(p.Detail, "on the way") {
		t.Errorf("detail: %s", p.Detail)
	}
	send("TM-02", 1, 8, 202)
	send("TM-01", 9, 2, 202)
	r.config.Limits.Patience, r.config.Registry = time.Minute, nil
	r.serve()
	r.record()
	for first := uint64(11); first < 111; first += 20 {
		send("TM-01", first, 20, 202) // longer than the share, so alone
	}
	if v := r.submit(lines, siteArrival(t, "TM-01", 111, "J-1")+"\n"+siteArrival(t, "TM-02", 9, "J-1")); v.Recorded != 2 || v.Position != 122 {
		t.Errorf("at last: %s", fates(v))
	}
}

// A client that takes nothing of its answer is let go, and what was kept for it is
// free again.
func TestSlowReader(t *testing.T) {
	r := newRig(t)
	r.config.Limits, r.config.Registry = api.Limits{Stall: 100 * time.Millisecond, Downloads: 1}, nil
	r.config.Write = func(_ context.Context, w io.Writer, _ *ledger.Report, _ api.Form) error {
		_, err := io.Copy(w, &repeated{n: 48 << 20})
		return err
	}
	r.serve()
	const path = "/v1/reports/water?" + october
	conn, err := net.Dial("tcp", strings.TrimPrefix(r.server.URL, "http://"))
	r.must(err)
	defer conn.Close()
	_, err = io.WriteString(conn, "GET "+path+" HTTP/1.1\r\nHost: localhost\r\n\r\n")
	r.must(err)
	res, err := http.ReadResponse(bufio.NewReader(conn), nil)
	r.must(err)
	// There is room for one download: the next is answered once the first is let go.
	next, err := http.Get(r.server.URL + path)
	r.must(err)
	n, err := io.Copy(io.Discard, next.Body)
	if r.check(next.Body.Close()); err != nil || n != 48<<20 {
		t.Errorf("the next download has %d bytes, %v", n, err)
	}
	if n, err := io.Copy(io.Discard, res.Body); err == nil {
		t.Errorf("the slow download looks complete with %d bytes", n)
	}
}

// Connections above the limit wait until others close.
func TestConnectionsAreLimited(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := httptest.NewUnstartedServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) { _, _ = io.WriteString(w, "ok") }))
	s.Listener.Close()
	s.Listener = api.Limited(l, 2)
	s.Start()
	defer s.Close()
	var held []net.Conn
	for range 2 {
		c, err := net.Dial("tcp", l.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		held = append(held, c)
	}
	answered := make(chan error, 1)
	go func() {
		res, err := http.Get(s.URL)
		if err == nil {
			err = res.Body.Close()
		}
		answered <- err
	}()
	select {
	case err := <-answered:
		t.Fatalf("a third connection was answered while two were open: %v", err)
	case <-time.After(100 * time.Millisecond): // long enough to find a server that does not count
	}
	for _, c := range held {
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}
	if err := <-answered; err != nil {
		t.Error(err)
	}
}

// A report whose client goes away stops in the engine, and leaves its place to the
// next.
func TestCancelledReportsStopInTheEngine(t *testing.T) {
	r := newRig(t)
	r.config.Limits, r.config.Registry = api.Limits{Reports: 2}, nil
	r.serve()
	r.fill(200_000)
	const path = "/v1/reports/water?" + october + "&format=csv"
	left := 0
	for i := range 12 {
		ctx, cancel := context.WithTimeout(t.Context(), time.Duration(1+10*i)*time.Millisecond)
		req, err := http.NewRequestWithContext(ctx, "GET", r.server.URL+path, nil)
		r.must(err)
		if res, err := http.DefaultClient.Do(req); err != nil {
			left++
		} else {
			r.check(res.Body.Close())
		}
		cancel()
	}
	if left == 0 {
		t.Error("no report took long enough to be left")
	}
	asking := &http.Client{Transport: r.engine.Transport()}
	for begun := time.Now(); ; {
		res, err := asking.Get("http://engine.invalid/?query=" + url.QueryEscape("SELECT count() FROM system.processes WHERE query LIKE 'SELECT position, recorded%'"))
		r.must(err)
		body, err := io.ReadAll(res.Body)
		r.must(err)
		r.check(res.Body.Close())
		if strings.TrimSpace(string(body)) == "0" {
			break
		}
		if time.Since(begun) > 20*time.Second {
			t.Fatalf("%s statements still run", body)
		}
	}
	r.call("GET", path, "", "", 200)
}

// fill stores events without a broker.
func (r *rig) fill(n uint64) {
	r.t.Helper()
	b := &ledger.Block{Stream: "filled", FirstSeq: 1, LastSeq: n, At: time.UnixMilli(1_795_000_000_000)}
	for i := range n {
		body := []byte(siteArrival(r.t, "TM-01", i+1, "J-1"))
		e, err := wire.Decode(body)
		r.must(err)
		b.Records = append(b.Records, ledger.Record{Position: i + 1, Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(), Truck: e.Truck, Job: e.Job,
			Occurred: e.Occurred, Recorded: b.At, Stream: b.Stream, StreamSeq: i + 1, Body: body, Hash: chain.LeafHash(body)})
	}
	b.Position = n
	r.must(r.store.Append(r.t.Context(), b))
}

// FuzzParameters sends any text in any parameter of the lists and reports.
func FuzzParameters(f *testing.F) {
	r := newRig(f)
	r.record()
	r.submit(lines, truckRevision(f, 1, "TM-01")+"\n"+siteArrival(f, "TM-01", 1, "J-1"))
	for i, text := range hostileTexts() {
		f.Add(uint8(i), text)
	}
	targets := []string{"/v1/events?truck=", "/v1/events?id=", "/v1/events?source=", "/v1/events?kind=", "/v1/events?after=", "/v1/events?limit=", "/v1/quarantine?after=",
		"/v1/fates?first=1&last=1&wait=0s&stream=", "/v1/reports/water?" + october + "&truck=", "/v1/reports/billable?" + october + "&client=", "/v1/reports/water?from=2026-10-01&to=2026-10-31&tz=",
		"/v1/reports/water?to=2026-10-31&tz=UTC&from=", "/v1/reports/water/explain?" + october + "&line=", "/v1/postings?tz=UTC&truck="}
	f.Fuzz(func(t *testing.T, which uint8, text string) {
		req, err := http.NewRequest("GET", r.server.URL+targets[int(which)%len(targets)]+url.QueryEscape(text), nil)
		if err != nil {
			return
		}
		on := *r
		on.t = t
		on.answers(req)
	})
}

// Whatever is sent as the body of an operation, nothing fails and nothing of the engine is told.
func FuzzBodies(f *testing.F) {
	r := newRig(f)
	r.record()
	r.submit(lines, truckRevision(f, 1, "TM-01")+"\n{ no event")
	targets := []string{"/v1/quarantine/1/release", "/v1/quarantine/1/dismiss", "/v1/issued", "/v1/users/ann", "/v1/tokens", "/v1/sign-in"}
	for i, text := range hostileTexts() {
		f.Add(uint8(i), text)
		quoted, err := json.Marshal(text)
		r.must(err)
		f.Add(uint8(i), `{"author":`+string(quoted)+`,"note":`+string(quoted)+`,"report":"water","number":`+string(quoted)+`,"from":"2026-10-01","to":"2026-10-31","tz":"UTC"}`)
	}
	f.Add(uint8(0), `{"author":"A","event":{"specversion":"1.0"}}`)
	f.Fuzz(func(t *testing.T, which uint8, text string) {
		target := targets[int(which)%len(targets)]
		method := "POST"
		if strings.HasPrefix(target, "/v1/users/") {
			method = "PUT"
		}
		req, err := http.NewRequest(method, r.server.URL+target, strings.NewReader(text))
		if err != nil {
			return
		}
		req.Header.Set("Content-Type", "application/json")
		on := *r
		on.t = t
		on.answers(req)
	})
}
