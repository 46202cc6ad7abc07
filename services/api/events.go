package api

import (
	"bytes"
	"context"
	"encoding/hex"
	"encoding/json"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"spoilbook/events"
	"spoilbook/services/ledger"
)

// EventView is a recorded event with what the ledger gave it.
type EventView struct {
	Position uint64          `json:"position" doc:"dense position in the ledger, from 1"`
	Recorded time.Time       `json:"recorded" doc:"when the ledger stored it"`
	Hash     string          `json:"hash" doc:"RFC 6962 leaf hash of the event's canonical bytes, hex"`
	Event    json.RawMessage `json:"event" doc:"the CloudEvent in canonical form (RFC 8785)"`
}

// SubmitView says what became of submitted events.
type SubmitView struct {
	State  string `json:"state" enum:"received,recorded" doc:"received: synced by the broker; recorded: handled by the ledger, as the counts say"`
	Count  int    `json:"count" doc:"events taken"`
	Stream string `json:"stream"`
	First  uint64 `json:"first" doc:"first message of the stream"`
	Last   uint64 `json:"last"`
	ledger.Fates
}

// maxEntries is how many quarantine entries an answer names.
const maxEntries = 100

// The media types of events; the description gives the schema of each.
const (
	oneEvent   = "application/cloudevents+json"
	eventBatch = "application/cloudevents-batch+json"
	eventLines = "application/x-ndjson"
)

type submitInput struct {
	media  string
	length string
	body   io.Reader
	until  func(time.Time) error // sets when the body must have come
	Wait   string                `query:"wait" default:"10s" example:"10s" doc:"how long to wait until the events are recorded, up to 1m; 0s answers 202 as soon as they are received"`
}

// Resolve keeps the body, which the handler reads as far as there is room for it.
func (in *submitInput) Resolve(h huma.Context) []error {
	in.media, in.length, in.body, in.until = h.Header("Content-Type"), h.Header("Content-Length"), h.BodyReader(), h.SetReadDeadline
	return nil
}

type submitOutput struct {
	Status int
	Body   SubmitView
}

type listInput struct {
	After  uint64 `query:"after" doc:"only positions above this one" example:"0"`
	Limit  int    `query:"limit" default:"100" minimum:"1" doc:"at most so many, up to 10000"`
	Truck  string `query:"truck" doc:"only this truck"`
	Job    string `query:"job" doc:"only this job"`
	Kind   string `query:"kind" doc:"only this kind, such as load.collected"`
	Source string `query:"source" doc:"only this source, such as /truck/TM-01"`
	ID     string `query:"id" doc:"only this id"`
}

// EventPage is some of the recorded events, in the order of their positions.
type EventPage struct {
	Events []EventView `json:"events"`
	Next   uint64      `json:"next,omitempty" doc:"give this as after to get the next page; absent on the last"`
}

type eventInput struct {
	Position uint64 `path:"position" minimum:"1" example:"1"`
}

type eventOutput struct{ Body EventView }

type awaitInput struct {
	Stream string `query:"stream" required:"true" doc:"as the answer to the submission names it"`
	First  uint64 `query:"first" required:"true" minimum:"1" doc:"first message"`
	Last   uint64 `query:"last" required:"true" minimum:"1" doc:"last message"`
	Wait   string `query:"wait" default:"10s" doc:"how long to wait until all are handled, up to 1m"`
}

type awaitOutput struct{ Body ledger.Fates }

