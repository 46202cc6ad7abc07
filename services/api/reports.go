package api

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/ledger"
)

type reportInput struct {
	Name     string `path:"name" enum:"manifest,water,timesplit,billable,care,stops,axles" example:"water"`
	From     string `query:"from" required:"true" format:"date" example:"2026-10-01" doc:"first local day"`
	To       string `query:"to" required:"true" format:"date" example:"2026-10-31" doc:"last local day, included"`
	Zone     string `query:"tz" required:"true" example:"Europe/Dublin" doc:"time zone of the days"`
	Truck    string `query:"truck" doc:"only this truck"`
	Job      string `query:"job" doc:"only this job"`
	Client   string `query:"client" doc:"only this client"`
	Position uint64 `query:"at-position" doc:"ledger position to report at; 0 is the head"`
	Profile  string `query:"profile" doc:"manifest: completeness profile"`
	Format   string `query:"format" default:"json" enum:"json,xlsx,csv,zip,text"`
	Table    string `query:"table" doc:"csv: which table; the first when left out"`
	By       string `query:"by" maxLength:"80" doc:"who asks, for the cover"`
}

// mediaTypes are those of the export formats.
func mediaTypes(format string) string {
	switch format {
	case "xlsx":
		return "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"
	case "csv":
		return "text/csv; charset=utf-8"
	case "zip":
		return "application/zip"
	case "text":
		return "text/plain; charset=utf-8"
	}
	return "application/json"
}

// ReportList names the reports and the formats in which each is written.
type ReportList struct {
	Reports []string `json:"reports"`
	Formats []string `json:"formats"`
}

type reportListOutput struct{ Body ReportList }

func (s *service) addReports(a huma.API) {
	huma.Register(a, huma.Operation{OperationID: "list-reports", Method: http.MethodGet, Path: "/v1/reports", Summary: "The reports there are", Tags: []string{"reports"}},
		func(context.Context, *struct{}) (*reportListOutput, error) {
			out := &reportListOutput{}
			out.Body.Reports, out.Body.Formats = ledger.ReportNames(), s.Formats
			return out, nil
		})
	huma.Register(a, huma.Operation{OperationID: "run-report", Method: http.MethodGet, Path: "/v1/reports/{name}", Summary: "Compute a report and download it", Tags: []string{"reports"},
		Description: "The same query at the same position gives the same bytes for ever."}, s.report)
}

func (s *service) report(ctx context.Context, in *reportInput) (*huma.StreamResponse, error) {
	if !slices.Contains(s.Formats, in.Format) {
		return nil, s.problemOf(ctx, ledger.Fail(ledger.BadRequest, "format: found %q; allowed: %s", in.Format, strings.Join(s.Formats, ", ")))
	}
	period, err := s.Ledger.PeriodOf(in.From, in.To, in.Zone)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	r, err := s.Ledger.Report(ctx, ledger.ReportQuery{Name: in.Name, Period: period, UpTo: in.Position, Profile: in.Profile,
		Filter: reports.Filter{Truck: events.TruckID(in.Truck), Job: events.JobID(in.Job), Client: events.ClientID(in.Client)}})
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	if in.Format == "csv" && in.Table != "" && !slices.ContainsFunc(r.Document.Tables, func(t reports.Table) bool { return t.Name == in.Table }) {
		return nil, s.problemOf(ctx, ledger.Fail(ledger.NotFound, "report %s has no table %q", in.Name, in.Table))
	}
	return &huma.StreamResponse{Body: func(h huma.Context) {
		h.SetHeader("Content-Type", mediaTypes(in.Format))
		h.SetHeader("X-Ledger-Position", fmt.Sprint(r.Position))
		if in.Format != "json" && in.Format != "text" {
			h.SetHeader("Content-Disposition", fmt.Sprintf(`attachment; filename="%s-%s-%s.%s"`, in.Name, in.From, in.To, in.Format))
		}
		if err := s.Write(ctx, h.BodyWriter(), r, in.Format, in.Table, in.By); err != nil {
			s.Logger.Error("api: export cut off", "report", in.Name, "error", err)
			panic(http.ErrAbortHandler) // the client sees a broken download, never a short file
		}
	}}, nil
}
