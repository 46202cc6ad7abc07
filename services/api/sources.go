package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

type sourcesInput struct {
	Source string `query:"source" doc:"only this source, such as /truck/TM-01"`
	UpTo   uint64 `query:"at-position" doc:"as the ledger was at this position; 0 is the head"`
}

// SourceList says of each source what has come, what has not, and what came late.
type SourceList struct {
	Sources []ledger.SourceView `json:"sources"`
}

type sourcesOutput struct{ Body SourceList }

func (s *service) addSources(a huma.API) {
	huma.Register(a, huma.Operation{OperationID: "list-sources", Method: http.MethodGet, Path: "/v1/sources", Summary: "What has come of each source, what is missing since when, and what came late",
		Tags: []string{"events"}, Description: "In alphabetical order. Each source counts its events from 1, so a number that is missing below one that has come is an event that is still in its outbox, in quarantine, or lost."}, s.listSources)
}

func (s *service) listSources(ctx context.Context, in *sourcesInput) (*sourcesOutput, error) {
	list, err := s.Ledger.Sources(ctx, ledger.SourceQuery{Source: events.Source(in.Source), UpTo: in.UpTo})
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &sourcesOutput{SourceList{Sources: list}}, nil
}

// exampleSource is a truck of which one event is missing and one came late.
func exampleSource() map[string]any {
	return map[string]any{"source": "/truck/TM-01", "highest": 5, "count": 4, "recordedThrough": 2, "missingNumbers": 1, "missingRanges": 1,
		"missing":     []any{map[string]any{"from": 3, "to": 4, "since": "2026-10-05T10:00:00.000Z"}},
		"lateNumbers": 1, "longestLateMS": 1_200_000,
		"late": []any{map[string]any{"from": 4, "to": 5, "since": "2026-10-05T10:00:00.000Z", "firstCame": "2026-10-05T10:20:00.000Z",
			"lastCame": "2026-10-05T10:20:00.000Z"}},
		"lastPosition": 9, "lastRecorded": "2026-10-05T10:20:00.000Z", "lastOccurred": "2026-10-05T09:58:12.000Z", "clockMS": 840}
}
