package api

import (
	"context"
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
	Rest     string `query:"rest" doc:"timesplit: rules of work and rest: nz-work-time, eu-561-2006 or us-395"`
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
	r, err := s.Ledger.Report(ctx, ledger.ReportQuery{Name: in.Name, Period: period, UpTo: in.Position, Profile: in.Profile, Rest: in.Rest,
		Filter: reports.Filter{Truck: events.TruckID(in.Truck), Job: events.JobID(in.Job), Client: events.ClientID(in.Client)}})
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return s.export(ctx, r, export{format: in.Format, table: in.Table, by: in.By, file: strings.Join([]string{in.Name, in.From, in.To}, "-")})
}
