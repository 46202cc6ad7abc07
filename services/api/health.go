package api

import (
	"context"
	"encoding/hex"
	"net/http"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/services/ledger"
)

// HealthView says that the service answers, or that it does its work.
type HealthView struct {
	Status  string `json:"status" enum:"live,ready"`
	Version string `json:"version"`
}

type healthOutput struct{ Body HealthView }

type headOutput struct {
	Body HeadView
}

// HeadView is where the ledger stands.
type HeadView struct {
	Position     uint64    `json:"position"`
	RootPosition uint64    `json:"rootPosition"`
	Root         string    `json:"root" doc:"RFC 6962 Merkle root over the events up to rootPosition, hex"`
	At           time.Time `json:"at,omitzero" doc:"when the last block was stored; absent while there is none"`
}

func (s *service) addHealth(a huma.API) {
	tags := []string{"operations"}
	huma.Register(a, huma.Operation{OperationID: "live", Method: http.MethodGet, Path: "/health/live", Summary: "Whether the process answers", Tags: tags},
		func(context.Context, *struct{}) (*healthOutput, error) { return s.healthy("live"), nil })
	huma.Register(a, huma.Operation{OperationID: "ready", Method: http.MethodGet, Path: "/health/ready", Summary: "Whether events are taken, recorded and reported", Tags: tags}, s.ready)
	huma.Register(a, huma.Operation{OperationID: "head", Method: http.MethodGet, Path: "/v1/head", Summary: "Where the ledger stands", Tags: tags}, s.head)
}

func (s *service) healthy(status string) *healthOutput {
	out := &healthOutput{}
	out.Body.Status, out.Body.Version = status, s.Version
	return out
}

func (s *service) ready(ctx context.Context, _ *struct{}) (*healthOutput, error) {
	ctx, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	if err := s.Ledger.Health(ctx); err != nil {
		return nil, s.problemOf(ctx, err)
	}
	if s.Ready != nil {
		if err := s.Ready(ctx); err != nil {
			return nil, s.problemOf(ctx, ledger.Wrap(ledger.StoreDown, err, "not ready"))
		}
	}
	return s.healthy("ready"), nil
}

func (s *service) head(ctx context.Context, _ *struct{}) (*headOutput, error) {
	h, err := s.Ledger.Head(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &headOutput{HeadView{Position: h.Position, RootPosition: h.RootPosition, Root: hex.EncodeToString(h.Root[:]), At: h.At.UTC()}}, nil
}
