// Package api offers the ledger over HTTP: gin routes, huma operations with an
// OpenAPI 3.1 description at /openapi.json, and RFC 9457 errors. Handlers decode,
// call a use case and encode; no rule lives here. For example
//
//	POST /v1/events?wait=10s        one event, a batch, or NDJSON; 200 says what became of each
//	GET  /v1/events?truck=TM-01     recorded events in order of position
//	GET  /v1/reports/water?from=2026-10-01&to=2026-10-31&tz=Europe/Dublin&format=xlsx
//	GET  /v1/quarantine             what could not be recorded, and why
//	GET  /health/live, /health/ready, /metrics
//
// It authenticates nobody: bind it to loopback, or put it behind something that
// does.
package api

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humagin"
	"github.com/gin-gonic/gin"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"spoilbook/services/ledger"
)

// Limits of a request.
const (
	MaxBodyBytes   = 64 << 20
	MaxHeaderBytes = 64 << 10
	RequestTimeout = 2 * time.Minute
	MaxWait        = time.Minute // longest wait for events to be recorded
)

// Config is what the API is made of.
type Config struct {
	Ledger   *ledger.Ledger
	Write    func(ctx context.Context, w io.Writer, r *ledger.Report, format, table, by string) error // exports a report
	Formats  []string
	Ready    func(ctx context.Context) error // why the service should get no traffic, or nil
	Registry *prometheus.Registry            // may be nil
	Logger   *slog.Logger
	Version  string
}

type service struct {
	Config
	seconds *prometheus.HistogramVec
}

// New returns the handler of all routes.
func New(c Config) http.Handler {
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	if c.Registry == nil {
		c.Registry = prometheus.NewRegistry()
	}
	s := &service{Config: c, seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "spoilbook_http_seconds",
		Help: "Time to answer HTTP requests.", Buckets: prometheus.ExponentialBuckets(0.001, 4, 8)}, []string{"route", "status"})}
	c.Registry.MustRegister(s.seconds)
	gin.SetMode(gin.ReleaseMode)
	router := gin.New()
	router.Use(s.observe, s.recover, s.limit)
	router.NoRoute(func(g *gin.Context) {
		writeProblem(g, ledger.Fail(ledger.NotFound, "there is no %s %s", g.Request.Method, g.Request.URL.Path))
	})
	router.GET("/metrics", gin.WrapH(promhttp.HandlerFor(c.Registry, promhttp.HandlerOpts{})))
	config := huma.DefaultConfig("Spoilbook", c.Version)
	config.Info.Description = "The site operations ledger of vacuum-excavation trucks."
	config.DocsPath = ""    // its page would load scripts from elsewhere
	config.SchemasPath = "" // and with it the $schema links, which are no part of the answers
	config.CreateHooks = nil
	a := humagin.New(router, config)
	s.addHealth(a)
	s.addEvents(a)
	s.addReports(a)
	s.addQuarantine(a)
	s.addPostings(a)
	return router
}

// limit bounds the body and the time of every request.
func (s *service) limit(g *gin.Context) {
	g.Request.Body = http.MaxBytesReader(g.Writer, g.Request.Body, MaxBodyBytes)
	ctx, cancel := context.WithTimeout(g.Request.Context(), RequestTimeout)
	defer cancel()
	g.Request = g.Request.WithContext(ctx)
	g.Next()
}

// recover turns a panic into an answer, except the one that aborts a download.
func (s *service) recover(g *gin.Context) {
	defer func() {
		if v := recover(); v != nil {
			if v == http.ErrAbortHandler {
				panic(v)
			}
			s.Logger.Error("api: panic", "path", g.Request.URL.Path, "value", v)
			writeProblem(g, ledger.Fail(ledger.Internal, "the request could not be handled"))
		}
	}()
	g.Next()
}

func (s *service) observe(g *gin.Context) {
	start := time.Now()
	g.Next()
	route := g.FullPath()
	if route == "" {
		route = "none"
	}
	status := http.StatusText(g.Writer.Status())
	s.seconds.WithLabelValues(route, status).Observe(time.Since(start).Seconds())
	s.Logger.Info("api", "method", g.Request.Method, "path", g.Request.URL.Path, "status", g.Writer.Status(), "ms", time.Since(start).Milliseconds())
}