func (s *service) addEvents(a huma.API) {
	tags := []string{"events"}
	huma.Register(a, huma.Operation{OperationID: "submit-events", Method: http.MethodPost, Path: "/v1/events", DefaultStatus: http.StatusOK,
		Summary: "Submit one event, a batch, or NDJSON", Tags: tags,
		Description: "An event counts once however often it comes, so a request may be repeated. An event that can not be recorded is quarantined whole. " +
			"200 says what became of each; 202 says that they are received and not recorded yet: ask /v1/fates."}, s.submit)
	huma.Register(a, huma.Operation{OperationID: "list-events", Method: http.MethodGet, Path: "/v1/events", Summary: "List recorded events", Tags: tags,
		Description: "In the order of their positions. A page may end early when its events are large; next then says how to go on."}, s.list)
	huma.Register(a, huma.Operation{OperationID: "get-event", Method: http.MethodGet, Path: "/v1/events/{position}", Summary: "One recorded event", Tags: tags}, s.event)
	huma.Register(a, huma.Operation{OperationID: "await-events", Method: http.MethodGet, Path: "/v1/fates", Summary: "Wait for submitted events and learn what became of them", Tags: tags}, s.await)
}

func (s *service) submit(ctx context.Context, in *submitInput) (*submitOutput, error) {
	wait, err := waitOf(in.Wait)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	tickets, err := s.handOver(ctx, in)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	first, last := tickets[0], tickets[len(tickets)-1]
	out := &submitOutput{Status: http.StatusAccepted, Body: SubmitView{State: "received", Stream: last.Stream, First: first.First, Last: last.Last}}
	for _, t := range tickets {
		out.Body.Count += t.Count
	}
	if wait == 0 {
		return out, nil
	}
	waiting, cancel := context.WithTimeout(ctx, wait)
	defer cancel()
	fates, err := s.awaitAll(waiting, tickets)
	switch code := ledger.CodeOf(err); {
	case err == nil:
		out.Status, out.Body.State, out.Body.Fates = http.StatusOK, "recorded", fates
	case code != ledger.TimedOut && code != ledger.Busy && waiting.Err() == nil:
		return nil, s.problemOf(ctx, err)
	}
	return out, nil
}

// handOver reads a submission and publishes it. Its bytes are free again when it
// returns.
func (s *service) handOver(ctx context.Context, in *submitInput) ([]ledger.Ticket, error) {
	announced, err := strconv.ParseInt(in.length, 10, 64)
	if err != nil {
		announced = -1
	}
	if err := in.until(time.Now().Add(s.Timeout)); err != nil {
		return nil, ledger.Wrap(ledger.Internal, err, "submit")
	}
	body, leave, err := s.bodies.read(in.body, announced)
	if err != nil {
		return nil, err
	}
	defer leave()
	msgs, err := messages(in.media, body)
	if err != nil {
		return nil, err
	}
	if err := s.mayEnter(ctx, msgs); err != nil {
		return nil, err
	}
	return s.pace.submit(ctx, msgs)
}

// awaitAll adds up what became of the messages of all tickets.
func (s *service) awaitAll(ctx context.Context, tickets []ledger.Ticket) (total ledger.Fates, err error) {
	leave, err := s.waiting.enter(ctx)
	if err != nil {
		return total, err
	}
	defer leave()
	for _, t := range tickets {
		f, err := s.Ledger.Await(ctx, t)
		if err != nil {
			return total, err
		}
		total.Recorded, total.Duplicates, total.Quarantined = total.Recorded+f.Recorded, total.Duplicates+f.Duplicates, total.Quarantined+f.Quarantined
		total.Position = max(total.Position, f.Position)
		total.Entries = append(total.Entries, f.Entries[:min(len(f.Entries), maxEntries-len(total.Entries))]...)
	}
	return total, nil
}

func waitOf(text string) (time.Duration, error) {
	wait, err := time.ParseDuration(text)
	if err != nil || wait < 0 || wait > MaxWait {
		return 0, ledger.Fail(ledger.BadRequest, "wait: found %q; allowed: a duration from 0s to %s", text, MaxWait)
	}
	return wait, nil
}

