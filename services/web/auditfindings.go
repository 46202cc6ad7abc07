package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"spoilbook/events"
	"spoilbook/reports"
	"spoilbook/services/access"
	"spoilbook/services/ledger"
)

// Of each kind of finding a page of all kinds shows the first; the page of one kind shows auditRows at a time.
const firstOfKind = 4

func (s *site) findingRoutes(mux *http.ServeMux) {
	mux.HandleFunc("GET /audit/findings", s.auditFindings)
	mux.HandleFunc("GET /audit/findings/answer", s.answerPage)
	mux.HandleFunc("POST /audit/findings/answer", s.answer)
}

// auditFinding is a finding with the reports that made it.
type auditFinding struct {
	reports.Finding
	Reports []string
	Path    string // of its own page, where it is answered and its answers stand
}

// key tells findings apart that several reports made alike.
func (f *auditFinding) key() string {
	cites := ""
	for _, p := range f.Cites {
		cites += " " + strconv.FormatUint(p, 10)
	}
	return string(f.Code) + "\n" + string(f.Truck) + "\n" + f.At.String() + "\n" + f.What + cites
}

// findingsOf gathers what all reports that somebody may see have found, each finding once, from serious to note.
func (s *site) findingsOf(r *http.Request, a *audited) ([]auditFinding, error) {
	who := access.From(r.Context())
	names := slices.DeleteFunc(ledger.ReportNames(), func(name string) bool { return who.May(access.RunReport, access.Object{Report: name}) != nil })
	list, err := s.Ledger.Reports(r.Context(), names, a.Period, reports.Filter{}, a.Position)
	if err != nil {
		return nil, err
	}
	all, at := []auditFinding{}, map[string]int{}
	for i, report := range list {
		a.Position = report.Position
		for _, f := range report.Document.Findings {
			x := auditFinding{Finding: f}
			k, seen := at[x.key()]
			if !seen {
				k = len(all)
				at[x.key()] = k
				all = append(all, x)
			}
			all[k].Reports = append(all[k].Reports, names[i])
		}
	}
	for i := range all {
		if f := &all[i]; len(f.Cites) > 0 {
			q := a.query()
			q.Set("code", string(f.Code))
			q.Set("about", strconv.FormatUint(f.Cites[0], 10))
			f.Path = "/audit/findings/answer?" + q.Encode()
		}
	}
	return all, nil
}

// findingsPage is what was found, by severity and kind.
type findingsPage struct {
	audited
	Nav                   []menuItem
	AtPosition            uint64
	Groups                []findingsGroup
	Count, Open           int // of those that the filters hold for
	All                   int
	Severity, Code, State string
	Truck                 string
	Trucks                []string
	Newer, More           string
	First, Last           int
	MayAnswer             bool
	Severities            []reports.Severity
	Kinds                 []reports.Code
}

type findingsGroup struct {
	reports.FindingGroup
	reports.Rule
	Severity reports.Severity // of the findings, which is above the rule's in some
	Findings []auditFinding
	Rest     int
	Path     string // the page of this kind alone
}

func (s *site) auditFindings(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, auditing, access.Object{}) {
		return
	}
	a, err := s.auditedOf(r)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	all, err := s.findingsOf(r, &a)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	q := r.URL.Query()
	page := findingsPage{audited: a, Nav: auditNav(a, r), AtPosition: a.Position, All: len(all), Severity: q.Get("severity"), Code: q.Get("code"), State: q.Get("state"), Truck: q.Get("truck"),
		MayAnswer: mayAnswer(r), Severities: reports.Severities()}
	page.fill(all, pageIn(r))
	s.show(w, r, http.StatusOK, "audit-findings", "Findings", page)
}

func mayAnswer(r *http.Request) bool {
	return access.From(r.Context()).May(access.SubmitEvents, access.Object{Kind: events.KindFindingAnswered, Source: ledger.AnswerSource()}) == nil
}

func (p *findingsPage) query() url.Values {
	q := p.audited.query()
	for name, v := range map[string]string{"severity": p.Severity, "code": p.Code, "state": p.State, "truck": p.Truck} {
		if v != "" {
			q.Set(name, v)
		}
	}
	return q
}

// fill sorts findings into groups and keeps of them what a page shows.
func (p *findingsPage) fill(all []auditFinding, page int) {
	kept, plain := []auditFinding{}, []reports.Finding{}
	for _, f := range all {
		if !slices.Contains(p.Kinds, f.Code) {
			p.Kinds = append(p.Kinds, f.Code)
		}
		if f.Truck != "" && !slices.Contains(p.Trucks, string(f.Truck)) {
			p.Trucks = append(p.Trucks, string(f.Truck))
		}
		open := len(f.Answers) == 0
		if (p.Severity == "" || p.Severity == string(f.Severity)) && (p.Code == "" || p.Code == string(f.Code)) && (p.Truck == "" || p.Truck == string(f.Truck)) &&
			(p.State == "" || open == (p.State == "open")) {
			kept, plain = append(kept, f), append(plain, f.Finding)
			if p.Count++; open {
				p.Open++
			}
		}
	}
	slices.Sort(p.Kinds)
	slices.Sort(p.Trucks)
	from, to := 0, firstOfKind
	if p.Code != "" {
		page = min(page, max(1, (len(kept)+auditRows-1)/auditRows))
		from, to = (page-1)*auditRows, page*auditRows
		p.First, p.Last = min(from+1, len(kept)), min(to, len(kept))
		p.Newer, p.More = p.neighbours(page, to < len(kept))
	}
	for _, g := range reports.GroupFindings(plain) {
		group := findingsGroup{FindingGroup: g, Rule: reports.RuleOf(g.Code), Severity: g.Severity}
		n := 0
		for _, f := range kept {
			if f.Code != g.Code || f.Severity != g.Severity {
				continue
			}
			if n >= from && n < to {
				group.Findings = append(group.Findings, f)
			}
			n++
		}
		group.Rest = n - len(group.Findings)
		q := p.query()
		q.Set("code", string(g.Code))
		group.Path = "/audit/findings?" + q.Encode()
		p.Groups = append(p.Groups, group)
	}
}

