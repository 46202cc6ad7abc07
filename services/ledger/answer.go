package ledger

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
)

// answerDesk is the office desk that counts answers to findings.
const answerDesk = "answers"

// AnswerEntry is an answer that somebody gives to a finding.
type AnswerEntry struct {
	Code    reports.Code
	About   uint64 // ledger position of the event that the finding is about, the first it cites
	Outcome events.AnswerOutcome
	Text    string
	Author  string
	Seen    uint64 // ledger position up to which the author had seen answers
}

// AnswerSource is the source under which answers are entered.
func AnswerSource() events.Source { return events.OfficeSource(answerDesk) }

// id is the same for the same answer, so that sending it twice enters it once.
func (a *AnswerEntry) id() string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%q %d %q %q %q", a.Code, a.About, a.Outcome, a.Text, a.Author))
	return "answer-" + hex.EncodeToString(sum[:12])
}

// Answer records an answer to a finding and returns its position. Giving the same answer again changes nothing. One that somebody else
// gave after what the author had seen is a conflict that says so; with a later Seen both stand, and both stay visible.
func (l *Ledger) Answer(ctx context.Context, a AnswerEntry) (uint64, error) {
	a.Text, a.Author = strings.TrimSpace(a.Text), strings.TrimSpace(a.Author)
	if !slices.Contains(reports.Codes(), a.Code) {
		return 0, Fail(BadRequest, "answer: there is no finding %q", string(a.Code))
	}
	about, err := l.Event(ctx, a.About)
	if err != nil {
		return 0, err
	}
	defer l.entering()()
	source := AnswerSource()
	same, err := l.Events(ctx, EventQuery{Source: source, ID: a.id(), Limit: 1})
	if err != nil {
		return 0, err
	}
	if len(same) == 1 {
		return same[0].Position, nil
	}
	if err := l.answeredMeanwhile(ctx, &a, about.Event.Ref()); err != nil {
		return 0, err
	}
	last := uint64(0)
	if err := l.eachEvent(ctx, EventQuery{Source: source}, func(s *Stored) { last = max(last, s.Seq) }); err != nil {
		return 0, err
	}
	e := events.Event{ID: a.id(), Source: source, Seq: last + 1, Truck: about.Truck, Job: about.Job, Occurred: events.TimeOf(l.now()), Origin: events.FromOffice,
		Body: events.FindingAnswered{Code: string(a.Code), Refers: about.Event.Ref(), Outcome: a.Outcome, Answer: a.Text, Author: a.Author}}
	if err := e.Validate(); err != nil {
		return 0, Wrap(BadRequest, err, "answer to %s", a.Code)
	}
	position, err := l.record(ctx, &e)
	if CodeOf(err) == Conflict {
		return 0, Fail(Conflict, "somebody else entered an answer at the same moment; send yours again")
	}
	return position, refused(err, Internal, "answer to %s", a.Code)
}

// answeredMeanwhile refuses an answer to what others have answered since it was looked at.
func (l *Ledger) answeredMeanwhile(ctx context.Context, a *AnswerEntry, ref events.Ref) error {
	said := ""
	err := l.eachEvent(ctx, EventQuery{Kind: events.KindFindingAnswered, After: a.Seen}, func(s *Stored) {
		if b, ok := s.Event.Body.(events.FindingAnswered); ok && b.Refers == ref && b.Code == string(a.Code) {
			said = fmt.Sprintf("%s by %s at position %d: %s", b.Outcome, b.Author, s.Position, b.Answer)
		}
	})
	if err == nil && said != "" {
		return Fail(Conflict, "this was answered meanwhile, %s", said)
	}
	return err
}
