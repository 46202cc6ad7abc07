package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/gin-gonic/gin"

	"spoilbook/events"
	"spoilbook/events/wire"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// identityOf returns who asks, the zero Identity for somebody who has not signed in.
func identityOf(ctx context.Context) access.Identity { return access.From(ctx) }

// authenticate finds out who asks: by the token in the Authorization header, or by the session's cookie. A wrong token is refused even where
// nobody need sign in, for its sender believes something that is not so; a session that is over is as none.
func (s *service) authenticate(g *gin.Context) {
	who, err := s.whoAsks(g.Request)
	if !s.pass(g, who) {
		return
	}
	if err != nil {
		writeProblem(g, asProblem(g.Request.Context(), err))
		return
	}
	g.Request = g.Request.WithContext(access.With(g.Request.Context(), who))
}

func (s *service) whoAsks(r *http.Request) (access.Identity, error) {
	if s.Access == nil {
		return access.Everyone(), nil
	}
	if header := r.Header.Get("Authorization"); header != "" {
		scheme, token, _ := strings.Cut(header, " ")
		if !strings.EqualFold(scheme, "Bearer") {
			return access.Identity{}, ledger.Fail(ledger.SignInNeeded, "Authorization: found the scheme %s; allowed: Bearer with a token", excerpt(scheme))
		}
		return s.Access.ByToken(r.Context(), strings.TrimSpace(token))
	}
	key := sessionOf(r)
	if key == "" {
		return access.Identity{}, nil
	}
	who, err := s.Access.BySession(r.Context(), key)
	if ledger.CodeOf(err) == ledger.SignInNeeded {
		return access.Identity{}, nil
	}
	return who, err
}

func sessionOf(r *http.Request) string {
	c, err := r.Cookie(access.CookieName(access.IsSecure(r)))
	if errors.Is(err, http.ErrNoCookie) || c == nil {
		return ""
	}
	return c.Value
}

// permit asks the table of roles before an operation's own code runs. What an operation is done to is in its path and query; where it is in the
// body, the operation asks again.
func (s *service) permit(h huma.Context, next func(huma.Context)) {
	op := h.Operation()
	err := identityOf(h.Context()).May(access.Operation(op.OperationID), access.Object{Report: h.Param("name"), Truck: events.TruckID(h.Query("truck"))})
	if err == nil {
		next(h)
		return
	}
	p := asProblem(h.Context(), err)
	p.Instance = instanceOf(h.Context())
	writeHumaProblem(h, p)
}

// permitRoute is permit for a route outside of huma.
func (s *service) permitRoute(op access.Operation, next gin.HandlerFunc) gin.HandlerFunc {
	return func(g *gin.Context) {
		if err := identityOf(g.Request.Context()).May(op, access.Object{}); err != nil {
			writeProblem(g, asProblem(g.Request.Context(), err))
			return
		}
		next(g)
	}
}

// mayEnter asks for each event of a submission whether who asks can vouch for it. A message that can not be read says nothing that could be
// vouched for: it goes to the quarantine whole, whoever of those who enter events sends it.
// Where nobody signs in everybody may enter anything, and no event is decoded to ask.
func (s *service) mayEnter(ctx context.Context, msgs []ledger.Message) error {
	if s.Access == nil {
		return nil
	}
	who := identityOf(ctx)
	for i := range msgs {
		e, err := wire.Decode(msgs[i].Body)
		if err != nil {
			continue
		}
		if err := who.May(access.SubmitEvents, access.Object{Truck: e.Truck, Kind: e.Kind(), Source: e.Source}); err != nil {
			return ledger.Wrap(ledger.NotAllowed, err, "event %d of %d, %s %s", i+1, len(msgs), e.Source, e.ID)
		}
	}
	return nil
}

// authorOf is whose name stands in an entry: that of who has signed in, or, where nobody does, the one that was given.
func (s *service) authorOf(ctx context.Context, given string) string {
	if s.Access == nil {
		return given
	}
	return identityOf(ctx).Author()
}

// writeHumaProblem answers from a middleware of huma.
func writeHumaProblem(h huma.Context, p *Problem) {
	body, err := json.Marshal(p)
	if err != nil {
		h.SetStatus(http.StatusInternalServerError)
		return
	}
	h.SetHeader("Content-Type", problemMedia)
	h.SetStatus(p.Status)
	_, _ = h.BodyWriter().Write(append(body, '\n')) // a client that has gone away is told nothing
}
