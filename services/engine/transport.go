package engine

import (
	"bytes"
	"context"
	"io"
	"net/http"
	"strconv"
)

// Transport returns a RoundTripper that answers requests of the ClickHouse HTTP
// protocol from the engine. Host, scheme, path and credentials are ignored.
func (e *Engine) Transport() http.RoundTripper { return transport{e} }

type transport struct{ engine *Engine }

// RoundTrip runs the statement of a request. It returns an error only when the
// context of the request is done or its body can not be read; an error of the
// engine is a response with status 500.
func (t transport) RoundTrip(r *http.Request) (*http.Response, error) {
	body := io.ReadCloser(http.NoBody)
	if r.Body != nil {
		body = r.Body
	}
	defer body.Close()
	// A body that never ends would otherwise outlive its cancelled request.
	stop := context.AfterFunc(r.Context(), func() { body.Close() })
	defer stop()
	c, a, err := t.engine.serve(r, body, false)
	if err != nil {
		if ctxErr := r.Context().Err(); ctxErr != nil {
			return nil, ctxErr
		}
		return errorResponse(r, c, asException(err)), nil
	}
	response := newResponse(r, http.StatusOK, a.body, a.length)
	setHeaders(response.Header, c, a)
	return response, nil
}

// serve parses and runs a request.
func (e *Engine) serve(r *http.Request, body io.Reader, readOnly bool) (call, *answer, error) {
	plain, err := decodeBody(r, body)
	if err != nil {
		return call{}, nil, err
	}
	c, err := parseCall(r, plain, readOnly)
	if err != nil {
		return c, nil, err
	}
	if isHello(c) {
		a, err := e.hello(clientRevision(r))
		return c, a, err
	}
	a, err := e.run(r.Context(), c.statement)
	return c, a, err
}

func clientRevision(r *http.Request) int {
	revision, err := strconv.Atoi(r.URL.Query().Get("client_protocol_version"))
	if err != nil {
		return 0
	}
	return revision
}

func newResponse(r *http.Request, status int, body io.ReadCloser, length int64) *http.Response {
	return &http.Response{
		Status:        strconv.Itoa(status) + " " + http.StatusText(status),
		StatusCode:    status,
		Proto:         "HTTP/1.1",
		ProtoMajor:    1,
		ProtoMinor:    1,
		Header:        http.Header{},
		Body:          body,
		ContentLength: length,
		Request:       r,
	}
}

func errorResponse(r *http.Request, c call, e *Exception) *http.Response {
	text := []byte(e.Text + "\n")
	response := newResponse(r, http.StatusInternalServerError, io.NopCloser(bytes.NewReader(text)), int64(len(text)))
	setErrorHeaders(response.Header, c, e)
	return response
}

// setHeaders says what a client wants to know before the body.
func setHeaders(h http.Header, c call, a *answer) {
	h.Set("Content-Type", contentType(a.format))
	h.Set("X-ClickHouse-Format", a.format)
	h.Set("X-ClickHouse-Summary", a.summary.json())
	if a.tag != "" {
		h.Set("X-ClickHouse-Exception-Tag", a.tag)
	}
	if c.queryID != "" {
		h.Set("X-ClickHouse-Query-Id", c.queryID)
	}
}

func setErrorHeaders(h http.Header, c call, e *Exception) {
	h.Set("Content-Type", "text/plain; charset=UTF-8")
	h.Set("X-ClickHouse-Exception-Code", strconv.Itoa(e.Code))
	if c.queryID != "" {
		h.Set("X-ClickHouse-Query-Id", c.queryID)
	}
}
