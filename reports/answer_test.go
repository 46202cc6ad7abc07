package reports_test

import (
	"fmt"
	"strings"
	"testing"

	"spoilbook/events"
	"spoilbook/reports"
)

// octoberOf asks for October 2026.
func octoberOf(f reports.Filter) reports.Request {
	return reports.Request{Filter: f, Period: reports.Period{From: events.MustTime("2026-10-01T00:00:00+01:00"), To: events.MustTime("2026-11-01T00:00:00Z")}}
}

func answer(code reports.Code, ref events.Ref, text string) events.FindingAnswered {
	return events.FindingAnswered{Code: string(code), Refers: ref, Outcome: events.AnswerExplained, Answer: text, Author: "M. Corrie"}
}

// found is a finding of a report that rests on events.
func found(code reports.Code, positions ...uint64) reports.Finding {
	return reports.NewFinding(code, "TM-01", events.MustTime(noon), positions, "something")
}

// said shows findings with the positions and words of their answers.
func said(fs []reports.Finding) string {
	parts := []string{}
	for i := range fs {
		part := fmt.Sprintf("%s%v", fs[i].Code, fs[i].Cites)
		for _, a := range fs[i].Answers {
			part += fmt.Sprintf(" %d %s: %s", a.Position, a.By, a.Text)
		}
		parts = append(parts, part)
	}
	return strings.Join(parts, "; ")
}

// An answer stands beside every finding of its code that rests first on its event, and
// beside no other; a second answer comes after the first.
func TestAnswersStandBesideTheirFindings(t *testing.T) {
	d := &day{}
	one, two := d.truck(noon, gauge(1)), d.truck(noon, gauge(2))
	d.office(answer(reports.NoDocket, one, "it is lost"))
	d.office(answer(reports.NoDocket, one, "it came back"))
	d.add("/office/yard", "TM-01", noon, answer(reports.GaugeDiffers, two, "sight glass"))
	j := d.resolve()
	given := []reports.Finding{found(reports.NoDocket, 1, 2), found(reports.NoDocket, 2, 1), found(reports.GaugeDiffers, 2), found(reports.GaugeDiffers, 1), found(reports.NoDocket)}
	got := j.Answer("manifest", octoberOf(reports.Filter{}), given)
	want := "no-docket[1 2] 3 M. Corrie: it is lost 4 M. Corrie: it came back; no-docket[2 1]; gauge-differs[2] 5 M. Corrie: sight glass; gauge-differs[1]; no-docket[]"
	if said(got) != want {
		t.Errorf("findings are\n%s\nwant\n%s", said(got), want)
	}
	if text := got[0].AnswerText(); text != "explained by M. Corrie on 2026-10-05: it is lost | explained by M. Corrie on 2026-10-05: it came back" {
		t.Errorf("the answers read %q", text)
	}
	if n := reports.Unanswered(got); n != 3 {
		t.Errorf("%d are not answered; want 3", n)
	}
	if given[0].Answers != nil {
		t.Error("the findings given were changed")
	}
	groups := reports.GroupFindings(got)
	if g := groups[0]; g.Code != reports.NoDocket || g.Count != 3 || g.Open != 2 {
		t.Errorf("the first group is %+v", g)
	}
}

// An answer that names an event which a finding cites and is not about leaves it open,
// and says which event to name.
func TestAnswersToAnotherEventOfAFinding(t *testing.T) {
	d := &day{}
	one, two := d.truck(noon, gauge(1)), d.truck(noon, gauge(2))
	d.office(answer(reports.CapExceeded, two, "words"))
	got := d.resolve().Answer("water", octoberOf(reports.Filter{}), []reports.Finding{found(reports.CapExceeded, 1, 2)})
	if len(got) != 2 || len(got[0].Answers) != 0 || got[1].Code != reports.AnswerUnmatched || !strings.Contains(got[1].What, "is about "+one.String()) {
		t.Errorf("findings are %+v", got)
	}
}

// What a finding made of an answer is answered, too, whichever of the two came first.
func TestAnswersToAnswers(t *testing.T) {
	for _, first := range []bool{false, true} {
		d := &day{}
		e := d.truck(noon, gauge(1))
		stray := events.Ref{Source: "/office/yard", ID: "stray"}
		give := func() { d.office(answer(reports.AnswerUnmatched, stray, "a slip")) }
		if first {
			give()
		}
		d.office(answer("nonsense", e, "words"))
		d.recs[len(d.recs)-1].ID = "stray"
		if !first {
			give()
		}
		got := d.resolve().Answer("manifest", octoberOf(reports.Filter{}), nil)
		if len(got) != 1 || got[0].Code != reports.AnswerUnmatched || got[0].AnswerText() == "" {
			t.Errorf("answered first %v: findings are %+v", first, got)
		}
	}
}

// Events that count alike are cited by when they occurred and who said so, wherever in
// the ledger they stand; what changed them comes last.
func TestCitedGoesByTheEventsOwnOrder(t *testing.T) {
	d := &day{}
	late := d.truck("2026-10-05T13:00:00+01:00", gauge(1))
	d.correct(late, gauge(2))
	d.truck("2026-10-05T09:00:00+01:00", gauge(3))
	d.add("/truck/TM-02", "TM-02", "2026-10-05T13:00:00+01:00", events.RestEnded{})
	d.truck("2026-10-05T13:00:00+01:00", gauge(4))
	j := d.resolve()
	if got := fmt.Sprint(j.Cited([]uint64{5, 4}, []uint64{1, 2, 3, 4})); got != "[3 1 5 4 2]" {
		t.Errorf("cited %s", got)
	}
}

