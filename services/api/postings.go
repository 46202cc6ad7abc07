package api

import (
	"context"
	"io"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

type postingsInput struct {
	Zone     string `query:"tz" required:"true" example:"Europe/Dublin" doc:"time zone of the dates"`
	Truck    string `query:"truck" doc:"only this truck"`
	Position uint64 `query:"at-position" doc:"ledger position; 0 is the head"`
}

type rebuildOutput struct{ Body ledger.Rebuilt }

func (s *service) addPostings(a huma.API) {
	tags := []string{"ledger"}
	huma.Register(a, huma.Operation{OperationID: "postings", Method: http.MethodGet, Path: "/v1/postings", Tags: tags,
		Summary: "The tanks' double-entry movements as a plain-text journal"}, s.postings)
	huma.Register(a, huma.Operation{OperationID: "rebuild", Method: http.MethodPost, Path: "/v1/rebuild", Tags: tags,
		Summary: "Read every event again and hold it against its hash and the Merkle roots"}, s.rebuild)
}

func (s *service) postings(ctx context.Context, in *postingsInput) (*huma.StreamResponse, error) {
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	return s.sendWhole(ctx, "", map[string]string{"Content-Type": "text/plain; charset=utf-8"}, func(w io.Writer) error {
		return s.Ledger.Postings(ctx, w, events.TruckID(in.Truck), in.Zone, in.Position)
	})
}

func (s *service) rebuild(ctx context.Context, _ *struct{}) (*rebuildOutput, error) {
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	r, err := s.Ledger.Rebuild(ctx, nil)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &rebuildOutput{r}, nil
}
