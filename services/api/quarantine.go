package api

import (
	"context"
	"encoding/json"
	"net/http"
	"time"
	"unicode/utf8"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/services/ledger"
)

// QuarantineView is a message that could not be recorded.
type QuarantineView struct {
	Entry     uint64          `json:"entry"`
	Received  time.Time       `json:"received"`
	Stream    string          `json:"stream"`
	StreamSeq uint64          `json:"streamSeq"`
	Subject   string          `json:"subject"`
	State     string          `json:"state" enum:"held,released,dismissed"`
	Code      string          `json:"code"`
	Reason    string          `json:"reason"`
	Body      []byte          `json:"body" doc:"the message's bytes, base64"`
	Text      string          `json:"text,omitempty" doc:"the message as text, where it is UTF-8"`
	Settled   *SettlementView `json:"settled,omitempty"`
}

// SettlementView says how a message was dealt with.
type SettlementView struct {
	At     time.Time `json:"at"`
	Action string    `json:"action"`
	Author string    `json:"author"`
	Note   string    `json:"note"`
}

type quarantineListInput struct {
	After uint64 `query:"after"`
	Limit int    `query:"limit" default:"100" minimum:"1" maximum:"1000"`
	All   bool   `query:"all" doc:"also those settled"`
}

type quarantineListOutput struct {
	Body struct {
		Entries []QuarantineView `json:"entries"`
		Next    uint64           `json:"next,omitempty"`
	}
}

type entryInput struct {
	Entry uint64 `path:"entry" minimum:"1"`
}

type entryOutput struct{ Body QuarantineView }

type releaseInput struct {
	Entry uint64 `path:"entry" minimum:"1"`
	Body  struct {
		Author string          `json:"author" minLength:"1" maxLength:"80"`
		Note   string          `json:"note,omitempty" maxLength:"400"`
		Event  json.RawMessage `json:"event,omitempty" doc:"the repaired event; left out, the message goes in as it is"`
	}
}

type releaseOutput struct{ Body SubmitView }

type dismissInput struct {
	Entry uint64 `path:"entry" minimum:"1"`
	Body  struct {
		Author string `json:"author" minLength:"1" maxLength:"80"`
		Note   string `json:"note" minLength:"1" maxLength:"400"`
	}
}

func (s *service) addQuarantine(a huma.API) {
	tags := []string{"quarantine"}
	huma.Register(a, huma.Operation{OperationID: "list-quarantine", Method: http.MethodGet, Path: "/v1/quarantine", Summary: "List what could not be recorded", Tags: tags}, s.quarantineList)
	huma.Register(a, huma.Operation{OperationID: "get-quarantine-entry", Method: http.MethodGet, Path: "/v1/quarantine/{entry}", Summary: "One quarantined message", Tags: tags}, s.quarantineEntry)
	huma.Register(a, huma.Operation{OperationID: "release-quarantine-entry", Method: http.MethodPost, Path: "/v1/quarantine/{entry}/release", Summary: "Send a message again, repaired if need be", Tags: tags}, s.release)
	huma.Register(a, huma.Operation{OperationID: "dismiss-quarantine-entry", Method: http.MethodPost, Path: "/v1/quarantine/{entry}/dismiss", Summary: "Note that a message is not to be recorded", Tags: tags, DefaultStatus: http.StatusNoContent}, s.dismiss)
}

func quarantineView(q *ledger.Quarantined) QuarantineView {
	v := QuarantineView{Entry: q.Entry, Received: q.Received.UTC(), Stream: q.Stream, StreamSeq: q.StreamSeq, Subject: q.Subject,
		State: q.State, Code: q.Code, Reason: q.Reason, Body: q.Body}
	if utf8.Valid(q.Body) {
		v.Text = string(q.Body)
	}
	if st := q.Settled; st != nil {
		v.Settled = &SettlementView{At: st.At.UTC(), Action: st.Action, Author: st.Author, Note: st.Note}
	}
	return v
}

func (s *service) quarantineList(ctx context.Context, in *quarantineListInput) (*quarantineListOutput, error) {
	list, err := s.Ledger.Quarantine(ctx, ledger.QuarantineQuery{After: in.After, Limit: in.Limit, All: in.All})
	if err != nil {
		return nil, s.problemOf(err)
	}
	out := &quarantineListOutput{}
	out.Body.Entries = make([]QuarantineView, len(list))
	for i := range list {
		out.Body.Entries[i] = quarantineView(&list[i])
	}
	if len(list) == in.Limit {
		out.Body.Next = list[len(list)-1].Entry
	}
	return out, nil
}

func (s *service) quarantineEntry(ctx context.Context, in *entryInput) (*entryOutput, error) {
	list, err := s.Ledger.Quarantine(ctx, ledger.QuarantineQuery{Entry: in.Entry, All: true, Limit: 1})
	if err != nil {
		return nil, s.problemOf(err)
	}
	if len(list) == 0 {
		return nil, s.problemOf(ledger.Fail(ledger.NotFound, "quarantine entry %d does not exist", in.Entry))
	}
	return &entryOutput{quarantineView(&list[0])}, nil
}

func (s *service) release(ctx context.Context, in *releaseInput) (*releaseOutput, error) {
	t, err := s.Ledger.Release(ctx, in.Entry, in.Body.Event, in.Body.Author, in.Body.Note)
	if err != nil {
		return nil, s.problemOf(err)
	}
	return &releaseOutput{SubmitView{State: "received", Count: t.Count, Stream: t.Stream, First: t.First, Last: t.Last}}, nil
}

func (s *service) dismiss(ctx context.Context, in *dismissInput) (*struct{}, error) {
	return nil, s.problemOf(s.Ledger.Dismiss(ctx, in.Entry, in.Body.Author, in.Body.Note))
}
