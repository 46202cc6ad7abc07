package engine

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"io"
	"net"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"time"

	"github.com/ClickHouse/ch-go/compress"
)

// HandlerOptions say what the clients of a port may do.
type HandlerOptions struct {
	// ReadOnly refuses everything but reading the databases. The engine itself
	// enforces it: each statement runs in a role without any right to write, to
	// the host's files or to the network, on a session whose settings are locked.
	// What no right covers is refused before: more than one statement, statements
	// that the engine's parser does not class as reading, the function file, and
	// settings that are not in a list of harmless ones.
	ReadOnly bool
}

// Limits of the HTTP port.
const (
	statementPatience = 10 * time.Minute // for one statement with its result
	networkPatience   = 1 * time.Minute  // for one read or write of a client
)

// Handler serves the ClickHouse HTTP protocol to other clients: GET and POST /,
// and GET /ping. A GET only reads, whatever the options. Requests that a web
// page of another site made a browser send are refused, and so are names other
// than localhost. The caller listens, on a loopback address.
func (e *Engine) Handler(options HandlerOptions) http.Handler {
	h := handler{e, options}
	mux := http.NewServeMux()
	mux.HandleFunc("GET /ping", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=UTF-8")
		io.WriteString(w, "Ok.\n")
	})
	mux.HandleFunc("GET /{$}", h.serve)
	mux.HandleFunc("POST /{$}", h.serve)
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if !isLocal(r.Host) || fromOtherSite(r) {
			http.Error(w, "this port answers only programs on this machine", http.StatusForbidden)
			return
		}
		mux.ServeHTTP(w, r)
	})
}

// isLocal reports whether a Host header names this machine or an address. Any
// other name may be a web site's that has been pointed at this machine.
func isLocal(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	return host == "" || host == "localhost" || net.ParseIP(strings.Trim(host, "[]")) != nil
}

// fromOtherSite reports whether a browser says that another site is behind the
// request. Programs that are no browser do not send these headers.
func fromOtherSite(r *http.Request) bool {
	switch r.Header.Get("Sec-Fetch-Site") {
	case "", "none", "same-origin":
	default:
		return true
	}
	origin := r.Header.Get("Origin")
	if origin == "" {
		return false
	}
	u, err := url.Parse(origin)
	return err != nil || u.Host != r.Host
}

type handler struct {
	engine  *Engine
	options HandlerOptions
}

func (h handler) serve(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeoutCause(r.Context(), statementPatience,
		exceptionf(codeTimeoutExceeded, "The statement took longer than %v. (TIMEOUT_EXCEEDED)", statementPatience))
	defer cancel()
	r = r.WithContext(ctx)
	control := http.NewResponseController(w)
	body := &patientReader{control, http.MaxBytesReader(w, r.Body, h.engine.options.MaxInsert+maxStatementBytes)}
	readOnly := h.options.ReadOnly || r.Method != http.MethodPost
	c, a, err := h.engine.serve(r, body, readOnly)
	if c.queryID == "" {
		c.queryID = newTag()
	}
	if err != nil {
		h.fail(w, c, err)
		return
	}
	defer a.body.Close()
	setHeaders(w.Header(), c, a)
	if err := h.send(w, &patientWriter{control, w}, c, a); err != nil {
		// The status is sent, so only a broken connection still says "failed".
		panic(http.ErrAbortHandler)
	}
}

// fail answers with an error.
func (h handler) fail(w http.ResponseWriter, c call, err error) {
	e := asException(err)
	var long *http.MaxBytesError
	if errors.As(err, &long) {
		e = exceptionf(codeNotImplemented, "The request is longer than %d bytes. (NOT_IMPLEMENTED)", long.Limit)
	}
	setErrorHeaders(w.Header(), c, e)
	w.WriteHeader(http.StatusInternalServerError)
	io.WriteString(w, e.Text+"\n")
}

// send copies the result, compressed as the client asked. After an error, all
// that came before it is on its way to the client.
func (h handler) send(w http.ResponseWriter, out io.Writer, c call, a *answer) error {
	var err error
	switch {
	case a.length == 0:
		w.Header().Set("Content-Length", "0")
	case c.compressed:
		method := compress.LZ4
		if strings.EqualFold(c.method, "zstd") {
			method = compress.ZSTD
		}
		err = sendBlocks(out, a.body, compress.NewWriter(compress.LevelZero, method))
	case c.acceptGzip:
		w.Header().Set("Content-Encoding", "gzip")
		z := gzip.NewWriter(out)
		if _, err = io.Copy(z, a.body); err == nil {
			err = z.Close()
		} else {
			err = errors.Join(err, z.Flush())
		}
	default:
		if a.length > 0 {
			w.Header().Set("Content-Length", strconv.FormatInt(a.length, 10))
		}
		_, err = io.Copy(out, a.body)
	}
	if err != nil {
		return errors.Join(err, http.NewResponseController(w).Flush())
	}
	return nil
}

// sendBlocks writes ClickHouse's compressed blocks, of up to 1 MiB each.
func sendBlocks(out io.Writer, in io.Reader, block *compress.Writer) error {
	for {
		var part bytes.Buffer
		n, err := io.CopyN(&part, in, 1<<20)
		if n > 0 {
			if err := block.Compress(part.Bytes()); err != nil {
				return err
			}
			if _, err := out.Write(block.Data); err != nil {
				return err
			}
		}
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

// patientReader gives every read of a client's body its own time limit.
type patientReader struct {
	control *http.ResponseController
	reader  io.Reader
}

func (p *patientReader) Read(b []byte) (int, error) {
	if err := p.control.SetReadDeadline(time.Now().Add(networkPatience)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.reader.Read(b)
}

// patientWriter gives every write to a client its own time limit.
type patientWriter struct {
	control *http.ResponseController
	writer  io.Writer
}

func (p *patientWriter) Write(b []byte) (int, error) {
	if err := p.control.SetWriteDeadline(time.Now().Add(networkPatience)); err != nil && !errors.Is(err, http.ErrNotSupported) {
		return 0, err
	}
	return p.writer.Write(b)
}
