package api

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// IssueRequest says which report is given out, under which number and by whom.
type IssueRequest struct {
	Report string `json:"report" enum:"manifest,water,timesplit,billable,care,stops,axles" example:"billable"`
	Number string `json:"number" minLength:"1" maxLength:"40" example:"INV-1" doc:"letters, digits, dots, _ and -; given once"`
	From   string `json:"from" format:"date" example:"2026-10-01" doc:"first local day"`
	To     string `json:"to" format:"date" example:"2026-10-31" doc:"last local day, included"`
	Zone   string `json:"tz" minLength:"1" example:"Europe/Dublin" doc:"time zone of the days"`
	Truck  string `json:"truck,omitempty" doc:"only this truck"`
	Job    string `json:"job,omitempty" doc:"only this job"`
	Client string `json:"client,omitempty" doc:"only this client"`

	Profile    string `json:"profile,omitempty" doc:"manifest: completeness profile"`
	Rest       string `json:"rest,omitempty" doc:"timesplit: rules of work and rest"`
	Allocation string `json:"allocation,omitempty" enum:"pro-rata,first-in-first-out" doc:"how a tip is shared over the loads in the tank; pro-rata when left out"`
	AxleRule   string `json:"axleRule,omitempty" enum:"permitted,bridge" doc:"axles: what axles are held against; permitted when left out"`
	AltitudeM  int64  `json:"altitudeM,omitempty" minimum:"-500" maximum:"6000" doc:"care: altitude of the sites in metres above sea level"`

	Author string `json:"author" minLength:"1" maxLength:"80" doc:"who issues it"`
}

type issueInput struct{ Body IssueRequest }

type issuedOutput struct{ Body ledger.IssuedView }

// IssuedList is every report that was given out, in the order of their events.
type IssuedList struct {
	Issued []ledger.IssuedView `json:"issued"`
}

type issuedListOutput struct{ Body IssuedList }

type adjustmentInput struct {
	Number   string `path:"number" example:"INV-1"`
	Position uint64 `query:"at-position" doc:"ledger position to compare at; 0 is the head"`
	Format   string `query:"format" default:"json" enum:"json,xlsx,csv,zip,text"`
	Table    string `query:"table" doc:"csv: which table; the first when left out"`
	By       string `query:"by" maxLength:"80" doc:"who asks, for the cover"`
	MannerInput
}

func (s *service) addIssued(a huma.API) {
	tags := []string{"issued"}
	huma.Register(a, huma.Operation{OperationID: "issue-report", Method: http.MethodPost, Path: "/v1/issued", Tags: tags, Summary: "Give a report out under a number",
		Description: "It is computed as the ledger stands and recorded with the position it covers, what was chosen for it, and the digest of its export as JSON. Nothing that comes later changes it."}, s.issue)
	huma.Register(a, huma.Operation{OperationID: "list-issued", Method: http.MethodGet, Path: "/v1/issued", Tags: tags, Summary: "The reports that were given out"}, s.listIssued)
	huma.Register(a, huma.Operation{OperationID: "adjustment", Method: http.MethodGet, Path: "/v1/issued/{number}/adjustment", Tags: tags, Summary: "What has become of an issued invoice",
		Description: "The issued billable report against the same query at a later position: lines added, removed and changed, with the events that brought it about."}, s.adjustment)
}

// digested writes what an issued report's digest is taken of: its export as JSON, as
// anybody gets it who asks for the report at its position and does not say who asks.
func (s *service) digested(ctx context.Context, w io.Writer, r *ledger.Report) error {
	return s.Write(ctx, w, r, Form{Format: "json"})
}

