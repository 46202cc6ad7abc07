package client_test

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"strings"
	"testing"
	"time"

	"spoilbook/services/client"
	"spoilbook/services/ledger"
)

func TestNewRefuses(t *testing.T) {
	for _, address := range []string{"", "ledger", "127.0.0.1:8080", "ftp://127.0.0.1", "http://", "http://[::1", "nats://127.0.0.1:4222"} {
		_, err := client.New(address)
		wantCode(t, address, err, ledger.BadRequest)
	}
	for _, address := range []string{"http://127.0.0.1:8080", "https://ledger.example/yard/", "http://[::1]:8080"} {
		_, err := client.New(address)
		wantCode(t, address, err, "")
	}
}

func TestServerDown(t *testing.T) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	c, err := client.New("http://yard:secret@" + address)
	if err != nil {
		t.Fatal(err)
	}
	_, err = c.Head(t.Context())
	if wantCode(t, "head", err, ledger.ServerDown); err == nil || !strings.Contains(err.Error(), address) || strings.Contains(err.Error(), "secret") {
		t.Errorf("error: %v", err)
	}
}

// silent never answers.
func TestServerSilent(t *testing.T) {
	release := make(chan struct{})
	s := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { <-release }))
	defer s.Close()
	defer close(release)
	c, err := client.New(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	_, err = c.Head(ctx)
	wantCode(t, "head", err, ledger.TimedOut)
	_, err = c.Await(ctx, ledger.Ticket{Stream: "S@1", First: 1, Last: 1, Count: 1})
	wantCode(t, "await", err, ledger.TimedOut)
	cancelled, stop := context.WithCancel(t.Context())
	stop()
	if _, err := c.Head(cancelled); err == nil || !strings.Contains(fmt.Sprint(err), context.Canceled.Error()) {
		t.Errorf("a call that was stopped: %v", err)
	}
}

// What is no spoilbook, and answers that can not be true, are errors.
func TestStrangeAnswers(t *testing.T) {
	hash := strings.Repeat("0", 64)
	event := string(siteArrival(t, "TM-01", 1, "J-1"))
	for _, c := range []struct {
		name   string
		status int
		body   string
		code   ledger.Code
	}{
		{"a proxy's page", 502, "<html>Bad Gateway</html>", ledger.ServerDown},
		{"an error of another program", 404, `{"error":"no"}`, ledger.ServerDown},
		{"an unknown problem", 500, `{"type":"urn:other:problem","title":"x","detail":"y"}`, ledger.ServerDown},
		{"a redirect to nowhere", 304, "", ledger.ServerDown},
		{"a problem of ours", 503, `{"type":"urn:spoilbook:problem:broker-down","title":"x","detail":"y"}`, ledger.BrokerDown},
		{"no JSON", 200, "ok", ledger.Internal},
		{"JSON that ends early", 200, `{"events":[{"position":1`, ledger.Internal},
		{"no event", 200, `{"events":[{"position":1,"hash":"` + hash + `","event":{"specversion":"1.0"}}]}`, ledger.Internal},
		{"a short hash", 200, `{"events":[{"position":1,"hash":"00","event":` + event + `}]}`, ledger.Internal},
		{"another event's hash", 200, `{"events":[{"position":1,"hash":"` + hash + `","event":` + event + `}]}`, ledger.Damaged},
		{"none", 200, `{"events":[]}`, ""},
	} {
		s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.WriteHeader(c.status)
			io.WriteString(w, c.body)
		}))
		book, err := client.New(s.URL)
		if err != nil {
			t.Fatal(err)
		}
		_, err = book.Events(t.Context(), ledger.EventQuery{Limit: 1})
		wantCode(t, c.name, err, c.code)
		s.Close()
	}
}

// A download that breaks off is an error, however much of it came.
func TestDownloadBreaksOff(t *testing.T) {
	s := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		io.WriteString(w, strings.Repeat("x", 1<<16))
		panic(http.ErrAbortHandler)
	}))
	defer s.Close()
	c, err := client.New(s.URL)
	if err != nil {
		t.Fatal(err)
	}
	var out bytes.Buffer
	wantCode(t, "report", c.Export(t.Context(), &out, "water", url.Values{}), ledger.ServerDown)
	wantCode(t, "postings", c.Postings(t.Context(), &out, "", "UTC", 0), ledger.ServerDown)
}
