// Package api offers the ledger over HTTP: gin routes, huma operations with an
// OpenAPI 3.1 description at /openapi.json, and RFC 9457 errors. Handlers decode,
// call a use case and encode; no rule lives here. For example
//
//	POST /v1/events?wait=10s        one event, a batch, or NDJSON; 200 says what became of each
//	GET  /v1/events?truck=TM-01     recorded events in order of position
//	GET  /v1/events.parquet         all of them as rows for other tools; /v1/events.csv too
//	GET  /v1/reports/water?from=2026-10-01&to=2026-10-31&tz=Europe/Dublin&format=xlsx
//	GET  /v1/reports/billable/explain?from=2026-10-01&to=2026-10-31&tz=Europe/Dublin&line=KEY
//	POST /v1/issued                 give a report out; GET /v1/issued/INV-1/adjustment says what became of it
//	GET  /v1/quarantine             what could not be recorded, and why
//	GET  /health/live, /health/ready, /metrics
//
// Config.Access knows who asks, by a token or a session, and every operation asks it
// first; without it everybody may do everything, so bind such a service to loopback. What a browser sends for a page of another site is refused, and so is a
// name that is not ours.
package api

import (
	"context"
	"io"
	"log/slog"
	"net/http"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"
	"github.com/danielgtaylor/huma/v2/adapters/humagin"
	"github.com/gin-gonic/gin"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// Limits of a request.
const (
	MaxBodyBytes   = 64 << 20
	MaxHeaderBytes = 64 << 10 // with the address
	RequestTimeout = 2 * time.Minute
	MaxWait        = time.Minute // longest wait for events to be recorded
	MaxConnections = 512         // see Limited

	writeTimeout = 10 * time.Minute
	maxPageBytes = 16 << 20 // of event bodies in one answer; a page ends before it grows larger
	maxWaiting   = 512      // requests that wait for events to be recorded
	maxListing   = 2        // pages read at a time, for each is held in memory
)

// Config is what the API is made of.
type Config struct {
	Ledger   *ledger.Ledger
	Write    func(ctx context.Context, w io.Writer, r *ledger.Report, f Form) error // exports a report
	Formats  []string
	Ready    func(ctx context.Context) error // why the service should get no traffic, or nil
	Rows     []RowFormat                     // in which events are given as rows; may be empty
	Streams  []byte                          // the AsyncAPI description of the broker's streams; may be nil
	Registry *prometheus.Registry            // may be nil
	Logger   *slog.Logger
	Version  string
	Copy     Copier           // hands the ledger over to be copied; may be nil
	Access   *access.Book     // who may do what; nil means that everybody who reaches the service may do everything
	Pages    http.Handler     // answers what is no route of the API; may be nil
	Behind   bool             // something in front of the service, on this machine, speaks HTTPS and says in X-Forwarded-For who asks
	Now      func() time.Time // nil means the clock
	Hosts    []string         // names, besides localhost and addresses, under which clients reach the service
	Timeout  time.Duration    // of one request; 0 means RequestTimeout
	Limits   Limits
}

// Form is how a report is written. Table is the one that CSV is of, "" for the first;
// By who asks for it, for its cover; Workings, that JSON and CSV say how each line came
// about, as workbooks always do. The units are named as reports.MeasuresNamed has them and
// the language by its code; where they are empty a report is metric and in English.
type Form struct {
	Format, Table, By              string
	Workings                       bool
	SpoilUnit, WaterUnit, MassUnit string
	Language                       string
}

type service struct {
	Config
	seconds     *prometheus.HistogramVec
	crossOrigin *http.CrossOriginProtection
	bodies      room
	pace        *pace
	reports     *gate
	downloads   *gate
	listing     *gate
	waiting     *gate
	copies      *gate

	known, strangers *access.Turnstile // how often they ask
}

// Server returns an HTTP server of all routes, with its limits of time and size.
func Server(c Config) *http.Server {
	return &http.Server{Handler: New(c), ReadHeaderTimeout: 10 * time.Second, ReadTimeout: RequestTimeout, WriteTimeout: writeTimeout,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 4 * MaxHeaderBytes} // the handler's own limit answers with a problem
}

// New returns the handler of all routes.
func New(c Config) http.Handler {
	if c.Logger == nil {
		c.Logger = slog.New(slog.DiscardHandler)
	}
	if c.Registry == nil {
		c.Registry = prometheus.NewRegistry()
	}
	if c.Timeout <= 0 {
		c.Timeout = RequestTimeout
	}
	c.Limits.complete()
	s := &service{Config: c, crossOrigin: http.NewCrossOriginProtection(), pace: newPace(c.Ledger, c.Limits),
		reports: newGate(c.Limits.Reports, c.Limits.Queue), downloads: newGate(c.Limits.Downloads, c.Limits.Queue),
		listing: newGate(maxListing, c.Limits.Queue), waiting: newGate(maxWaiting, c.Limits.Queue),
		copies: newGate(maxCopies, c.Limits.Queue),
		seconds: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "spoilbook_http_seconds",
			Help: "Time to answer HTTP requests.", Buckets: prometheus.ExponentialBuckets(0.001, 4, 8)}, []string{"route", "status"})}
	s.turnstiles()
	s.bodies.free.Store(c.Limits.BodyBytes)
	c.Registry.MustRegister(s.seconds)
	router := s.router()
	config := huma.DefaultConfig("Spoilbook", c.Version)
	config.Info.Description = "The site operations ledger of vacuum-excavation trucks."
	config.OpenAPIPath = ""                             // it is served below, after it is completed
	config.DocsPath = ""                                // its page would load scripts from elsewhere
	config.SchemasPath, config.CreateHooks = "", nil    // and with them the $schema links, which are no part of the answers
	config.Transformers = []huma.Transformer{transform} // huma's errors become problems of ours
	a := humagin.New(router, config)
	a.UseMiddleware(s.permit)
	s.addHealth(a)
	s.addEvents(a)
	s.addRows(a)
	s.addSources(a)
	s.addReports(a)
	s.addExplanations(a)
	s.addIssued(a)
	s.addQuarantine(a)
	s.addPostings(a)
	s.addCopy(a)
	s.addPeople(a)
	s.addYard(a)
	router.GET("/metrics", s.permitRoute(access.Metrics, gin.WrapH(promhttp.HandlerFor(c.Registry, promhttp.HandlerOpts{}))))
	router.GET("/openapi.json", s.permitRoute(access.Description, s.description(a)))
	router.GET("/asyncapi.json", s.permitRoute(access.DescribeStream, s.streams))
	return router
}