// messages splits a body into events by its media type. Events that turn out to
// be invalid still go in, to be quarantined whole; a body that can not even be
// split is refused, for nothing in it could be kept apart.
func messages(contentType string, body []byte) ([]ledger.Message, error) {
	media, _, _ := strings.Cut(contentType, ";")
	var raws []json.RawMessage
	switch strings.ToLower(strings.TrimSpace(media)) {
	case eventBatch:
		if err := json.Unmarshal(body, &raws); err != nil {
			return nil, ledger.Wrap(ledger.BadRequest, err, "the body is not a JSON array of events")
		}
	case eventLines, "application/jsonl":
		for line := range bytes.Lines(body) {
			if line = bytes.TrimSpace(line); len(line) > 0 {
				raws = append(raws, line)
			}
		}
	case oneEvent, "application/json":
		if body = bytes.TrimSpace(body); len(body) > 0 {
			raws = []json.RawMessage{body}
		}
	default:
		return nil, httpProblem(http.StatusUnsupportedMediaType, "content type: found %s; allowed: %s, %s, %s", excerpt(contentType), oneEvent, eventBatch, eventLines)
	}
	if len(raws) == 0 {
		return nil, ledger.Fail(ledger.BadRequest, "the body holds no event")
	}
	msgs := make([]ledger.Message, len(raws))
	for i, raw := range raws {
		msgs[i] = ledger.MessageOf(raw)
	}
	return msgs, nil
}

func view(e *ledger.Stored) EventView {
	return EventView{Position: e.Position, Recorded: e.Recorded.UTC(), Hash: hex.EncodeToString(e.Hash[:]), Event: e.Body}
}

func (s *service) list(ctx context.Context, in *listInput) (*huma.StreamResponse, error) {
	leave, err := s.listing.enter(ctx)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	defer leave()
	list, err := s.Ledger.Events(ctx, ledger.EventQuery{After: in.After, Limit: in.Limit, Bytes: maxPageBytes, Truck: events.TruckID(in.Truck),
		Job: events.JobID(in.Job), Kind: events.Kind(in.Kind), Source: events.Source(in.Source), ID: in.ID})
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	out, size, seen := EventPage{Events: make([]EventView, 0, len(list))}, 0, 0
	for i := range list {
		if size += len(list[i].Body); size > maxPageBytes && i > 0 {
			break
		}
		if seen = i + 1; maySee(ctx, &list[i]) {
			out.Events = append(out.Events, view(&list[i]))
		}
	}
	if seen > 0 && (seen < len(list) || seen == in.Limit) {
		out.Next = list[seen-1].Position
	}
	return s.sendJSON(ctx, out)
}

// maySee asks whether a recorded event is for who asks.
func maySee(ctx context.Context, e *ledger.Stored) bool {
	var register events.Register
	if r, ok := e.Event.Body.(events.RegisterRevised); ok && r.Document != nil {
		register = r.Document.Register()
	}
	return identityOf(ctx).MaySee(e.Event.Truck, register)
}

func (s *service) event(ctx context.Context, in *eventInput) (*eventOutput, error) {
	e, err := s.Ledger.Event(ctx, in.Position)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	if !maySee(ctx, &e) {
		return nil, s.problemOf(ctx, ledger.Fail(ledger.NotAllowed, "the event at position %d is not for the role %s", in.Position, identityOf(ctx).Role))
	}
	return &eventOutput{view(&e)}, nil
}

func (s *service) await(ctx context.Context, in *awaitInput) (*awaitOutput, error) {
	wait, err := waitOf(in.Wait)
	if err != nil {
		return nil, s.problemOf(ctx, err)
	}
	if in.Last < in.First {
		return nil, s.problemOf(ctx, ledger.Fail(ledger.BadRequest, "messages %d to %d: first is not above last", in.First, in.Last))
	}
	waiting, cancel := context.WithTimeout(ctx, max(wait, time.Second))
	defer cancel()
	leave, err := s.waiting.enter(waiting)
	if err != nil {
		return nil, s.problemOf(waiting, err)
	}
	defer leave()
	f, err := s.Ledger.Await(waiting, ledger.Ticket{Stream: in.Stream, First: in.First, Last: in.Last, Count: int(min(in.Last-in.First+1, 1<<30))})
	if err != nil {
		return nil, s.problemOf(waiting, err)
	}
	return &awaitOutput{f}, nil
}
