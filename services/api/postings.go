package api

import (
	"bytes"
	"context"
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

type postingsOutput struct {
	ContentType string `header:"Content-Type"`
	Body        []byte
}

type rebuildOutput struct{ Body ledger.Rebuilt }

func (s *service) addPostings(a huma.API) {
	tags := []string{"ledger"}
	huma.Register(a, huma.Operation{OperationID: "postings", Method: http.MethodGet, Path: "/v1/postings", Tags: tags,
		Summary: "The tanks' double-entry movements as a plain-text journal"}, s.postings)
	huma.Register(a, huma.Operation{OperationID: "rebuild", Method: http.MethodPost, Path: "/v1/rebuild", Tags: tags,
		Summary: "Read every event again and hold it against its hash and the Merkle roots"}, s.rebuild)
}

func (s *service) postings(ctx context.Context, in *postingsInput) (*postingsOutput, error) {
	leave, err := s.reports.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	var b bytes.Buffer
	if err := s.Ledger.Postings(ctx, &b, events.TruckID(in.Truck), in.Zone, in.Position); err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &postingsOutput{"text/plain; charset=utf-8", b.Bytes()}, nil
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