// router returns a router that has the middleware and no routes.
func (s *service) router() *gin.Engine {
	gin.SetMode(gin.ReleaseMode)
	router := gin.New()
	router.RedirectTrailingSlash, router.HandleMethodNotAllowed = false, true
	router.Use(identify, s.behind, s.observe, s.recover, s.guard, s.limit, s.authenticate)
	router.NoRoute(func(g *gin.Context) {
		if s.Pages != nil && !ofTheAPI(g.Request.URL.Path) {
			g.Status(http.StatusOK) // gin has set 404 already
			s.Pages.ServeHTTP(g.Writer, g.Request)
			g.Abort()
			return
		}
		writeProblem(g, httpProblem(http.StatusNotFound, "there is no %s; see /openapi.json", excerpt(g.Request.URL.Path)))
	})
	router.NoMethod(func(g *gin.Context) {
		writeProblem(g, httpProblem(http.StatusMethodNotAllowed, "%s does not answer %s; see /openapi.json", excerpt(g.Request.URL.Path), excerpt(g.Request.Method)))
	})
	return router
}

// ofTheAPI reports whether a path belongs to the API, so that no page answers for it.
func ofTheAPI(path string) bool {
	for _, prefix := range []string{"/v1/", "/health/", "/metrics", "/openapi.json", "/asyncapi.json"} {
		if strings.HasPrefix(path, prefix) {
			return true
		}
	}
	return false
}
