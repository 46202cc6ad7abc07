package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/ledger"
)

// LinesInput chooses a report by its name and query. It is exported because huma looks
// into embedded structs by that.
type LinesInput struct {
	Name     string `path:"name" enum:"manifest,water,timesplit,billable,care,stops,axles" example:"timesplit"`
	From     string `query:"from" required:"true" format:"date" example:"2026-10-01" doc:"first local day"`
	To       string `query:"to" required:"true" format:"date" example:"2026-10-31" doc:"last local day, included"`
	Zone     string `query:"tz" required:"true" example:"Europe/Dublin" doc:"time zone of the days"`
	Truck    string `query:"truck" doc:"only this truck"`
	Job      string `query:"job" doc:"only this job"`
	Client   string `query:"client" doc:"only this client"`
	Position uint64 `query:"at-position" doc:"ledger position to report at; 0 is the head"`
	ChoiceInput
}

// ChoiceInput is what can be chosen in how a report is computed. It is exported because
// huma looks into embedded structs by that.
type ChoiceInput struct {
	Profile    string `query:"profile" doc:"manifest: completeness profile: general, england-wales-transfer-note or us-hazardous-waste-manifest"`
	Rest       string `query:"rest" doc:"timesplit: rules of work and rest: nz-work-time, eu-561-2006 or us-395"`
	Allocation string `query:"allocation" enum:"pro-rata,first-in-first-out" doc:"manifest, water, timesplit, billable, axles: how a tip is shared over the loads in the tank; pro-rata, by mass, when left out"`
	AxleRule   string `query:"axle-rule" enum:"permitted,bridge" doc:"axles: what axles are held against: the permitted masses of the register, or these and the US bridge formula; permitted when left out"`
	AltitudeM  int64  `query:"altitude-m" minimum:"-500" maximum:"6000" doc:"care: altitude of the sites in metres above sea level, for the deepest vacuum there can be; sea level when left out"`
}

func (c *ChoiceInput) choices() ledger.Choices {
	return ledger.Choices{Profile: c.Profile, Rest: c.Rest, Allocation: c.Allocation, AxleRule: c.AxleRule, AltitudeM: c.AltitudeM}
}

type explainInput struct {
	LinesInput
	Line  string `query:"line" required:"true" example:"TM-01/2026-10-05T05:00:00.000Z" doc:"the line's key, as the list of lines has it"`
	Table string `query:"table" doc:"the line's table; the first that has such a line when left out"`
}

// LineList names the lines of a report that can be explained.
type LineList struct {
	Lines []ledger.LineKey `json:"lines"`
}

type linesOutput struct{ Body LineList }

type explainOutput struct{ Body ledger.ExplanationView }

func (s *service) addExplanations(a huma.API) {
	tags := []string{"reports"}
	huma.Register(a, huma.Operation{OperationID: "explain-line", Method: http.MethodGet, Path: "/v1/reports/{name}/explain", Tags: tags, Summary: "How a line of a report came about",
		Description: "The events, the register as it read, the rules with their sources, and each step of the arithmetic."}, s.explain)
	huma.Register(a, huma.Operation{OperationID: "list-lines", Method: http.MethodGet, Path: "/v1/reports/{name}/lines", Tags: tags, Summary: "The lines of a report that can be explained"}, s.lines)
}

func (s *service) query(in *LinesInput) (ledger.ReportQuery, error) {
	period, err := s.Ledger.PeriodOf(in.From, in.To, in.Zone)
	return ledger.ReportQuery{Name: in.Name, Period: period, UpTo: in.Position, Choices: in.choices(),
		Filter: reports.Filter{Truck: events.TruckID(in.Truck), Job: events.JobID(in.Job), Client: events.ClientID(in.Client)}}, err
}

func (s *service) explain(ctx context.Context, in *explainInput) (*explainOutput, error) {
	q, err := s.query(&in.LinesInput)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	e, err := s.Ledger.Explain(ctx, q, in.Table, in.Line)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &explainOutput{ledger.ViewOf(e)}, nil
}

func (s *service) lines(ctx context.Context, in *LinesInput) (*linesOutput, error) {
	q, err := s.query(in)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	list, err := s.Ledger.Lines(ctx, q)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &linesOutput{LineList{list}}, nil
}
