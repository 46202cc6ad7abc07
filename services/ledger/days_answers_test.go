package ledger_test

import (
	"fmt"
	"regexp"
	"testing"
	"time"

	"spoilbook/events"
	"spoilbook/events/chain"
	"spoilbook/events/wire"
	"spoilbook/services/ledger"
)

// answers is a day all of whose findings somebody answered, and what its reports
// then say.
type answers struct {
	sent []ledger.Record
	want map[string]string
}

// answerAll answers every finding of every report of the day by the event that it
// is about, and holds that each then shows an answer.
func (d *day) answerAll(t *testing.T, sent []ledger.Record, book *ledger.Ledger) answers {
	t.Helper()
	a := answers{sent: append([]ledger.Record(nil), sent...), want: map[string]string{}}
	at, given := sent[len(sent)-1].Recorded, map[string]bool{}
	for _, name := range ledger.ReportNames() {
		r := d.report(t, book, name, d.views[""])
		for _, f := range r.Document.Findings {
			if len(f.Cites) == 0 {
				continue
			}
			about := r.Journal.Recorded(f.Cites[0]).Ref()
			if text := fmt.Sprintf("%s of %s", f.Code, about); !given[text] {
				given[text] = true
				a.sent = append(a.sent, answerOf(t, len(given), at, string(f.Code), about, text))
			}
		}
	}
	all := d.ledger(t, a.sent)
	for _, name := range ledger.ReportNames() {
		r := d.report(t, all, name, d.views[""])
		for _, f := range r.Document.Findings {
			if len(f.Cites) > 0 && len(f.Answers) == 0 {
				t.Errorf("%s: the answer to %s (%s) is not beside it", name, f.Code, f.What)
			}
		}
		a.want[name] = besidesPositions(told(r))
	}
	return a
}

func answerOf(t *testing.T, n int, at time.Time, code string, about events.Ref, text string) ledger.Record {
	t.Helper()
	e := events.Event{ID: fmt.Sprintf("answer-%03d", n), Source: events.OfficeSource("answers"), Seq: uint64(n), Occurred: events.TimeOf(at), Origin: events.FromOffice,
		Body: events.FindingAnswered{Code: code, Refers: about, Outcome: events.AnswerExplained, Answer: text, Author: "R. Quillane"}}
	body, err := wire.Encode(&e)
	if err != nil {
		t.Fatal(err)
	}
	return ledger.Record{Source: e.Source, ID: e.ID, Seq: e.Seq, Kind: e.Kind(), Occurred: e.Occurred, Recorded: at, Body: body, Hash: chain.LeafHash(body)}
}

// besidesPositions leaves out the positions that texts name, which are those of one
// order of arrival.
func besidesPositions(text string) string {
	return regexp.MustCompile(`position \d+`).ReplaceAllString(text, "a position")
}

// sameAnswers holds that the day with its answers, arrived in another order, shows
// every answer beside the same finding.
func (a answers) sameAnswers(t *testing.T, d *day, deliveries []ledger.Record) {
	t.Helper()
	book := d.ledger(t, deliveries)
	for _, name := range ledger.ReportNames() {
		if got := besidesPositions(told(d.report(t, book, name, d.views[""]))); got != a.want[name] {
			t.Errorf("another order of arrival answers other findings of the %s report: %s", name, firstDifference(a.want[name], got))
		}
	}
}
