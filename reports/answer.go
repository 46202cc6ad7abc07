package reports

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"spoilbook/events"
)

// Answer is what somebody said to a finding. The finding stays as it is.
type Answer struct {
	By       string
	At       events.Time // when it was answered
	Outcome  events.AnswerOutcome
	Text     string
	Position uint64 // of the answer's event in the ledger
}

// answered is a standing answer with what it refers to.
type answered struct {
	Answer
	code  Code
	ref   events.Ref
	entry *Entry
}

// Answer returns the findings that a report made, with the answers that the ledger
// holds: each answer beside every finding of its code that is about the event which it
// names, in the order of their positions. The event that a finding is about is the
// first that it cites. That is the entry judged, or of several that count alike the one
// that occurred first ([Journal.Cited]), never the one that happened to arrive first:
// whether a finding is answered does not depend on the order of arrival. Only what is
// found about arrival itself goes by it.
//
// It adds a finding for an answer of the period that can belong to no finding: to a
// code that does not exist, to an event that is not in the ledger, or, where report is
// the one that makes findings of that code and was not narrowed, to a finding that is
// not made any more. So it does for one that names another event than the one that a
// finding is about: that finding is open, and the answer is to be given again.
func (j *Journal) Answer(report string, q Request, findings []Finding) []Finding {
	out := slices.Clone(findings)
	list := j.answers()
	for i := range list {
		a := &list[i]
		if a.code != AnswerUnmatched && j.attach(a, out) {
			continue
		}
		if why := cmp.Or(j.beside(a, q, out), j.unmatched(a, report, q)); why != "" {
			out = append(out, NewFinding(AnswerUnmatched, a.entry.Truck, a.At, a.entry.Positions, "the answer of %s to %s, on %s: %s", a.By, a.code, a.ref, why))
		}
	}
	for i := range list { // once all of these findings are there, whichever answer came first
		if list[i].code == AnswerUnmatched {
			j.attach(&list[i], out)
		}
	}
	return out
}

// attach puts an answer beside the findings of its code that are about its event and
// reports whether there are any. The findings that answers themselves give are left to
// the end.
func (j *Journal) attach(a *answered, findings []Finding) (found bool) {
	position, known := j.byRef[a.ref]
	if !known {
		return false
	}
	for i := range findings {
		if f := &findings[i]; f.Code == a.code && len(f.Cites) > 0 && f.Cites[0] == position {
			f.Answers = append(slices.Clip(f.Answers), a.Answer)
			found = true
		}
	}
	return found
}

// answers returns the standing answers in the order of their positions.
func (j *Journal) answers() []answered {
	list := []answered{}
	add := func(entries []Entry) {
		for i := range entries {
			e := &entries[i]
			if b, ok := e.Body.(events.FindingAnswered); ok {
				list = append(list, answered{Answer{b.Author, e.Occurred, b.Outcome, b.Answer, e.Positions[0]}, Code(b.Code), b.Refers, e})
			}
		}
	}
	add(j.Office)
	for _, id := range j.Trucks() {
		add(j.trucks[id])
	}
	slices.SortFunc(list, func(a, b answered) int { return cmp.Compare(a.Position, b.Position) })
	return list
}

// beside says that an answer names an event which a finding of its code cites and is
// not about, or returns "".
func (j *Journal) beside(a *answered, q Request, findings []Finding) string {
	position, ok := j.byRef[a.ref]
	if !ok || a.code == AnswerUnmatched || q.Filter.Job != "" || q.Filter.Client != "" || !q.Period.Contains(j.recorded[position].Occurred) {
		return ""
	}
	for i := range findings {
		if f := &findings[i]; f.Code == a.code && slices.Contains(f.Cites, position) {
			return fmt.Sprintf("the finding that cites it is about %s, which an answer must name", j.recorded[f.Cites[0]].Ref())
		}
	}
	return ""
}

// unmatched says why an answer can belong to no finding, or "" when it may belong to
// one that another report, or this one for another period, makes.
func (j *Journal) unmatched(a *answered, report string, q Request) string {
	position, known := j.byRef[a.ref]
	_, listed := catalogue()[a.code]
	switch {
	case !listed && q.Period.Contains(a.At):
		return "there is no such finding"
	case !known && (j.whole || a.entry.Truck != "") && q.Period.Contains(a.At):
		return "that event is not in the ledger"
	case !known || homeOf(a.code) != report || q.Filter.Job != "" || q.Filter.Client != "":
		return ""
	}
	r := j.recorded[position]
	if q.Filter.Truck != "" && r.Truck != q.Filter.Truck || !q.Period.Contains(r.Occurred) {
		return ""
	}
	return "nothing of that kind is found there any more"
}

// homeOf returns the report that makes all findings of a code and shows them in the
// period of the event that they rest on first; "" where there is no one such report.
func homeOf(code Code) string {
	switch code {
	case OverCapacity, OverGross, ImpossibleDensity, ImpossibleSaturation, AssumedDensity, TippedOverHeld, TipOfEmptyTank,
		NoDocket, DocketRepeated, PermitMissing, PermitExpired, CodeNotAccepted, HazardousMixed, WetLoadAtLandfill,
		LoadsOverlap, SpoilRefused, SpoilReturned, ReturnedOverTipped, ReturnUnmatched, ReclassifiedAfter, HazardReclassified:
		return "manifest"
	case FreshOverdrawn, FreshOverCapacity, MeterBackwards, BackflowMissing, NoConsent, NozzleDiffers:
		return "water"
	case StopWithoutCause, StopNotReset, RestartWithoutReset, ShiftNotEnded, StandbyNotEnded:
		return "timesplit"
	}
	return ""
}

// Unanswered returns how many findings nobody has answered.
func Unanswered(findings []Finding) int {
	n := 0
	for i := range findings {
		if len(findings[i].Answers) == 0 {
			n++
		}
	}
	return n
}

// AnswerText returns the answers to a finding as people read them: "explained by
// M. Corrie on 2026-10-12: the sight glass was dirty". Several are separated by a bar.
func (f *Finding) AnswerText() string {
	texts := make([]string, len(f.Answers))
	for i, a := range f.Answers {
		texts[i] = fmt.Sprintf("%s by %s on %s: %s", a.Outcome, a.By, a.At.Std().Format(time.DateOnly), a.Text)
	}
	return strings.Join(texts, " | ")
}
