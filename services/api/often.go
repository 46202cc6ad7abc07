package api

import (
	"math"
	"net"
	"net/http"
	"strconv"
	"time"

	"github.com/gin-gonic/gin"

	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// How often one side may ask, where people sign in. Trucks and programs ask a few times a second, and hand over what has piled up in batches.
const (
	userPerSecond, userBurst         = 50, 300 // of one user or token
	strangerPerSecond, strangerBurst = 5, 120  // of one place whose requests prove nothing
	maxSides                         = 20_000  // users, tokens and places that are remembered
)

func (s *service) turnstiles() {
	s.known = access.NewTurnstile(userPerSecond, userBurst, maxSides, s.Now)
	s.strangers = access.NewTurnstile(strangerPerSecond, strangerBurst, maxSides, s.Now)
}

func tooOften(wait time.Duration) error {
	return ledger.Fail(ledger.TooMany, "too many requests from this side: wait %s", max(time.Second, wait.Round(time.Second)))
}

// pass lets a side ask, or answers that it asks too often. Who has proved who they are is counted by name, so that nobody who shares their
// address can use up their turn.
func (s *service) pass(g *gin.Context, who access.Identity) bool {
	if s.Access == nil {
		return true
	}
	var wait time.Duration
	if who.Role != "" {
		wait = s.known.Pass(who.Name)
	} else {
		wait = s.strangers.Pass(s.placeOf(g.Request))
	}
	if wait > 0 {
		g.Header("Retry-After", strconv.Itoa(int(math.Ceil(wait.Seconds()))))
		writeProblem(g, asProblem(g.Request.Context(), tooOften(wait)))
		return false
	}
	return true
}

func (s *service) placeOf(r *http.Request) string {
	return access.Place(access.ClientAddress(r.Context(), r.RemoteAddr))
}

// behind notes what something in front of this service says about the client: that it speaks HTTPS, and its address. It is believed only
// from this machine.
func (s *service) behind(g *gin.Context) {
	r := g.Request
	if host, _, err := net.SplitHostPort(r.RemoteAddr); s.Behind && err == nil && net.ParseIP(host).IsLoopback() {
		ctx := access.OverTLS(r.Context())
		if address := lastOf(r.Header.Values("X-Forwarded-For")); address != "" {
			ctx = access.WithAddress(ctx, address)
		}
		g.Request = r.WithContext(ctx)
	}
	if access.IsSecure(g.Request) {
		g.Header("Strict-Transport-Security", "max-age=31536000")
	}
}

// lastOf returns the last address of a list of them: the one that the nearest server has seen itself.
func lastOf(values []string) string {
	if len(values) == 0 {
		return ""
	}
	text := values[len(values)-1]
	for k := len(text) - 1; k >= 0; k-- {
		if text[k] == ',' || text[k] == ' ' {
			return text[k+1:]
		}
	}
	return text
}
