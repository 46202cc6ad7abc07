package api

import (
	"context"
	"crypto/rand"
	"net"
	"net/http"
	"slices"
	"strings"
	"time"

	"github.com/gin-gonic/gin"
)

type requestKey struct{}

// requestID returns the id of the request that a context belongs to.
func requestID(ctx context.Context) string {
	id, _ := ctx.Value(requestKey{}).(string)
	return id
}

func instanceOf(ctx context.Context) string { return "urn:spoilbook:request:" + requestID(ctx) }

// identify gives every request an id: the caller's own where it is fit for a log.
func identify(g *gin.Context) {
	id := g.GetHeader("X-Request-Id")
	if !fitForLog(id) {
		id = rand.Text()
	}
	g.Request = g.Request.WithContext(context.WithValue(g.Request.Context(), requestKey{}, id))
	h := g.Writer.Header()
	h.Set("X-Request-Id", id)
	h.Set("X-Content-Type-Options", "nosniff")
	h.Set("Cache-Control", "no-store")
	h.Set("Content-Security-Policy", "default-src 'none'; frame-ancestors 'none'")
	h.Set("Referrer-Policy", "no-referrer")
}

func fitForLog(id string) bool {
	const allowed = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789._-"
	return id != "" && len(id) <= 64 && strings.Trim(id, allowed) == ""
}

// guard refuses what a web page of another site made a browser send: nobody is
// authenticated here, so the browser's word about the page is what there is. A
// name that is not ours may be another site's, pointed at this machine.
func (s *service) guard(g *gin.Context) {
	if !s.answersTo(g.Request.Host) {
		writeProblem(g, httpProblem(http.StatusMisdirectedRequest, "host: found %s; allowed: localhost, an IP address, or a name the server was started with", excerpt(g.Request.Host)))
		return
	}
	if err := s.crossOrigin.Check(g.Request); err != nil {
		writeProblem(g, httpProblem(http.StatusForbidden, "a page of another site may not send this request"))
		return
	}
	size := len(g.Request.RequestURI)
	for name, values := range g.Request.Header {
		for _, v := range values {
			size += len(name) + len(v) + len(": \r\n")
		}
	}
	if size > MaxHeaderBytes {
		writeProblem(g, httpProblem(http.StatusRequestHeaderFieldsTooLarge, "the address and header have %d bytes, at most %d are taken", size, MaxHeaderBytes))
		return
	}
	// What is compressed would be taken for a broken event, or would grow without end.
	if coding := g.GetHeader("Content-Encoding"); coding != "" && g.Request.Method == http.MethodPost {
		g.Header("Connection", "close")
		writeProblem(g, httpProblem(http.StatusUnsupportedMediaType, "content encoding: found %s; allowed: none", excerpt(coding)))
		return
	}
	if g.Request.ContentLength > MaxBodyBytes {
		g.Header("Connection", "close") // what follows would be read as the next request
		writeProblem(g, httpProblem(http.StatusRequestEntityTooLarge, "the body has %d bytes, at most %d are taken", g.Request.ContentLength, MaxBodyBytes))
	}
}

func (s *service) answersTo(hostport string) bool {
	host, _, err := net.SplitHostPort(hostport)
	if err != nil {
		host = hostport
	}
	host = strings.ToLower(strings.TrimSuffix(host, "."))
	return host == "" || host == "localhost" || net.ParseIP(strings.Trim(host, "[]")) != nil || slices.Contains(s.Hosts, host)
}

// limit bounds the body and the time of every request.
func (s *service) limit(g *gin.Context) {
	g.Request.Body = http.MaxBytesReader(g.Writer, g.Request.Body, MaxBodyBytes)
	ctx, cancel := context.WithTimeout(g.Request.Context(), s.Timeout)
	defer cancel()
	g.Request = g.Request.WithContext(ctx)
	steady := steadyWriter{g.Writer, http.NewResponseController(g.Writer), s.Limits.Stall, time.Now().Add(s.Timeout + writeTimeout)}
	_ = steady.control.SetWriteDeadline(steady.end) // where that can not be set, nothing is sent over a network
	g.Writer = steady
	g.Next()
}

// recover turns a panic into an answer, except where one has begun.
func (s *service) recover(g *gin.Context) {
	defer func() {
		v := recover()
		if v == nil {
			return
		}
		if v == http.ErrAbortHandler || g.Writer.Written() {
			panic(http.ErrAbortHandler)
		}
		s.Logger.Error("api: panic", "request", requestID(g.Request.Context()), "path", g.Request.URL.Path, "value", v)
		writeProblem(g, httpProblem(http.StatusInternalServerError, "the request could not be handled"))
	}()
	g.Next()
}

func (s *service) observe(g *gin.Context) {
	start := time.Now()
	defer func() {
		route := g.FullPath()
		if route == "" {
			route = "none"
		}
		status := g.Writer.Status()
		s.seconds.WithLabelValues(route, http.StatusText(status)).Observe(time.Since(start).Seconds())
		s.Logger.Info("api", "request", requestID(g.Request.Context()), "method", g.Request.Method, "path", g.Request.URL.Path,
			"status", status, "ms", time.Since(start).Milliseconds())
	}()
	g.Next()
}
