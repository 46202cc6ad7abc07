package api

import (
	"context"
	"net/http"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/services/ledger"
)

// Copier reads the ledger row by row, in pages with a bound, for those who copy it.
type Copier interface {
	StreamEnds(ctx context.Context) ([]ledger.StreamEnd, error)
	BlockLines(ctx context.Context, stream string, after, upTo uint64) ([]ledger.BlockLine, error)
	Records(ctx context.Context, after, upTo uint64) ([]ledger.Record, error)
	Entries(ctx context.Context, after uint64) ([]ledger.Quarantined, error)
	Settlements(ctx context.Context, after uint64) ([]ledger.SettledEntry, error)
	Adoptions(ctx context.Context) (ledger.Adoptions, error)
}

// maxCopies is how many pages for copies are made at a time.
const maxCopies = 2

type copyInput struct {
	Part   string `query:"part" required:"true" enum:"streams,blocks,records,entries,settlements,adoptions" example:"streams" doc:"which rows"`
	Stream string `query:"stream" doc:"blocks: of which stream"`
	After  uint64 `query:"after" doc:"blocks: that end above this message; records: above this position; entries and settlements: above this entry"`
	UpTo   uint64 `query:"up-to" doc:"blocks: that end up to this message; records: up to this position"`
}

type copyOutput struct{ Body ledger.CopyPage }

func (s *service) addCopy(a huma.API) {
	huma.Register(a, huma.Operation{OperationID: "copy-ledger", Method: http.MethodGet, Path: "/v1/copy", Tags: []string{"ledger"},
		Summary: "Rows of the ledger as they were recorded, for a backup",
		Description: "In ascending order; ask again with after until a page is empty or up-to is reached. Begin with settlements and adoptions, then streams, " +
			"then all that lies within them, so that the copy is of one moment."}, s.copyLedger)
}

func (s *service) copyLedger(ctx context.Context, in *copyInput) (*copyOutput, error) {
	leave, err := s.copies.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	if s.Copy == nil {
		return nil, s.problemOf(ctx, ledger.Fail(ledger.NotFound, "this server hands over no copies"))
	}
	out := &copyOutput{}
	if err := s.copyPart(ctx, in, &out.Body); err != nil {
		return nil, s.problemOf(ctx, ledger.Wrap(ledger.StoreDown, err, "copy %s", in.Part))
	}
	return out, nil
}

func (s *service) copyPart(ctx context.Context, in *copyInput, p *ledger.CopyPage) error {
	switch in.Part {
	case "streams":
		list, err := s.Copy.StreamEnds(ctx)
		p.Streams = views(list, func(e ledger.StreamEnd) ledger.StreamView {
			return ledger.StreamView{Stream: e.Stream, Last: e.LastSeq, Position: e.Position}
		})
		return err
	case "blocks":
		list, err := s.Copy.BlockLines(ctx, in.Stream, in.After, in.UpTo)
		p.Blocks = views(list, ledger.BlockViewOf)
		return err
	case "records":
		list, err := s.Copy.Records(ctx, in.After, in.UpTo)
		p.Records = views(list, ledger.RecordViewOf)
		return err
	case "entries":
		list, err := s.Copy.Entries(ctx, in.After)
		p.Entries = views(list, ledger.EntryViewOf)
		return err
	case "settlements":
		list, err := s.Copy.Settlements(ctx, in.After)
		p.Settlements = views(list, func(e ledger.SettledEntry) ledger.SettledView {
			return ledger.SettledView{Entry: e.Entry, At: e.At.UTC(), Action: e.Action, Author: e.Author, Note: e.Note}
		})
		return err
	}
	list, err := s.Copy.Adoptions(ctx)
	p.Adoptions = views(list, func(a ledger.Adoption) ledger.AdoptionView {
		a.At = a.At.UTC()
		return ledger.AdoptionView(a)
	})
	return err
}

func views[R, V any](list []R, view func(R) V) []V {
	out := make([]V, len(list))
	for i := range list {
		out[i] = view(list[i])
	}
	return out
}
