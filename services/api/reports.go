package api

import (
	"context"
	"net/http"
	"slices"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/services/ledger"
)

type reportInput struct {
	LinesInput
	Format   string `query:"format" default:"json" enum:"json,xlsx,csv,zip,text"`
	Table    string `query:"table" doc:"csv: which table; the first when left out"`
	Workings bool   `query:"workings" doc:"json, zip, csv: say how each line came about as well; workbooks always do"`
	By       string `query:"by" maxLength:"80" doc:"who asks, for the cover"`
	MannerInput
}

// MannerInput is what can be chosen in how a report is shown; it changes nothing of what was computed. It is exported because huma looks into
// embedded structs by that.
type MannerInput struct {
	SpoilUnit string `query:"spoil-unit" enum:"m3,l,yd3,us-gal,imp-gal" doc:"unit of volumes of spoil; cubic metres when left out. Keys of columns end in the unit."`
	WaterUnit string `query:"water-unit" enum:"l,m3,us-gal,imp-gal" doc:"unit of volumes of water; litres when left out"`
	MassUnit  string `query:"mass-unit" enum:"kg,t,short-ton,long-ton,lb" doc:"unit of masses; as the report has them, in kilograms or tonnes, when left out"`
	Language  string `query:"language" enum:"en,de" doc:"of what is fixed in a report: titles, headings, notes; sentences with figures stay English. Keys do not change."`
}

// form returns f with what was chosen.
func (m MannerInput) form(f Form) Form {
	f.SpoilUnit, f.WaterUnit, f.MassUnit, f.Language = m.SpoilUnit, m.WaterUnit, m.MassUnit, m.Language
	return f
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
		Description: "The same query at the same position gives the same bytes for ever. A workbook has a sheet Workings: how each line came about, with a formula for each step of arithmetic."}, s.report)
}

func (s *service) report(ctx context.Context, in *reportInput) (*huma.StreamResponse, error) {
	if !slices.Contains(s.Formats, in.Format) {
		return nil, s.problemOf(ctx, ledger.Fail(ledger.BadRequest, "format: found %q; allowed: %s", in.Format, strings.Join(s.Formats, ", ")))
	}
	if in.Workings && in.Format == "text" {
		return nil, s.problemOf(ctx, ledger.Fail(ledger.BadRequest, "workings: text does not hold them; ask for json, zip, csv or xlsx, or explain one line"))
	}
	q, err := s.query(&in.LinesInput)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	r, err := s.Ledger.Report(ctx, q)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return s.export(ctx, r, in.form(Form{Format: in.Format, Table: in.Table, By: in.By, Workings: in.Workings}), strings.Join([]string{in.Name, in.From, in.To}, "-"))
}