// An answer that was voided, or corrected, is what became of it.
func TestAnswersAreEntries(t *testing.T) {
	d := &day{}
	e := d.truck(noon, gauge(1))
	first := d.office(answer(reports.NoDocket, e, "wrong words"))
	d.correct(first, answer(reports.NoDocket, e, "right words"))
	d.void(d.office(answer(reports.NoDocket, e, "no words")))
	got := d.resolve().Answer("manifest", octoberOf(reports.Filter{}), []reports.Finding{found(reports.NoDocket, 1)})
	if want := "no-docket[1] 2 M. Corrie: right words"; said(got) != want {
		t.Errorf("findings are %s; want %s", said(got), want)
	}
}

func TestAnswersThatMatchNothing(t *testing.T) {
	for _, c := range []struct {
		name, report string
		code         reports.Code
		known        bool
		filter       reports.Filter
		want         string // words of the finding; "" for none
	}{
		{"a code that does not exist", "water", "nonsense", true, reports.Filter{}, "no such finding"},
		{"an event that is not in the ledger", "water", reports.NoDocket, false, reports.Filter{}, "not in the ledger"},
		{"put right since", "manifest", reports.NoDocket, true, reports.Filter{}, "any more"},
		{"put right since, for the truck", "manifest", reports.NoDocket, true, reports.Filter{Truck: "TM-01"}, "any more"},
		{"another truck", "manifest", reports.NoDocket, true, reports.Filter{Truck: "TM-02"}, ""},
		{"narrowed to a job", "manifest", reports.NoDocket, true, reports.Filter{Job: "J-1"}, ""},
		{"a finding of another report", "water", reports.NoDocket, true, reports.Filter{}, ""},
		{"one that several reports make", "manifest", reports.GaugeDiffers, true, reports.Filter{}, ""},
	} {
		d := &day{}
		ref := d.truck(noon, gauge(1))
		if !c.known {
			ref.ID = "none"
		}
		d.office(answer(c.code, ref, "words"))
		got := d.resolve().Answer(c.report, octoberOf(c.filter), nil)
		if (len(got) == 1) != (c.want != "") || len(got) == 1 && (got[0].Code != reports.AnswerUnmatched || !strings.Contains(got[0].What, c.want)) {
			t.Errorf("%s: findings are %+v; want %q", c.name, got, c.want)
		}
	}
}

// A journal of one truck can not tell whether an answer about another is right.
func TestAnswersInAJournalOfOneTruck(t *testing.T) {
	d := &day{}
	d.truck(noon, gauge(1))
	other := d.add("/truck/TM-02", "TM-02", noon, gauge(2))
	d.office(answer(reports.NoDocket, other, "words"))
	j := reports.Resolve(append(d.recs[:1:1], d.recs[2:]...), uint64(len(d.recs)))
	if got := j.Answer("manifest", octoberOf(reports.Filter{Truck: "TM-01"}), nil); len(got) != 0 {
		t.Errorf("findings are %+v", got)
	}
}

// A tip that was voided after a manifest or an invoice held it is named; one that was
// voided before, or whose voiding was withdrawn, is not.
func TestVoidOfAnIssuedTip(t *testing.T) {
	tip := events.Ref{Source: "/truck/TM-01", ID: "e2"}
	void := func(d *day, ref events.Ref) events.Ref {
		return d.add("/office/yard", "", afterwards, events.EntryVoided{Refers: ref})
	}
	tryLate(t, []lateness{
		{"voided", as, func(d *day, _ events.Ref) { void(d, tip) }, "issued-tip-voided[2 5 4] late-after-issue[5]"},
		{"of an invoice", func(r *events.ReportIssued) { r.Report = "billable" }, func(d *day, _ events.Ref) { void(d, tip) }, "issued-tip-voided[2 5 4] late-after-issue[5]"},
		{"of a report without tips", func(r *events.ReportIssued) { r.Report = "water" }, func(d *day, _ events.Ref) { void(d, tip) }, "late-after-issue[5]"},
		{"withdrawn", as, func(d *day, _ events.Ref) { void(d, void(d, tip)) }, "late-after-issue[5 6]"},
		{"another entry", as, func(d *day, e events.Ref) { void(d, e) }, "late-after-issue[5]"},
		{"of another truck's report", func(r *events.ReportIssued) { r.Truck = "TM-02" }, func(d *day, _ events.Ref) { void(d, tip) }, ""},
		{"corrected, and voided", as, func(d *day, _ events.Ref) {
			d.add("/office/yard", "", afterwards, events.EntryCorrected{Refers: tip, Replacement: events.Replacement{Body: events.SpoilTipped{PortionPPM: 1}}})
			void(d, tip)
		}, "issued-tip-voided[2 6 4] late-after-issue[5 6]"},
	})
}

// A manifest that was issued after the voiding never held the tip.
func TestVoidBeforeTheIssue(t *testing.T) {
	d := &day{}
	d.void(d.truck(noon, events.SpoilTipped{Whole: true}))
	issue(d, as)
	if got := codes(d.resolve()); got != "" {
		t.Errorf("findings %q", got)
	}
}