func (p *findingsPage) neighbours(page int, more bool) (before, after string) {
	q := p.query()
	if page > 1 {
		q.Set("page", strconv.Itoa(page-1))
		before = "/audit/findings?" + q.Encode()
	}
	if more {
		q.Set("page", strconv.Itoa(page+1))
		after = "/audit/findings?" + q.Encode()
	}
	return before, after
}

// answerForm is a finding with its answers and, for who may answer, a form.
type answerForm struct {
	audited
	Nav           []menuItem
	Code          reports.Code
	Rule          reports.Rule
	About         uint64
	Findings      []auditFinding // of that code about that event
	Answers       []reports.Answer
	MayAnswer     bool
	AskAuthor     bool
	Author        string
	Seen          uint64
	Outcome, Text string
	Outcomes      []events.AnswerOutcome
	Back, Action  string
	Wrong, Do     string
	Done          bool
	Meanwhile     bool
}

func outcomes() []events.AnswerOutcome {
	return []events.AnswerOutcome{events.AnswerExplained, events.AnswerCorrected, events.AnswerReported, events.AnswerAccepted}
}

func (s *site) answerPage(w http.ResponseWriter, r *http.Request) {
	if s.allowed(w, r, auditing, access.Object{}) {
		s.showAnswer(w, r, http.StatusOK, answerForm{Done: r.URL.Query().Get("done") != ""})
	}
}

// showAnswer shows the finding that the address names, with what became of a form.
func (s *site) showAnswer(w http.ResponseWriter, r *http.Request, status int, page answerForm) {
	a, err := s.auditedOf(r)
	if err == nil {
		page.About, err = positionIn(r.URL.Query(), "about")
	}
	if err != nil {
		s.fail(w, r, err)
		return
	}
	a.Position = 0 // what stands now is what is answered
	all, err := s.findingsOf(r, &a)
	if err != nil {
		s.fail(w, r, err)
		return
	}
	page.Code = reports.Code(r.URL.Query().Get("code"))
	for _, f := range all {
		if f.Code == page.Code && len(f.Cites) > 0 && f.Cites[0] == page.About {
			page.Findings = append(page.Findings, f)
			page.Answers = f.Answers
		}
	}
	if len(page.Findings) == 0 {
		s.fail(w, r, ledger.Fail(ledger.NotFound, "nothing of the kind %q is found about the event at position %d from %s to %s", page.Code, page.About, a.From, a.To))
		return
	}
	page.Seen, a.Position = a.Position, 0
	q := a.query()
	q.Set("code", string(page.Code))
	q.Set("about", strconv.FormatUint(page.About, 10))
	page.Action = "/audit/findings/answer?" + q.Encode()
	page.audited, page.Nav, page.Rule, page.Outcomes = a, auditNav(a, r), reports.RuleOf(page.Code), outcomes()
	page.MayAnswer, page.AskAuthor, page.Back = mayAnswer(r), s.Access == nil, "/audit/findings?"+a.Query()
	s.show(w, r, status, "audit-answer", "Finding", page)
}

// answer enters an answer and leads back to the finding, where it stands then.
func (s *site) answer(w http.ResponseWriter, r *http.Request) {
	if !s.allowed(w, r, auditing, access.Object{}) || !s.allowed(w, r, access.SubmitEvents, access.Object{Kind: events.KindFindingAnswered, Source: ledger.AnswerSource()}) {
		return
	}
	if !s.formRead(w, r) {
		return
	}
	about, err := positionIn(r.URL.Query(), "about")
	seen, err2 := positionIn(r.PostForm, "seen")
	if err != nil || err2 != nil || seen == 0 {
		s.fail(w, r, ledger.Fail(ledger.BadRequest, "the form is not whole: load the page again"))
		return
	}
	e := ledger.AnswerEntry{Code: reports.Code(r.URL.Query().Get("code")), About: about, Outcome: events.AnswerOutcome(r.PostFormValue("outcome")),
		Text: strings.TrimSpace(r.PostFormValue("text")), Author: access.From(r.Context()).Author(), Seen: seen}
	if s.Access == nil {
		e.Author = strings.TrimSpace(r.PostFormValue("author"))
	}
	if _, err = s.Ledger.Answer(r.Context(), e); err == nil {
		q := r.URL.Query()
		q.Set("done", "yes")
		http.Redirect(w, r, "/audit/findings/answer?"+q.Encode(), http.StatusSeeOther)
		return
	}
	outcome := ledger.OutcomeOf(ledger.CodeOf(err))
	if outcome.Status >= 500 {
		s.fail(w, r, err)
		return
	}
	s.showAnswer(w, r, outcome.Status, answerForm{Outcome: string(e.Outcome), Text: e.Text, Author: e.Author, Wrong: err.Error(), Do: mannersOf(r).Tongue.Say(outcome.Do),
		Meanwhile: ledger.CodeOf(err) == ledger.Conflict})
}