func (s *service) issue(ctx context.Context, in *issueInput) (*issuedOutput, error) {
	if err := identityOf(ctx).May(access.IssueReport, access.Object{Report: in.Body.Report}); err != nil {
		return nil, s.problemOf(ctx, err)
	}
	period, err := s.Ledger.PeriodOf(in.Body.From, in.Body.To, in.Body.Zone)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	q := ledger.ReportQuery{Name: in.Body.Report, Period: period,
		Choices: ledger.Choices{Profile: in.Body.Profile, Rest: in.Body.Rest, Allocation: in.Body.Allocation, AxleRule: in.Body.AxleRule, AltitudeM: in.Body.AltitudeM},
		Filter:  reports.Filter{Truck: events.TruckID(in.Body.Truck), Job: events.JobID(in.Body.Job), Client: events.ClientID(in.Body.Client)}}
	issued, err := s.Ledger.Issue(ctx, q, in.Body.Number, s.authorOf(ctx, in.Body.Author), s.digested)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &issuedOutput{issued.View()}, nil
}

func (s *service) listIssued(ctx context.Context, _ *struct{}) (*issuedListOutput, error) {
	list, err := s.Ledger.IssuedReports(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	out := &issuedListOutput{IssuedList{[]ledger.IssuedView{}}}
	for i := range list {
		out.Body.Issued = append(out.Body.Issued, list[i].View())
	}
	return out, nil
}

func (s *service) adjustment(ctx context.Context, in *adjustmentInput) (*huma.StreamResponse, error) {
	if !slices.Contains(s.Formats, in.Format) {
		return nil, s.problemOf(ctx, ledger.Fail(ledger.BadRequest, "format: found %q; allowed: %s", in.Format, strings.Join(s.Formats, ", ")))
	}
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	r, err := s.Ledger.Adjustment(ctx, in.Number, in.Position, s.digested)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return s.export(ctx, r, in.form(Form{Format: in.Format, Table: in.Table, By: in.By}), "adjustment-"+in.Number)
}

// export writes a computed report, whole, and answers with what was written, as a file
// of that name.
func (s *service) export(ctx context.Context, r *ledger.Report, f Form, file string) (*huma.StreamResponse, error) {
	name := ""
	if f.Format != "json" && f.Format != "text" {
		name = file + "." + f.Format
	}
	header := map[string]string{"Content-Type": mediaTypes(f.Format), "X-Ledger-Position": fmt.Sprint(r.Position)}
	return s.sendWhole(ctx, name, header, func(w io.Writer) error { return s.Write(ctx, w, r, f) })
}

// sendWhole answers with what write writes once all of it is written; name is that
// of the file to save it in, if any.
func (s *service) sendWhole(ctx context.Context, name string, header map[string]string, write func(io.Writer) error) (*huma.StreamResponse, error) {
	leave, err := s.downloads.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	whole := &spool{}
	if err := write(whole); err != nil {
		leave()
		return nil, s.problemOf(ctx, errors.Join(err, whole.Close()))
	}
	return &huma.StreamResponse{Body: func(h huma.Context) {
		defer leave()
		h.SetHeader("Content-Length", fmt.Sprint(whole.size))
		for name, value := range header {
			h.SetHeader(name, value)
		}
		if name != "" {
			h.SetHeader("Content-Disposition", fmt.Sprintf("attachment; filename=%q", plainName(name)))
		}
		_, err := whole.WriteTo(h.BodyWriter())
		if err = errors.Join(err, whole.Close()); err != nil {
			s.Logger.Warn("api: answer broke off", "request", requestID(ctx), "error", err)
			panic(http.ErrAbortHandler) // the client sees a broken download, never a short file
		}
	}}, nil
}

// sendJSON answers with a page, which may be long.
func (s *service) sendJSON(ctx context.Context, page any) (*huma.StreamResponse, error) {
	return s.sendWhole(ctx, "", map[string]string{"Content-Type": "application/json"}, func(w io.Writer) error { return json.NewEncoder(w).Encode(page) })
}

// plainName is a text as a file name that means the same everywhere: no path, no
// quotes, no line breaks, and none of a dot in front.
func plainName(text string) string {
	name := strings.Map(func(c rune) rune {
		if c == '.' || c == '-' || c == '_' || c >= '0' && c <= '9' || c >= 'A' && c <= 'Z' || c >= 'a' && c <= 'z' {
			return c
		}
		return '_'
	}, text)
	return strings.TrimLeft(name, ".")
}
