package api

import (
	"context"
	"encoding/json"
	"errors"
	"net/http"

	"github.com/gin-gonic/gin"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// problem is an RFC 9457 problem with what to do about it and, for bad events,
// the fields that are wrong.
type problem struct {
	Type   string              `json:"type" example:"urn:spoilbook:problem:not-found"`
	Title  string              `json:"title"`
	Status int                 `json:"status"`
	Detail string              `json:"detail"`
	Do     string              `json:"do" doc:"what to do about it"`
	Fields []events.FieldError `json:"fields,omitempty"`
}

// Error returns the detail.
func (p *problem) Error() string { return p.Detail }

// GetStatus returns the HTTP status.
func (p *problem) GetStatus() int { return p.Status }

// ContentType returns the media type of problems.
func (p *problem) ContentType(string) string { return "application/problem+json" }

// problemOf turns an error of a use case into its answer. The cause is told only
// where it is the caller's; operators find the rest in the log.
func (s *service) problemOf(err error) error {
	if err == nil {
		return nil
	}
	p := asProblem(err)
	if p.Status >= 500 {
		s.Logger.Error("api", "error", err)
	}
	return p
}

func asProblem(err error) *problem {
	code := ledger.CodeOf(err)
	if code == ledger.Internal && (errors.Is(err, context.DeadlineExceeded) || errors.Is(err, context.Canceled)) {
		code = ledger.TimedOut
	}
	outcome := ledger.OutcomeOf(code)
	p := &problem{Type: "urn:spoilbook:problem:" + string(code), Title: http.StatusText(outcome.Status), Status: outcome.Status, Do: outcome.Do}
	var coded *ledger.Error
	switch {
	case p.Status < 500:
		p.Detail = err.Error()
	case errors.As(err, &coded):
		p.Detail = coded.What
	default:
		p.Detail = "the request could not be handled"
	}
	var invalid *events.ValidationError
	if errors.As(err, &invalid) {
		p.Fields = invalid.Fields
	}
	return p
}

// writeProblem answers outside of huma.
func writeProblem(g *gin.Context, err error) {
	p := asProblem(err)
	body, marshalErr := json.Marshal(p)
	if marshalErr != nil {
		g.AbortWithStatus(http.StatusInternalServerError)
		return
	}
	g.Data(p.Status, p.ContentType(""), body)
	g.Abort()
}
