package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"strings"

	"github.com/danielgtaylor/huma/v2"
	"github.com/gin-gonic/gin"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// problemMedia is the media type of RFC 9457.
const problemMedia = "application/problem+json"

// Problem is an RFC 9457 problem with what to do about it and, where fields are
// wrong, which. Its type names the ledger's code; its status is the one that the
// code has in the ledger's table, except where HTTP has a more exact one (405,
// 406, 408, 415, 421, 422, 431).
type Problem struct {
	Type     string              `json:"type" example:"urn:spoilbook:problem:not-found" doc:"urn:spoilbook:problem: and the code of the failure"`
	Title    string              `json:"title" example:"Not Found"`
	Status   int                 `json:"status" example:"404"`
	Detail   string              `json:"detail" example:"event: the ledger has no position 7"`
	Do       string              `json:"do" doc:"what to do about it"`
	Instance string              `json:"instance,omitempty" doc:"urn:spoilbook:request: and the X-Request-Id of the answer, under which the log has it"`
	Fields   []events.FieldError `json:"fields,omitempty" doc:"what is wrong, field by field"`
}

// Error returns the detail.
func (p *Problem) Error() string { return p.Detail }

// GetStatus returns the HTTP status.
func (p *Problem) GetStatus() int { return p.Status }

// ContentType returns the media type of problems.
func (p *Problem) ContentType(string) string { return problemMedia }

// problemOf turns an error of a use case into its answer. The cause is told only
// where it is the caller's; operators find the rest in the log.
func (s *service) problemOf(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	var p *Problem
	if !errors.As(err, &p) {
		p = asProblem(ctx, err)
	}
	// Who went away is told nothing, and is no failure of ours.
	if p.Status >= 500 && !errors.Is(ctx.Err(), context.Canceled) {
		s.Logger.Error("api", "request", requestID(ctx), "error", err)
	}
	return p
}

func asProblem(ctx context.Context, err error) *Problem {
	code := ledger.CodeOf(err)
	// A store that was asked for too long says only that it gave no answer.
	if errors.Is(ctx.Err(), context.DeadlineExceeded) || code == ledger.Internal && errors.Is(err, context.DeadlineExceeded) {
		code = ledger.TimedOut
	}
	p := newProblem(code, ledger.OutcomeOf(code).Status)
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

func problemType(code ledger.Code) string { return "urn:spoilbook:problem:" + string(code) }

func newProblem(code ledger.Code, status int) *Problem {
	return &Problem{Type: problemType(code), Title: http.StatusText(status), Status: status, Do: ledger.OutcomeOf(code).Do}
}

// codeOfStatus names the failure behind a status that HTTP handling gives by
// itself.
func codeOfStatus(status int) ledger.Code {
	switch {
	case status == http.StatusNotFound:
		return ledger.NotFound
	case status == http.StatusRequestEntityTooLarge, status == http.StatusRequestHeaderFieldsTooLarge:
		return ledger.TooLarge
	case status == http.StatusRequestTimeout:
		return ledger.TimedOut
	case status >= 500:
		return ledger.Internal
	}
	return ledger.BadRequest
}

// httpProblem is a failure that only HTTP knows.
func httpProblem(status int, format string, args ...any) *Problem {
	p := newProblem(codeOfStatus(status), status)
	p.Detail = fmt.Sprintf(format, args...)
	return p
}

// transform is huma's hook before an answer is encoded. It makes huma's own
// errors, such as a parameter out of range, problems like all others, and notes
// the request in each.
func transform(ctx huma.Context, _ string, v any) (any, error) {
	var p Problem
	switch e := v.(type) {
	case *Problem:
		p = *e
	case *huma.ErrorModel:
		p = *fromHuma(e)
	default:
		return v, nil
	}
	p.Instance = instanceOf(ctx.Context())
	if p.Type == problemType(ledger.Busy) {
		ctx.SetHeader("Retry-After", "1")
	}
	return &p, nil
}

func fromHuma(e *huma.ErrorModel) *Problem {
	p := httpProblem(e.Status, "%s", e.Detail)
	if e.Status >= 500 {
		p.Detail = "the request could not be handled"
		return p
	}
	for _, d := range e.Errors {
		if d == nil {
			continue
		}
		f := events.FieldError{Field: d.Location, Found: excerpt(d.Value), Allowed: d.Message}
		p.Fields = append(p.Fields, f)
		p.Detail += "; " + f.Error()
	}
	return p
}

// excerpt shows a wrong value, and no more than its beginning.
func excerpt(v any) string {
	const most = 80
	text := strings.ToValidUTF8(fmt.Sprint(v), "�")
	if v == nil || text == "" {
		return "nothing"
	}
	if len(text) > most {
		return fmt.Sprintf("%q…", strings.ToValidUTF8(text[:most], ""))
	}
	return fmt.Sprintf("%q", text)
}

// writeProblem answers outside of huma.
func writeProblem(g *gin.Context, p *Problem) {
	ours := *p
	ours.Instance = instanceOf(g.Request.Context())
	g.Abort()
	body, err := json.Marshal(ours)
	if err != nil {
		g.Status(http.StatusInternalServerError)
		return
	}
	g.Data(p.Status, problemMedia, append(body, '\n'))
}
