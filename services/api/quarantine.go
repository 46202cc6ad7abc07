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
	After uint64 `query:"after" doc:"only entries above this one"`
	Limit int    `query:"limit" default:"100" minimum:"1" doc:"at most so many, up to 10000"`
	All   bool   `query:"all" doc:"also those settled"`
}

// QuarantinePage is some of what could not be recorded, in the order of entries.
type QuarantinePage struct {
	Entries []QuarantineView `json:"entries"`
	Next    uint64           `json:"next,omitempty" doc:"give this as after to get the next page; absent on the last"`
}

type entryInput struct {
	Entry uint64 `path:"entry" minimum:"1" example:"1"`
}

type entryOutput struct{ Body QuarantineView }

// ReleaseRequest says who sends a message again, and in which form.
type ReleaseRequest struct {
	Author string          `json:"author" minLength:"1" doc:"who decides this"`
	Note   string          `json:"note,omitempty" doc:"why"`
	Event  json.RawMessage `json:"event,omitempty" doc:"the repaired event; left out, the message goes in as it is"`
}

type releaseInput struct {
	Entry uint64 `path:"entry" minimum:"1" example:"1"`
	Body  ReleaseRequest
}

type releaseOutput struct{ Body ledger.Fates }

// DismissRequest says who decides that a message is not to be recorded.
type DismissRequest struct {
	Author string `json:"author" minLength:"1" doc:"who decides this"`
	Note   string `json:"note" minLength:"1" doc:"why"`
}

type dismissInput struct {
	Entry uint64 `path:"entry" minimum:"1" example:"1"`
	Body  DismissRequest
}

func (s *service) addQuarantine(a huma.API) {
	tags := []string{"quarantine"}
	huma.Register(a, huma.Operation{OperationID: "list-quarantine", Method: http.MethodGet, Path: "/v1/quarantine", Summary: "List what could not be recorded", Tags: tags}, s.quarantineList)
	huma.Register(a, huma.Operation{OperationID: "get-quarantine-entry", Method: http.MethodGet, Path: "/v1/quarantine/{entry}", Summary: "One quarantined message", Tags: tags}, s.quarantineEntry)
	huma.Register(a, huma.Operation{OperationID: "release-quarantine-entry", Method: http.MethodPost, Path: "/v1/quarantine/{entry}/release", Summary: "Send a message again, repaired if need be", Tags: tags, BodyReadTimeout: s.Timeout,
		Description: "Answers once the message is judged, with its fate. One that is refused again for the same bytes stays held (409); one that is refused with other bytes is a new entry."}, s.release)
	huma.Register(a, huma.Operation{OperationID: "dismiss-quarantine-entry", Method: http.MethodPost, Path: "/v1/quarantine/{entry}/dismiss", Summary: "Note that a message is not to be recorded", Tags: tags, DefaultStatus: http.StatusNoContent, BodyReadTimeout: s.Timeout}, s.dismiss)
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

func (s *service) quarantineList(ctx context.Context, in *quarantineListInput) (*huma.StreamResponse, error) {
	leave, err := s.listing.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	list, err := s.Ledger.Quarantine(ctx, ledger.QuarantineQuery{After: in.After, Limit: in.Limit, Bytes: maxPageBytes, All: in.All})
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	out, size := QuarantinePage{Entries: make([]QuarantineView, 0, len(list))}, 0
	for i := range list {
		if size += len(list[i].Body); size > maxPageBytes && i > 0 {
			break
		}
		out.Entries = append(out.Entries, quarantineView(&list[i]))
	}
	if n := len(out.Entries); n > 0 && (n < len(list) || n == in.Limit) {
		out.Next = list[n-1].Entry
	}
	return s.sendJSON(ctx, out)
}

func (s *service) quarantineEntry(ctx context.Context, in *entryInput) (*entryOutput, error) {
	list, err := s.Ledger.Quarantine(ctx, ledger.QuarantineQuery{Entry: in.Entry, All: true, Limit: 1})
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	if len(list) == 0 {
		return nil, s.problemOf(ctx, ledger.Fail(ledger.NotFound, "quarantine entry %d does not exist", in.Entry))
	}
	return &entryOutput{quarantineView(&list[0])}, nil
}

func (s *service) release(ctx context.Context, in *releaseInput) (*releaseOutput, error) {
	ctx, cancel := context.WithTimeout(ctx, MaxWait)
	defer cancel()
	f, err := s.Ledger.Release(ctx, in.Entry, in.Body.Event, s.authorOf(ctx, in.Body.Author), in.Body.Note)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	return &releaseOutput{f}, nil
}

func (s *service) dismiss(ctx context.Context, in *dismissInput) (*struct{}, error) {
	return nil, s.problemOf(ctx, s.Ledger.Dismiss(ctx, in.Entry, s.authorOf(ctx, in.Body.Author), in.Body.Note))
}
